"""From the parameters of a FHIR search request to a query. Source: FHIR R4 search."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Iterable

import msgspec

from quietcuff.core.errors import Fault, NotAcceptable
from quietcuff.export.dates import Clock
from quietcuff.export.parameters import BY_NAME, Asked, alternatives_of
from quietcuff.storage.entries import MEAN_PLACE, ObservationQuery, Order, PageEnd

DEFAULT_COUNT, MOST_COUNT = 50, 200
MOST_PARAMETERS = 100
CURSOR = "_cursor"
# Read by the web layer, which answers JSON only; they neither find nor shape anything here.
PASSED_OVER = frozenset(("_format", "_pretty"))
LONGEST_NUMBER = 9
YEARS = range(1800, 2401)


class Search(msgspec.Struct, frozen=True, kw_only=True):
    """A search as understood: the query, what it was understood from, and whether the number of matches is wanted.

    ``wants_total`` is None where nobody said: then it is given when it costs little.
    """

    query: ObservationQuery
    understood: tuple[tuple[str, str], ...]
    only_total: bool = False
    wants_total: bool | None = None


def parse_search(items: Iterable[tuple[str, str]], *, fhir_url: str, clock: Clock, is_strict: bool) -> Search:
    """A search of Observations from its parameters, in the order they were sent.

    A parameter that is not known is left out, and out of the self link; with ``is_strict`` (``Prefer:
    handling=strict``) it is refused. A parameter that is known is never ignored.

    Raises:
        NotAcceptable: every fault, each with its parameter.
    """
    search, faults = Search(query=ObservationQuery(), understood=()), []
    for number, (name, value) in enumerate(items):
        try:
            if number == MOST_PARAMETERS:
                raise refused(name, "too-many", f"At most {MOST_PARAMETERS} parameters.")
            if not is_known(name):
                search = passed_over(search, name, is_strict=is_strict)
            elif name in CONTROLS:
                search = CONTROLS[name](with_understood(search, name, value), value)
            else:
                search = narrowed(search, name, value, fhir_url, clock)
        except NotAcceptable as refusal:
            faults += refusal.faults
    if faults:
        raise NotAcceptable(faults[:MOST_PARAMETERS])
    has_order = any(name == "_sort" for name, _ in search.understood)
    return search if has_order else in_natural_order(search)


def is_known(name: str) -> bool:
    """True also for a known parameter with a modifier or a chain, which must be refused rather than passed over."""
    return name in CONTROLS or re.split("[:.]", name, maxsplit=1)[0] in BY_NAME


def passed_over(search: Search, name: str, *, is_strict: bool) -> Search:
    """The search without a parameter that nobody here knows.

    Raises:
        NotAcceptable: the client asked for strict handling.
    """
    if is_strict and name not in PASSED_OVER:
        raise refused(name, "parameter-not-supported", "One of the parameters in the CapabilityStatement.")
    return search


def narrowed(search: Search, name: str, value: str, fhir_url: str, clock: Clock) -> Search:
    """The search with one more condition.

    Raises:
        NotAcceptable: a modifier or a chain, or a value that cannot be read.
    """
    parameter = BY_NAME.get(name)
    if parameter is None:
        raise refused(name, "modifier-not-supported", "The parameter without a modifier or a chain.")
    asked = Asked(name, alternatives_of(name, value), fhir_url, clock)
    return msgspec.structs.replace(with_understood(search, name, value), query=parameter.narrow(search.query, asked))


def with_understood(search: Search, name: str, value: str) -> Search:
    return msgspec.structs.replace(search, understood=(*search.understood, (name, value)))


def in_natural_order(search: Search) -> Search:
    """Where no order was asked for: newest first; over everything by sitting, which an index serves."""
    is_narrow = search.query.subject_ids is not None or search.query.keys is not None
    order: Order = "-date" if is_narrow else "newest-sitting"
    return msgspec.structs.replace(search, query=msgspec.structs.replace(search.query, order=order))


def read_count(search: Search, value: str) -> Search:
    """How many entries a page holds; 0 asks for the number of matches alone."""
    if not (value.isascii() and value.isdigit()) or len(value) > LONGEST_NUMBER:
        raise refused("_count", "not-a-count", "A whole number from 0.")
    limit = min(int(value), MOST_COUNT)
    understood = (*search.understood[:-1], ("_count", str(limit)))
    query = msgspec.structs.replace(search.query, limit=limit)
    return msgspec.structs.replace(search, query=query, understood=understood, only_total=limit == 0)


def read_sort(search: Search, value: str) -> Search:
    """In which order the entries come."""
    if value not in ("date", "-date"):
        raise refused("_sort", "not-supported", "date or -date.")
    order: Order = "date" if value == "date" else "-date"
    return msgspec.structs.replace(search, query=msgspec.structs.replace(search.query, order=order))


def read_summary(search: Search, value: str) -> Search:
    """Whether the number of matches alone is wanted."""
    if value not in ("count", "false"):
        raise refused("_summary", "not-supported", "count or false.")
    return msgspec.structs.replace(search, only_total=search.only_total or value == "count")


def read_total(search: Search, value: str) -> Search:
    """Whether the number of matches is wanted with the entries."""
    if value not in ("none", "estimate", "accurate"):
        raise refused("_total", "not-supported", "none, estimate or accurate.")
    return msgspec.structs.replace(search, wants_total=value != "none")


def read_cursor(search: Search, value: str) -> Search:
    """Where an earlier page ended."""
    after = page_end(value)
    return msgspec.structs.replace(search, query=msgspec.structs.replace(search.query, after=after))


CONTROLS: dict[str, Callable[[Search, str], Search]] = {
    "_count": read_count,
    "_sort": read_sort,
    "_summary": read_summary,
    "_total": read_total,
    CURSOR: read_cursor,
}


def page_end(cursor: str) -> PageEnd:
    """The end of a page from the cursor of a next link.

    Raises:
        NotAcceptable: not a cursor that this service made.
    """
    try:
        raw = base64.b64decode(cursor.encode("ascii"), altchars=b"-_", validate=True)
        end = msgspec.msgpack.decode(raw, type=PageEnd)
    except (ValueError, msgspec.MsgspecError) as error:
        raise refused(CURSOR, "bad-cursor", "The next link of an earlier page, unchanged.") from error
    if end.ordered_by.tzinfo is None or end.ordered_by.year not in YEARS or not 0 <= end.place <= MEAN_PLACE:
        raise refused(CURSOR, "bad-cursor", "The next link of an earlier page, unchanged.")
    return end


def cursor_of(end: PageEnd) -> str:
    """The end of a page as text for the next link."""
    return base64.urlsafe_b64encode(msgspec.msgpack.encode(end)).decode("ascii")


def refused(parameter: str, code: str, detail: str) -> NotAcceptable:
    return NotAcceptable([Fault(parameter=parameter, code=code, detail=detail)])
