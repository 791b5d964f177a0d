"""When a request is sent again, and after how long: as Retry-After says, else ever later, and not for ever.

A request of the client may always be sent again, for it reads or carries the same key as before. What the service refuses for
its content is not.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Generator, Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import NamedTuple

import msgspec

from quietcuff.client.refusals import error_of
from quietcuff.core.model.errors import ServiceFailed

WORTH_ANOTHER_TRY = frozenset({429, 502, 503, 504})
NO_ANSWER = "No answer after {tries} tries ({cause}). Whether it was stored is not known: send it again under the same key."
# Clients that were turned away together must not come back together.
MOST_JITTER = 0.25
JITTER = random.SystemRandom().random


class Patience(msgspec.Struct, frozen=True, kw_only=True):
    """How long a client goes on: so many tries, and waits that come to so many seconds together."""

    most_tries: int = 5
    longest_wait_seconds: float = 60
    first_wait_seconds: float = 0.5


class Received(NamedTuple):
    """An answer as it came."""

    status: int
    body: bytes
    headers: Mapping[str, str]


class Lost(NamedTuple):
    """No answer: the connection broke, or it took too long."""

    cause: str


# Yields how many seconds to wait before sending; is sent what came of that; returns the good answer.
Tries = Generator[float, Received | Lost, Received]


def tries(patience: Patience, jitter: Callable[[], float] = JITTER) -> Tries:
    """Go on until there is a good answer.

    Raises:
        QuietcuffError: the refusal of the service, or its last one; ``ServiceFailed`` where there was no answer.
    """
    waited, wait = 0.0, 0.0
    for number in range(1, patience.most_tries + 1):
        came = yield wait
        if isinstance(came, Received) and came.status < 400:
            return came
        asked = retry_after(came.headers) if isinstance(came, Received) else None
        wait = (patience.first_wait_seconds * 2 ** (number - 1) if asked is None else asked) * (1 + MOST_JITTER * jitter())
        waited += wait
        is_over = number == patience.most_tries or waited > patience.longest_wait_seconds
        if isinstance(came, Received) and (is_over or came.status not in WORTH_ANOTHER_TRY):
            raise error_of(came.status, came.body, came.headers, asked)
        if isinstance(came, Lost) and is_over:
            raise ServiceFailed(NO_ANSWER.format(tries=number, cause=came.cause))
    raise ValueError("at least one try")


def retry_after(headers: Mapping[str, str]) -> float | None:
    """Seconds that Retry-After asks for, as a number or a date; None where it says nothing of use. Source: RFC 9110, 10.2.3."""
    text = headers.get("retry-after", "").strip()
    if text.isdecimal():
        return float(text)
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    at = at if at.tzinfo is not None else at.replace(tzinfo=UTC)
    return max((at - datetime.now(UTC)).total_seconds(), 0.0)
