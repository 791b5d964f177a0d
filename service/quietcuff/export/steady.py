"""Pages that neither skip nor repeat while what they show is being changed.

The order of a search is kept as it was when its first page was read. What moves after that would take another place in the
order: it is shown at its former place instead, as it stands now. What is new takes the place it has.
"""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec

from quietcuff.export.places import place_name
from quietcuff.export.records import EVALUATION, READING_SET
from quietcuff.storage.entries import ObservationEntry, ObservationKey, ObservationQuery, PageEnd
from quietcuff.storage.former import FormerVersion, versions_until
from quietcuff.storage.search import Snapshot, find_moved, find_observations


def steady_page(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> list[ObservationEntry]:
    """The entries of one page, in order, and one more where there is a next page."""
    found = find_observations(snapshot, tenant_id, query)
    if query.after is None or query.after.began is None:
        return found
    moved = find_moved(snapshot, tenant_id, query)
    if not moved:
        return found
    is_descending = query.order.startswith("-")
    end = place_in_order(query.after)
    former = [entry for entry in at_former_places(snapshot, tenant_id, query, moved) if is_beyond(entry, end, is_descending)]
    merged = sorted([*found, *former], key=lambda entry: place_in_order(entry.page_end), reverse=is_descending)
    return merged[: query.limit + 1]


def place_in_order(end: PageEnd) -> tuple[datetime, UUID, int]:
    return end.ordered_by, end.set_id, end.place


def is_beyond(entry: ObservationEntry, end: tuple[datetime, UUID, int], is_descending: bool) -> bool:
    own = place_in_order(entry.page_end)
    return own < end if is_descending else own > end


def at_former_places(
    snapshot: Snapshot, tenant_id: int, query: ObservationQuery, moved: list[ObservationEntry]
) -> list[ObservationEntry]:
    """The entries under the key that they had when the first page was read; those that were not there yet are left out."""
    if query.after is None or query.after.began is None:
        return []
    by_date = query.order in ("date", "-date")
    sets = {entry.page_end.set_id for entry in moved}
    former = versions_until(snapshot, tenant_id, sets, query.after.began, with_documents=by_date)
    placed = []
    for entry in moved:
        versions = former.get(entry.page_end.set_id, [])
        when = former_date(versions, entry.key) if by_date else former_change(versions, entry.key)
        if when is not None:
            placed.append(msgspec.structs.replace(entry, page_end=msgspec.structs.replace(entry.page_end, ordered_by=when)))
    return placed


def former_change(versions: list[FormerVersion], key: ObservationKey) -> datetime | None:
    """When it had last changed; None where it was not there yet."""
    name = place_name(key.kind, key.index)
    return next((one.created_at for one in reversed(versions) if name in one.changed.split()), None)


def former_date(versions: list[FormerVersion], key: ObservationKey) -> datetime | None:
    """When it had been measured, as was known then; None where it was not there yet."""
    name = place_name(key.kind, key.index)
    if not any(name in one.changed.split() for one in versions):
        return None
    if key.kind != "mean":
        return READING_SET.decode(versions[-1].document or b"").readings[key.index].taken_at
    shown = (EVALUATION.decode(one.evaluation or b"") for one in reversed(versions) if name in one.changed.split())
    return next((one.result.taken_from for one in shown if one.result is not None), None)
