"""A search answered as a searchset. Source: FHIR R4 search and Bundle; [USC] server statement."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, cast
from urllib.parse import urlencode

import msgspec

from quietcuff.fhir.model.resources import Bundle, Entry, Link, Resource, SearchMode
from quietcuff.fhir.operation_outcome import left_out
from quietcuff.fhir.search.elements import part_of
from quietcuff.fhir.search.includes import included
from quietcuff.fhir.search.request import CURSOR, Search, cursor_of
from quietcuff.fhir.search.types import SEARCHED, Searched
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.query import EntryPageEnd

ENCODER = msgspec.json.Encoder()
MATCH = SearchMode(mode="match")
INCLUDE = SearchMode(mode="include")
OUTCOME = SearchMode(mode="outcome")


def searchset(snapshot: Snapshot, publisher: Publisher, search: Search) -> bytes:
    """One page of what a search found, as a Bundle in JSON."""
    searched = SEARCHED[search.asking.type]
    if search.only_total:
        total = searched.count(snapshot, publisher, search.query)
        return ENCODER.encode(Bundle(type="searchset", total=total, link=links(search, publisher, None)))
    found = searched.find(snapshot, publisher, search.query)
    page, has_more = found[: search.query.limit], len(found) > search.query.limit
    bundle = Bundle(
        type="searchset",
        total=total_of(snapshot, publisher, searched, search, None if has_more else len(page)),
        link=links(search, publisher, page[-1].page_end if has_more else None),
    )
    return with_entries(bundle, snapshot, publisher, search, page)


def bundle_of(snapshot: Snapshot, publisher: Publisher, search: Search, found: list[Any], operation: str) -> bytes:
    """The results of an operation, all on one page."""
    url = search_url(search, publisher, list(search.understood), f"/{operation}")
    bundle = Bundle(type="searchset", total=len(found), link=[Link(relation="self", url=url)])
    return with_entries(bundle, snapshot, publisher, search, [] if search.only_total else found)


def with_entries(bundle: Bundle, snapshot: Snapshot, publisher: Publisher, search: Search, page: list[Any]) -> bytes:
    """The Bundle in JSON with what stands on the page, and the warning about left out parameters."""
    searched = SEARCHED[search.asking.type]
    if searched.write is None or search.elements is not None or search.includes or search.iterated:
        entry = [*entries(snapshot, publisher, searched, search, page), *remarks(search)]
        return ENCODER.encode(msgspec.structs.replace(bundle, entry=entry or None))
    begin, end = around_resource(publisher.address(search.asking.type, ""))
    parts = [
        part
        for logical_id, line in searched.write(snapshot, publisher, page)
        # An id needs no escape.
        for part in (begin, logical_id.encode(), b'","resource":', line, end)
    ]
    parts += [b",%b" % ENCODER.encode(remark) for remark in remarks(search)]
    told = ENCODER.encode(bundle)
    # Entries are the last element of a Bundle. They are long: each line is copied once, into the answer.
    return b"".join((told[:-1], b',"entry":[', parts[0][1:], *parts[1:], b"]}")) if parts else told


@lru_cache(maxsize=16)
def around_resource(address: str) -> tuple[bytes, bytes]:
    """What stands in an entry before the id at the end of an address, after a comma, and behind the resource."""
    sample = Entry(full_url=address, resource=cast(Resource, msgspec.Raw(b"{}")), search=MATCH)
    begin, end = ENCODER.encode(sample).split(b'","resource":{}')
    return b"," + begin, end


def entries(snapshot: Snapshot, publisher: Publisher, searched: Searched, search: Search, page: list[Any]) -> list[Entry]:
    """The entries of the found resources and of the included ones, each under its address."""
    matches = searched.show(snapshot, publisher, page)
    others = included(snapshot, publisher, search.includes, search.iterated, matches)
    shown = matches if search.elements is None else [part_of(one, search.elements) for one in matches]
    return [
        *(Entry(full_url=address(publisher, one), resource=one, search=MATCH) for one in shown),
        *(Entry(full_url=address(publisher, one), resource=one, search=INCLUDE) for one in others),
    ]


def remarks(search: Search) -> list[Entry]:
    """The warning about left out parameters, as an entry. A search for the number alone has none."""
    is_sent_to = search.unknown and not search.only_total
    return [Entry(resource=left_out(search.unknown), search=OUTCOME)] if is_sent_to else []


def address(publisher: Publisher, resource: Resource) -> str:
    return publisher.address(type(resource).__name__, resource.id)


def total_of(
    snapshot: Snapshot, publisher: Publisher, searched: Searched, search: Search, all_on_page: int | None
) -> int | None:
    """Number of matches on all pages: when it was asked for, or costs nothing, or is about one person or a few ids.

    ``all_on_page`` is their number when this page is the last.
    """
    if search.wants_total is False:
        return None
    if all_on_page is not None and search.query.after is None:
        return all_on_page
    is_narrow = search.query.subject_ids is not None or search.query.keys is not None
    return searched.count(snapshot, publisher, search.query) if search.wants_total or is_narrow else None


def links(search: Search, publisher: Publisher, end: EntryPageEnd | None) -> list[Link]:
    """The page itself, with the understood parameters only; and the next page, the same search from the end of this one."""
    url = search_url(search, publisher, list(search.understood))
    found = [Link(relation="self", url=url)]
    if end is not None:
        kept = [(name, value) for name, value in search.understood if name != CURSOR]
        same = url if len(kept) == len(search.understood) else search_url(search, publisher, kept)
        # A cursor needs no escape.
        found.append(Link(relation="next", url=f"{same}{'&' if kept else '?'}{CURSOR}={cursor_of(end)}"))
    return found


def search_url(search: Search, publisher: Publisher, parameters: list[tuple[str, str]], operation: str = "") -> str:
    query = urlencode(parameters, safe="/:,$")
    return f"{publisher.fhir_url}/{search.asking.type}{operation}" + (f"?{query}" if query else "")
