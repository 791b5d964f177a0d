"""From the parameters of a FHIR search request to a query. Source: FHIR R4 search."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import cached_property
from typing import Any

import msgspec

from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.defined_parameters import is_defined
from quietcuff.fhir.search.elements import SUMMARY, TEXT_ONLY
from quietcuff.fhir.search.includes import come_along
from quietcuff.fhir.search.parameter import MISSING, AskedParameter, SearchParameter, alternatives_of, refused
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.rows import paging
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.query import EntryPageEnd

MOST_COUNT = 200
MOST_PARAMETERS = 100
CURSOR = "_cursor"
BAD_CURSOR = Fault(parameter=CURSOR, code="bad-cursor", detail="The next link of an earlier page, unchanged.")
# Read by the web layer: it neither finds nor shapes anything here.
PASSED_OVER = frozenset(("_format",))
ONCE = frozenset(("_count", "_sort", "_summary", "_total", CURSOR))
LONGEST_NUMBER = 9
YEARS = range(1800, 2401)
LAST_PLACE = 2**31 - 1
SORT_KEY = re.compile(r"-?[A-Za-z_][A-Za-z0-9_-]{0,63}", re.ASCII)
NAME_END = re.compile("[:.]")
ELEMENT = re.compile(r"[A-Za-z][A-Za-z0-9]{0,63}", re.ASCII)


class SearchOffer(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """The search capabilities of one type: its parameters, its sort orders by name, its includes, and the query
    without conditions (``everything``). ``in_natural_order`` sets the order where none was asked for."""

    type: str
    parameters: tuple[SearchParameter, ...]
    orders: dict[str, Any]
    includes: tuple[str, ...] = ()
    reverse_includes: tuple[str, ...] = ()
    everything: Any
    in_natural_order: Callable[[Any], Any]

    @cached_property
    def _by_name(self) -> dict[str, SearchParameter]:
        return {one.name: one for one in self.parameters}

    def parameter(self, name: str) -> SearchParameter | None:
        return self._by_name.get(name)


class Search(msgspec.Struct, frozen=True, kw_only=True):
    """A search as understood: the query, what it was understood from, what is wanted with it, and whether that is a total.

    ``wants_total`` is None where nobody said: then it is given when it costs little. ``elements`` is None for whole resources.
    ``iterated`` comes along with what came along, too. ``unknown`` are parameters that were left out. ``is_strict`` where the
    client asked for strict handling.
    """

    asking: SearchOffer
    query: Any
    understood: tuple[tuple[str, str], ...] = ()
    includes: tuple[str, ...] = ()
    iterated: tuple[str, ...] = ()
    elements: frozenset[str] | None = None
    only_total: bool = False
    wants_total: bool | None = None
    unknown: tuple[str, ...] = ()
    is_strict: bool = False


def parse_search(
    asking: SearchOffer,
    items: Iterable[tuple[str, str]],
    *,
    publisher: Publisher,
    clock: Clock,
    is_strict: bool,
    snapshot: Snapshot | None = None,
) -> Search:
    """A search of one type from its parameters, in the order they were sent.

    A parameter that FHIR does not define is left out, and out of the self link, and told; with ``is_strict`` (``Prefer:
    handling=strict``) it is refused. One that FHIR defines is never ignored: what is not offered is refused. ``snapshot``
    serves those that must look something up first.

    Raises:
        NotAcceptable: every fault, each with its parameter.
    """
    search, faults = Search(asking=asking, query=asking.everything, is_strict=is_strict), []
    said: dict[str, str] = {}
    for number, (name, value) in enumerate(items):
        try:
            if number == MOST_PARAMETERS:
                raise refused(name, "too-many", f"At most {MOST_PARAMETERS} parameters.")
            if not is_known(asking, name):
                search = passed_over(search, name)
            elif is_said_again(said, name, value):
                continue
            elif name in CONTROLS:
                search = CONTROLS[name](with_understood(search, name, value), value)
            else:
                alternatives = alternatives_of(name, value)
                search = with_search_parameter(
                    search, name, value, AskedParameter(name, alternatives, publisher, clock, snapshot)
                )
        except NotAcceptable as refusal:
            faults += refusal.faults
    if faults:
        raise NotAcceptable(faults[:MOST_PARAMETERS])
    has_order = any(name == "_sort" for name, _ in search.understood)
    return search if has_order else msgspec.structs.replace(search, query=asking.in_natural_order(search.query))


def is_known(asking: SearchOffer, name: str) -> bool:
    """True also for a known parameter with a modifier or a chain, which must be refused rather than passed over."""
    bare = bare_name(name)
    return bare in CONTROLS or asking.parameter(bare) is not None


def bare_name(name: str) -> str:
    """The name of a parameter without its modifier or chain."""
    return NAME_END.split(name, maxsplit=1)[0]


def is_said_again(said: dict[str, str], name: str, value: str) -> bool:
    """True where what can be said once only is said once more, and says the same.

    Raises:
        NotAcceptable: it says something else.
    """
    if name not in ONCE or name not in said:
        said[name] = value
        return False
    if said[name] != value:
        raise refused(name, "repeated-parameter", "One value.")
    return True


def passed_over(search: Search, name: str) -> Search:
    """The search without a parameter that FHIR does not define, such as a proxy's or a vendor's.

    Raises:
        NotAcceptable: FHIR defines it, so that without it more would be found; or the client asked for strict handling.
    """
    if name in PASSED_OVER:
        return search
    if is_defined(search.asking.type, bare_name(name)):
        raise refused(name, "parameter-not-supported", "It would find less than a search without it: it is not left out.")
    if search.is_strict:
        raise refused(name, "parameter-not-supported", "One of the parameters in the CapabilityStatement.")
    return msgspec.structs.replace(search, unknown=tuple(dict.fromkeys((*search.unknown, name))))


def with_search_parameter(search: Search, name: str, value: str, asked: AskedParameter) -> Search:
    """The search with one more condition.

    Raises:
        NotAcceptable: a modifier or a chain, or a value that cannot be read.
    """
    if name.endswith(MISSING):
        return lacking(search, name, value)
    parameter = search.asking.parameter(name)
    if parameter is None:
        raise refused(name, "modifier-not-supported", "The parameter without this modifier or chain.")
    return msgspec.structs.replace(with_understood(search, name, value), query=parameter.narrow(search.query, asked))


def lacking(search: Search, name: str, value: str) -> Search:
    """The search for what lacks an element, or has it.

    Raises:
        NotAcceptable: it cannot be asked of this parameter, or is neither asked nor denied.
    """
    parameter = search.asking.parameter(name.removesuffix(MISSING))
    if parameter is None or parameter.lacking is None:
        raise refused(name, "modifier-not-supported", "The parameter without this modifier or chain.")
    if value not in ("true", "false"):
        raise refused(name, "not-supported", "true or false.")
    return msgspec.structs.replace(with_understood(search, name, value), query=parameter.lacking(search.query, value == "true"))


def with_understood(search: Search, name: str, value: str) -> Search:
    return msgspec.structs.replace(search, understood=(*search.understood, (name, value)))


def read_count(search: Search, value: str) -> Search:
    """Read the size of a page; 0 asks for the number of matches alone."""
    if not (value.isascii() and value.isdigit()) or len(value) > LONGEST_NUMBER:
        raise refused("_count", "not-a-count", "A whole number from 0.")
    limit = min(int(value), MOST_COUNT)
    understood = (*search.understood[:-1], ("_count", str(limit)))
    query = msgspec.structs.replace(search.query, limit=limit)
    return msgspec.structs.replace(search, query=query, understood=understood, only_total=limit == 0)


def read_sort(search: Search, value: str) -> Search:
    """Read the order of the entries. What would only part entries of one moment is passed over, and so is the order of ids
    where there is none, which clients ask for to have any steady one: unless handling is strict."""
    first, *others = value.split(",")
    order, before = search.asking.orders.get(first), search.understood[:-1]
    if order is None and value == "_id" and not search.is_strict:
        return msgspec.structs.replace(search, understood=before)
    if order is None or (others and (search.is_strict or not all(SORT_KEY.fullmatch(one) for one in others))):
        raise refused("_sort", "not-supported", f"One of {', '.join(search.asking.orders)}.")
    query = msgspec.structs.replace(search.query, order=order)
    return msgspec.structs.replace(search, query=query, understood=(*before, ("_sort", first)))


def read_summary(search: Search, value: str) -> Search:
    """The number of matches alone, or what a resource is in short."""
    match value:
        case "count":
            return msgspec.structs.replace(search, only_total=True)
        case "true":
            return msgspec.structs.replace(search, elements=SUMMARY[search.asking.type])
        case "text":
            return msgspec.structs.replace(search, elements=TEXT_ONLY)
        case "data" | "false":
            return search
    raise refused("_summary", "not-supported", "true, text, data, count or false.")


def read_elements(search: Search, value: str) -> Search:
    """Read the wanted elements of a resource; the type may stand before each."""
    names = [name.removeprefix(f"{search.asking.type}.") for name in value.split(",")]
    if any(ELEMENT.fullmatch(name) is None for name in names):
        raise refused("_elements", "not-an-element", "Names of elements, such as code,subject,effective.")
    return msgspec.structs.replace(search, elements=frozenset(names) | (search.elements or frozenset()))


def elements_of_read(asking: SearchOffer, items: Iterable[tuple[str, str]]) -> frozenset[str] | None:
    """The wanted elements of one resource; None for the whole. Source: FHIR R4 http, 3.1.0.1.

    Raises:
        NotAcceptable: no names of elements, or no summary of one resource.
    """
    search = Search(asking=asking, query=None)
    for name, value in items:
        if (name, value) == ("_summary", "count"):
            raise refused(name, "not-supported", "true, text, data or false.")
        if name in ("_elements", "_summary"):
            search = CONTROLS[name](search, value)
    return search.elements


def read_total(search: Search, value: str) -> Search:
    """Read whether the number of matches is wanted with the entries."""
    if value not in ("none", "estimate", "accurate"):
        raise refused("_total", "not-supported", "none, estimate or accurate.")
    return msgspec.structs.replace(search, wants_total=value != "none")


def read_include(search: Search, value: str) -> Search:
    """Read an include: resources that the found ones point to."""
    return msgspec.structs.replace(search, includes=(*search.includes, *included_types(search, "_include", value)))


def read_reverse_include(search: Search, value: str) -> Search:
    """Read a reverse include: resources that point to the found ones."""
    return msgspec.structs.replace(search, includes=(*search.includes, *included_types(search, "_revinclude", value)))


def read_iterated(search: Search, value: str) -> Search:
    """Read an include that is repeated for included resources."""
    return msgspec.structs.replace(search, iterated=(*search.iterated, *included_types(search, "_include:iterate", value)))


def read_reverse_iterated(search: Search, value: str) -> Search:
    """Read a reverse include that is repeated for included resources."""
    return msgspec.structs.replace(search, iterated=(*search.iterated, *included_types(search, "_revinclude:iterate", value)))


def included_types(search: Search, name: str, value: str) -> tuple[str, ...]:
    asking = search.asking
    return come_along(asking.includes if name.startswith("_include") else asking.reverse_includes, name, value)


def read_cursor(search: Search, value: str) -> Search:
    """Read the cursor: the end of an earlier page."""
    after = page_end(value)
    return msgspec.structs.replace(search, query=msgspec.structs.replace(search.query, after=after))


CONTROLS: dict[str, Callable[[Search, str], Search]] = {
    "_count": read_count,
    "_elements": read_elements,
    "_include": read_include,
    "_include:iterate": read_iterated,
    "_revinclude": read_reverse_include,
    "_revinclude:iterate": read_reverse_iterated,
    "_sort": read_sort,
    "_summary": read_summary,
    "_total": read_total,
    CURSOR: read_cursor,
}


def page_end(cursor: str) -> EntryPageEnd:
    """The end of a page from the cursor of a next link.

    Raises:
        NotAcceptable: not a cursor that this service made.
    """
    return paging.read_cursor(cursor, _page_end, BAD_CURSOR)


def _page_end(key: bytes) -> EntryPageEnd:
    end = msgspec.msgpack.decode(key, type=EntryPageEnd)
    moments = [end.ordered_by] if end.began is None else [end.ordered_by, end.began]
    if any(one.tzinfo is None or one.year not in YEARS for one in moments) or not 0 <= end.place <= LAST_PLACE:
        raise ValueError("outside what is stored")
    return end


def cursor_of(end: EntryPageEnd) -> str:
    """The end of a page as text for the next link."""
    return paging.cursor_text(msgspec.msgpack.encode(end))
