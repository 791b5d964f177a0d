"""Pages that neither skip nor repeat while what they show is being changed.

The order of a search is kept as it was when its first page was read. What moves after that would take another place in the
order: it is shown at its former place instead, as it stands now. What is new takes its first. A change has its time from before
its commit, so that a time alone does not tell what the first page saw: of the last changes before it, it notes which it saw.
"""

from __future__ import annotations

from datetime import datetime
from hashlib import blake2b
from uuid import UUID

import msgspec

from quietcuff.core.record.sitting_version import period_shown
from quietcuff.fhir.model.logical_ids import place_name
from quietcuff.fhir.versions.documents import EVALUATION, SET
from quietcuff.storage.rows.versions import FormerVersion, recent_changes, versions_of
from quietcuff.storage.search.observations import Snapshot, find_moved, find_observations, settled_until
from quietcuff.storage.search.query import EntryPageEnd, ObservationEntry, ObservationKey, ObservationQuery

# What fits into an address.
MOST_RECENT = 200
MARK_BYTES = 4


def steady_page(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> list[ObservationEntry]:
    """The entries of one page, in order, and one more where there is a next page."""
    found = find_observations(snapshot, tenant_id, query)
    if query.after is None:
        return first_page(snapshot, tenant_id, found) if len(found) > query.limit else found
    if query.after.began is None:
        return found
    moved = find_moved(snapshot, tenant_id, query)
    former = at_former_places(snapshot, tenant_id, query.order in ("date", "-date"), query.after, moved) if moved else []
    is_descending = query.order.startswith("-")
    end = place_in_order(query.after)
    beyond = [entry for entry in former if is_beyond(entry, end, is_descending)]
    merged = sorted([*found, *beyond], key=place_in_order, reverse=is_descending)
    return [placed_as(entry, query.after, entry.ordered_by) for entry in merged[: query.limit + 1]]


def first_page(snapshot: Snapshot, tenant_id: int, found: list[ObservationEntry]) -> list[ObservationEntry]:
    """The first page as it stands, its end with what later pages must know of it."""
    began = settled_until(snapshot, tenant_id)
    if began is None:
        return found
    changes = recent_changes(snapshot, tenant_id, began, MOST_RECENT + 1)
    if len(changes) > MOST_RECENT:
        # Too many to name all: of those that are left out, it is taken that all were seen.
        changes, began = changes[:MOST_RECENT], changes[MOST_RECENT].created_at
    recent = b"".join(mark(one.set_id, one.version) for one in changes)
    seen = msgspec.structs.replace(found[0].page_end, began=began, recent=recent)
    # The next page begins after the last entry of this one; behind it stands the first of the next.
    return [*found[:-2], *(placed_as(entry, seen, entry.ordered_by) for entry in found[-2:])]


def mark(set_id: UUID, version: int) -> bytes:
    """A few bytes that stand for one version of a set."""
    return blake2b(set_id.bytes + version.to_bytes(4), digest_size=MARK_BYTES).digest()


def marks_in(recent: bytes) -> frozenset[bytes]:
    return frozenset(recent[place : place + MARK_BYTES] for place in range(0, len(recent), MARK_BYTES))


def placed_as(entry: ObservationEntry, seen: EntryPageEnd, ordered_by: datetime) -> ObservationEntry:
    """The entry at that place in the order of a first page."""
    return msgspec.structs.replace(entry, ordered_by=ordered_by, began=seen.began, recent=seen.recent)


def place_in_order(found: ObservationEntry | EntryPageEnd) -> tuple[datetime, UUID, int]:
    return found.ordered_by, found.set_id, found.place


def is_beyond(entry: ObservationEntry, end: tuple[datetime, UUID, int], is_descending: bool) -> bool:
    own = place_in_order(entry)
    return own < end if is_descending else own > end


def at_former_places(
    snapshot: Snapshot, tenant_id: int, by_date: bool, seen: EntryPageEnd, moved: list[ObservationEntry]
) -> list[ObservationEntry]:
    """The entries under the key that they had when the first page was read; what was not there yet, under its first."""
    sets = {entry.set_id for entry in moved}
    versions = versions_of(snapshot, tenant_id, sets, with_documents=by_date)
    marks, placed = marks_in(seen.recent), []
    for entry in moved:
        known = known_then(versions.get(entry.set_id, []), entry.key, seen.began, marks)
        when = former_date(known, entry.key) if by_date else former_change(known)
        if when is not None:
            placed.append(placed_as(entry, seen, when))
    return placed


def known_then(
    versions: list[FormerVersion], key: ObservationKey, began: datetime | None, marks: frozenset[bytes]
) -> list[FormerVersion]:
    """The versions with which it had moved, as the first page saw it, oldest first; only the first with which it was there,
    where that was later."""
    name = place_name(key.kind, key.index)
    moves = [one for one in versions if name in one.changed.split()]
    seen = (
        one.version for one in versions if began is None or one.created_at <= began or mark(one.set_id, one.version) in marks
    )
    # Whoever sees a version sees all before it.
    newest = max(seen, default=0)
    return [one for one in moves if one.version <= newest] or moves[:1]


def former_change(known: list[FormerVersion]) -> datetime | None:
    """Time of the last change known then."""
    return known[-1].created_at if known else None


def former_date(known: list[FormerVersion], key: ObservationKey) -> datetime | None:
    """Time of measurement as known then."""
    if not known:
        return None
    if key.kind != "mean":
        return SET.decode(known[-1].document or b"").readings[key.index].taken_at
    periods = (period_of_mean(one) for one in reversed(known))
    return next((period[0] for period in periods if period is not None), None)


def period_of_mean(version: FormerVersion) -> tuple[datetime, datetime] | None:
    """The period that the mean shows with a version with which it moved; None where it then showed an earlier one."""
    evaluation = EVALUATION.decode(version.evaluation or b"")
    if evaluation.result is None and not version.tells_no_result:
        return None
    return period_shown(SET.decode(version.document or b""), evaluation)
