"""The meaning of a target's reply: delivered, try again later, give up, or stop sending to it.

The delays are the example of the Standard Webhooks specification 1.0.0: ten attempts in 75 and a half hours. Jitter only adds
to a delay, so that nothing is sent before a time that the receiver asked for.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Literal

import msgspec

Outcome = Literal["delivered", "later", "give-up", "pause", "disable"]

DELAYS_SECONDS = (5, 300, 1_800, 7_200, 18_000, 36_000, 50_400, 72_000, 86_400)
MOST_ATTEMPTS = len(DELAYS_SECONDS) + 1
JITTER = 0.1
LONGEST_WAIT_SECONDS = 86_400
# An entry that its target never takes must not use up its attempts within minutes because others are taken: after the third
# it is brought forward only once it has waited for a tenth of its delay.
FREELY_BROUGHT_FORWARD = 3
SHARE_WAITED = 0.1


class TargetReply(msgspec.Struct, frozen=True, kw_only=True):
    """The reply to a sending: a status with the start of its body, or the reason why there was no answer.

    ``retry_after_seconds`` is the delay that the receiver asked for.
    """

    status: int | None = None
    failure: str | None = None
    retry_after_seconds: float | None = None
    body: bytes = b""


class Verdict(msgspec.Struct, frozen=True):
    """The decision about an entry, and the word that gives the reason."""

    outcome: Outcome
    reason: str


BY_STATUS = {
    400: Verdict("give-up", "refused"),
    # A wrong token fails for every entry alike: the target waits for a new one, and no attempts are used up.
    401: Verdict("pause", "not-authorised"),
    403: Verdict("pause", "not-authorised"),
    404: Verdict("later", "not-found"),
    409: Verdict("later", "conflict"),
    # RFC 9110: a resource that is gone is likely gone for good.
    410: Verdict("disable", "gone"),
    # FHIR: several resources of the record fit a condition. Sending again cannot change that.
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
    """The decision that follows from a reply, by the one table of statuses."""
    if reply.status is None:
        return Verdict("later", reply.failure or "unreachable")
    verdict = BY_STATUS.get(reply.status) or BY_CLASS.get(reply.status // 100, OTHER)
    if verdict.outcome == "delivered" and has_refused_entry(reply.body):
        return Verdict("give-up", "partly-refused")
    return verdict


class _EntryAnswer(msgspec.Struct):
    """A record's answer to one entry."""

    status: str = ""


class _EntryAnswered(msgspec.Struct):
    """One entry of a transaction's answer."""

    response: _EntryAnswer | None = None


class _TransactionAnswer(msgspec.Struct):
    """A transaction's answer, as far as it tells which entries were accepted."""

    entry: list[_EntryAnswered] = []


ANSWER = msgspec.json.Decoder(_TransactionAnswer)


def has_refused_entry(body: bytes) -> bool:
    """True where a record answered 200 but refused a resource: not every record accepts all or nothing."""
    try:
        answer = ANSWER.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return False
    said = [entry.response.status for entry in answer.entry if entry.response is not None and entry.response.status]
    return any(not status.startswith("2") for status in said)


def wait_after(attempts: int, retry_after_seconds: float | None, jitter: float) -> timedelta | None:
    """The wait after this many attempts; None where that was the last. ``jitter`` is between 0 and 1."""
    if attempts >= MOST_ATTEMPTS:
        return None
    asked = min(retry_after_seconds or 0, LONGEST_WAIT_SECONDS)
    return timedelta(seconds=max(DELAYS_SECONDS[attempts - 1], asked) * (1 + JITTER * jitter))


def last_tried_before(taken_at: datetime) -> list[datetime]:
    """The latest last attempt of an entry that is brought forward, for each number of attempts from 1.

    ``taken_at`` is when the sendings began of which all were taken.
    """
    waited = (0 if attempts <= FREELY_BROUGHT_FORWARD else SHARE_WAITED for attempts in range(1, MOST_ATTEMPTS))
    return [taken_at - timedelta(seconds=delay * share) for delay, share in zip(DELAYS_SECONDS, waited, strict=True)]
