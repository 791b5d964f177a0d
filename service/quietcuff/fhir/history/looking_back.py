"""What is wanted of a history, from the parameters of its request. Source: FHIR R4 http, history: _since, _at and _count."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Protocol, TypeVar
from urllib.parse import urlencode

import msgspec

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.fhir.model.resources import Link
from quietcuff.fhir.resources.sitting import instant
from quietcuff.fhir.search.date_values import Clock, parse_date
from quietcuff.fhir.search.request import CURSOR, LONGEST_NUMBER, MOST_COUNT, PASSED_OVER
from quietcuff.fhir.search.terms import refused


class Dated(Protocol):
    """A version, and when it was made; None of what has no date."""

    @property
    def updated_at(self) -> datetime | None: ...


V = TypeVar("V", bound=Dated)


class LookingBack(msgspec.Struct, frozen=True, kw_only=True):
    """Which versions are wanted: those made from a moment on, those that stood at some time from ``stood_from`` up to, not
    including, ``stood_until``; how many on a page, None for all; and only those before a place, counted from the oldest."""

    since: datetime | None = None
    stood_from: datetime | None = None
    stood_until: datetime | None = None
    count: int | None = None
    before: int | None = None
    understood: tuple[tuple[str, str], ...] = ()

    def wanted(self, versions: Sequence[V]) -> list[V]:
        """Those of all versions, both oldest first."""
        ends = [one.updated_at for one in versions[1:]] + [None]
        return [one for one, end in zip(versions, ends, strict=True) if self._wants(one.updated_at, end)]

    def _wants(self, begin: datetime | None, end: datetime | None) -> bool:
        is_late_enough = self.since is None or begin is None or begin >= self.since
        stood = self.stood_until is None or begin is None or begin < self.stood_until
        return is_late_enough and stood and (self.stood_from is None or end is None or end > self.stood_from)

    def page(self, found: Sequence[V]) -> tuple[list[V], int]:
        """One page, newest first, and how many are older than all of it."""
        last = len(found) if self.before is None else min(self.before, len(found))
        first = 0 if self.count is None else max(0, last - self.count)
        return list(reversed(found[first:last])), first

    def links(self, address: str, older: int) -> list[Link]:
        """This page's address, and the next one's where there is one."""
        pages = [("self", self.understood)]
        if older and self.count:
            kept = tuple(pair for pair in self.understood if pair[0] != CURSOR)
            pages.append(("next", (*kept, (CURSOR, str(older)))))
        return [Link(relation=name, url=f"{address}/_history{asked_by(pairs)}") for name, pairs in pages]


def asked_by(pairs: Iterable[tuple[str, str]]) -> str:
    query = urlencode(list(pairs), safe="/:,$")
    return f"?{query}" if query else ""


def parse_looking_back(items: Iterable[tuple[str, str]], clock: Clock, *, is_strict: bool) -> LookingBack:
    """What a request wants of a history. A parameter that is not known is left out, unless handling is strict.

    Raises:
        NotAcceptable: every fault, each with its parameter.
    """
    wanted, faults = LookingBack(), []
    for name, value in items:
        try:
            if name in READERS:
                if any(known == name for known, _ in wanted.understood):
                    raise refused(name, "repeated-parameter", "One value.")
                wanted = READERS[name](wanted, value, clock)
            elif is_strict and name not in PASSED_OVER:
                raise refused(name, "parameter-not-supported", f"One of {', '.join(READERS)}.")
        except NotAcceptable as refusal:
            faults += refusal.faults
    if faults:
        raise NotAcceptable(faults)
    return wanted


def read_since(wanted: LookingBack, value: str, clock: Clock) -> LookingBack:
    since = parse_date(plain_date("_since", value), "_since", clock).low
    return msgspec.structs.replace(wanted, since=since, understood=(*wanted.understood, ("_since", instant(since))))


def read_at(wanted: LookingBack, value: str, clock: Clock) -> LookingBack:
    at = parse_date(plain_date("_at", value), "_at", clock)
    understood = (*wanted.understood, ("_at", value.replace(" ", "+")))
    return msgspec.structs.replace(wanted, stood_from=at.low, stood_until=at.high, understood=understood)


def plain_date(name: str, value: str) -> str:
    """A date without a prefix."""
    if not value[:1].isdigit():
        raise refused(name, "not-a-date", "One moment, such as 2026-05-04T09:00:00Z.")
    return value


def read_count(wanted: LookingBack, value: str, clock: Clock) -> LookingBack:
    count = min(whole_number("_count", "not-a-count", value), MOST_COUNT)
    return msgspec.structs.replace(wanted, count=count, understood=(*wanted.understood, ("_count", str(count))))


def read_cursor(wanted: LookingBack, value: str, clock: Clock) -> LookingBack:
    before = whole_number(CURSOR, "bad-cursor", value)
    return msgspec.structs.replace(wanted, before=before, understood=(*wanted.understood, (CURSOR, str(before))))


def whole_number(name: str, code: str, value: str) -> int:
    if not (value.isascii() and value.isdigit()) or len(value) > LONGEST_NUMBER:
        raise refused(name, code, "A whole number from 0.")
    return int(value)


READERS: dict[str, Callable[[LookingBack, str, Clock], LookingBack]] = {
    "_at": read_at,
    "_count": read_count,
    "_since": read_since,
    CURSOR: read_cursor,
}
