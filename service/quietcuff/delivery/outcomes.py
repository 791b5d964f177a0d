"""What an answer means: arrived, try again later and when, give up, or stop sending there at all.

The delays are the example of the Standard Webhooks specification 1.0.0: ten attempts in 75 hours and a half. Jitter only adds,
so that nothing comes before a time that the receiver asked for.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Literal

import msgspec

Outcome = Literal["delivered", "later", "give-up", "pause", "disable"]

DELAYS_SECONDS = (5, 300, 1_800, 7_200, 18_000, 36_000, 50_400, 72_000, 86_400)
MOST_ATTEMPTS = len(DELAYS_SECONDS) + 1
JITTER = 0.1
LONGEST_WAIT_SECONDS = 86_400


class TargetReply(msgspec.Struct, frozen=True, kw_only=True):
    """What came of sending: a status with the start of its body, or a word for why there was no answer.

    ``retry_after_seconds`` is what the receiver asked for.
    """

    status: int | None = None
    failure: str | None = None
    retry_after_seconds: float | None = None
    body: bytes = b""


class Verdict(msgspec.Struct, frozen=True):
    """What is done now, and the word that says why."""

    outcome: Outcome
    reason: str


BY_STATUS = {
    400: Verdict("give-up", "refused"),
    401: Verdict("pause", "not-authorised"),
    403: Verdict("pause", "not-authorised"),
    404: Verdict("later", "not-found"),
    409: Verdict("later", "conflict"),
    410: Verdict("disable", "gone"),
    412: Verdict("give-up", "several-matches"),
    413: Verdict("give-up", "too-large"),
    415: Verdict("give-up", "refused"),
    422: Verdict("give-up", "refused"),
    429: Verdict("later", "throttled"),
}
BY_CLASS = {
    2: Verdict("delivered", "delivered"),
    3: Verdict("later", "redirected"),
    5: Verdict("later", "receiver-failed"),
}
OTHER = Verdict("later", "unexpected-status")


def judge(reply: TargetReply) -> Verdict:
    """The one table of what answers mean."""
    if reply.status is None:
        return Verdict("later", reply.failure or "unreachable")
    verdict = BY_STATUS.get(reply.status) or BY_CLASS.get(reply.status // 100, OTHER)
    if verdict.outcome == "delivered" and has_refused_entry(reply.body):
        return Verdict("give-up", "partly-refused")
    return verdict


class _EntryAnswer(msgspec.Struct):
    """What a record answers to one entry."""

    status: str = ""


class _EntryAnswered(msgspec.Struct):
    """One entry of a transaction's answer."""

    response: _EntryAnswer | None = None


class _TransactionAnswer(msgspec.Struct):
    """A transaction's answer, as far as it says what was taken."""

    entry: list[_EntryAnswered] = []


ANSWER = msgspec.json.Decoder(_TransactionAnswer)


def has_refused_entry(body: bytes) -> bool:
    """Whether a record answered 200 although it did not take every resource. Not every one takes all or nothing."""
    try:
        answer = ANSWER.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return False
    said = [entry.response.status for entry in answer.entry if entry.response is not None and entry.response.status]
    return any(not status.startswith("2") for status in said)


def wait_after(attempts: int, retry_after_seconds: float | None, jitter: float) -> timedelta | None:
    """How long to wait after that many attempts; None where that was the last. ``jitter`` is between 0 and 1."""
    if attempts >= MOST_ATTEMPTS:
        return None
    asked = min(retry_after_seconds or 0, LONGEST_WAIT_SECONDS)
    return timedelta(seconds=max(DELAYS_SECONDS[attempts - 1], asked) * (1 + JITTER * jitter))
