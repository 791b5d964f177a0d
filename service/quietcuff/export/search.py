"""A search answered as a searchset. Source: FHIR R4 search and Bundle; [USC] server statement."""

from __future__ import annotations

from urllib.parse import urlencode

import msgspec

from quietcuff.export.asking import CURSOR, Search, cursor_of
from quietcuff.export.records import Publisher, observations_at
from quietcuff.export.shapes import Bundle, Entry, Link, SearchMode
from quietcuff.storage.entries import ObservationEntry
from quietcuff.storage.search import Snapshot, count_observations, find_observations

ENCODER = msgspec.json.Encoder()
MATCH = SearchMode(mode="match")


def searchset(snapshot: Snapshot, publisher: Publisher, search: Search) -> bytes:
    """One page of what a search found, as a Bundle in JSON."""
    tenant_id = publisher.tenant.tenant_id
    if search.only_total:
        total = count_observations(snapshot, tenant_id, search.query)
        return ENCODER.encode(Bundle(type="searchset", total=total, link=[self_link(search, publisher)]))
    found = find_observations(snapshot, tenant_id, search.query)
    page, has_more = found[: search.query.limit], len(found) > search.query.limit
    bundle = Bundle(
        type="searchset",
        total=total_of(snapshot, tenant_id, search, None if has_more else len(page)),
        link=[self_link(search, publisher), *(next_links(search, page[-1], publisher) if has_more else [])],
        entry=match_entries(snapshot, publisher, page) or None,
    )
    return ENCODER.encode(bundle)


def match_entries(snapshot: Snapshot, publisher: Publisher, page: list[ObservationEntry]) -> list[Entry]:
    """The Observations of a page, each under its address."""
    return [
        Entry(full_url=publisher.address("Observation", observation.id), resource=observation, search=MATCH)
        for observation in observations_at(snapshot, publisher, page)
    ]


def total_of(snapshot: Snapshot, tenant_id: int, search: Search, all_on_page: int | None) -> int | None:
    """How many matches there are on all pages: when it was asked for, or costs nothing, or is about one person.

    ``all_on_page`` is their number when this page is the last.
    """
    if search.wants_total is False:
        return None
    if all_on_page is not None and search.query.after is None:
        return all_on_page
    is_narrow = search.query.subject_ids is not None or search.query.keys is not None
    return count_observations(snapshot, tenant_id, search.query) if search.wants_total or is_narrow else None


def self_link(search: Search, publisher: Publisher) -> Link:
    """What was understood of the request, and nothing else."""
    return Link(relation="self", url=search_url(publisher, list(search.understood)))


def next_links(search: Search, last: ObservationEntry, publisher: Publisher) -> list[Link]:
    """The way to the next page: the same search, from the end of this page."""
    kept = [(name, value) for name, value in search.understood if name != CURSOR]
    return [Link(relation="next", url=search_url(publisher, [*kept, (CURSOR, cursor_of(last.page_end))]))]


def search_url(publisher: Publisher, parameters: list[tuple[str, str]]) -> str:
    query = urlencode(parameters, safe="/:,")
    return f"{publisher.fhir_url}/Observation" + (f"?{query}" if query else "")
