"""When the client sends again: pure, without a clock that runs."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest

from quietcuff.client.retries import Lost, Patience, Received, retry_after, tries
from quietcuff.core.model.errors import QuietcuffError, ServiceFailed, TooOften

GOOD = Received(200, b"{}", {})


def waits(patience: Patience, *came: Received | Lost, jitter: float = 0) -> list[float]:
    """The waits before each try, until there is a good answer or an error."""
    going = tries(patience, lambda: jitter)
    waited = [next(going)]
    try:
        for each in came:
            waited.append(going.send(each))
    except StopIteration as good:
        assert good.value == GOOD
    return waited


def turned_away(seconds: str, status: int = 503) -> Received:
    return Received(status, b"", {"retry-after": seconds})


def test_it_waits_as_long_as_it_is_asked_to_and_else_ever_longer() -> None:
    lost = Lost("ReadError")
    assert waits(Patience(), lost, lost, turned_away("7"), lost, GOOD) == [0, 0.5, 1, 7, 4]
    assert waits(Patience(), turned_away("4"), GOOD, jitter=1) == [0, 5]


@pytest.mark.parametrize("status", [400, 401, 403, 404, 409, 412, 422, 500, 501])
def test_what_is_refused_for_itself_is_not_sent_again(status: int) -> None:
    going = tries(Patience())
    next(going)
    with pytest.raises(QuietcuffError):
        going.send(turned_away("0", status))


def test_a_wait_that_is_too_long_is_left_to_the_caller() -> None:
    going = tries(Patience(longest_wait_seconds=10))
    next(going)
    body = b'{"type":"/problems/too-often","title":"","status":429,"detail":"Wait.","instance":"","errors":[]}'
    with pytest.raises(TooOften) as refused:
        going.send(Received(429, body, {"retry-after": "11"}))
    assert refused.value.retry_after_seconds == 11
    alone = tries(Patience(most_tries=1))
    next(alone)
    with pytest.raises(ServiceFailed):
        alone.send(Lost("ConnectError"))


def test_a_date_to_wait_for_is_read_as_the_standard_has_it() -> None:
    """RFC 9110, 10.2.3: a number of seconds, or a date."""
    later = format_datetime(datetime.now(UTC) + timedelta(seconds=90), usegmt=True)
    assert 85 < (retry_after({"retry-after": later}) or 0) <= 90
    assert retry_after({"retry-after": "Wed, 21 Oct 2015 07:28:00 GMT"}) == 0
    assert [retry_after({"retry-after": text}) for text in ("", "soon", "-1")] == [None] * 3
