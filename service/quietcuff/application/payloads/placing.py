"""Assignment of a payload's readings to sittings: an open set of the same person and device, or a new set.

The times of measurement decide, not those of arrival. Late and interleaved readings join the sets that they would have joined
in the right order.
Source: [DECISION].
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from uuid import UUID

import msgspec

from quietcuff.application.context import UnitOfWork
from quietcuff.application.stored import StoredSet, find_row, load
from quietcuff.core.model.errors import NotFound
from quietcuff.core.model.fields import MAX_READINGS
from quietcuff.core.model.readings import Reading, ReadingSet, Subject
from quietcuff.core.rulebook.rulebook import Limits
from quietcuff.core.sitting.acceptance import sitting_faults
from quietcuff.decode.payload import IncomingReading, IntendedSitting
from quietcuff.storage.engine.ids import device_id, read_id
from quietcuff.storage.rows.payloads import open_sets, users_of_set

Fresh = tuple[bytes, IncomingReading]
# Measured in one go: a longer gap between two readings is between two sittings.
ONE_GO = ("office", "home")


class GatheredReadings(msgspec.Struct, kw_only=True):
    """Readings of one sitting. ``stored`` is the open set that they are added to. ``is_named`` is True if the sender named that
    set. ``users`` are the numbers of the device's users whose readings it holds."""

    stored: StoredSet | None
    readings: list[Reading]
    added: list[Fresh] = []
    is_named: bool = False
    users: frozenset[int] = frozenset()

    def is_of_another(self, user: int | None) -> bool:
        """True if it holds readings of another user of the device."""
        return user is not None and bool(self.users - {user})

    def distance(self, reading: Reading) -> timedelta:
        """Time from a reading to the nearest reading of this sitting."""
        taken = [own.taken_at for own in self.readings if not own.voided] or [own.taken_at for own in self.readings]
        return min(abs(moment - reading.taken_at) for moment in taken)


class PlacedReadings(msgspec.Struct, frozen=True, kw_only=True):
    """Readings by sitting, in the order of the sittings, and the readings that would mix two users of a device."""

    gatherings: list[GatheredReadings]
    of_several_users: list[IncomingReading]


def place_readings(turn: UnitOfWork, person: UUID, sitting: IntendedSitting, fresh: Sequence[Fresh]) -> PlacedReadings:
    """Assign each reading to the sitting nearest in time, or to a new one. The readings come in the order of time.

    Raises:
        NotFound: a set is named that is not this person's.
    """
    gatherings = named_set(turn, person, sitting) if sitting.set_id else open_ones(turn, person, sitting, fresh)
    refused = []
    for one in fresh:
        reading = one[1].reading
        fit = [gathering for gathering in gatherings if is_fit(turn, gathering, sitting, reading)]
        nearest = min(fit, key=lambda gathering: (not gathering.is_named, gathering.distance(reading)), default=None)
        if nearest is None:
            nearest = GatheredReadings(stored=None, readings=[])
            gatherings.append(nearest)
        # Refused and not given a set of its own: readings of two users under one person's name would count as one person's.
        if nearest.is_of_another(sitting.user):
            refused.append(one[1])
            continue
        nearest.readings.append(reading)
        nearest.added.append(one)
    used = [gathering for gathering in gatherings if gathering.added]
    used.sort(key=lambda gathering: gathering.added[0][1].reading.taken_at)
    return PlacedReadings(gatherings=used, of_several_users=refused)


def named_set(turn: UnitOfWork, person: UUID, sitting: IntendedSitting) -> list[GatheredReadings]:
    """The set that the sender names, if it is open.

    Raises:
        NotFound: it is not this person's.
    """
    row = find_row(turn, read_id(sitting.set_id or ""))
    if row.subject_id != person:
        raise NotFound("reading set")
    is_open = row.closed_at is None and row.status == "active"
    return [gathering_of(turn, person, load(turn, row), is_named=True)] if is_open else []


def open_ones(turn: UnitOfWork, person: UUID, sitting: IntendedSitting, fresh: Sequence[Fresh]) -> list[GatheredReadings]:
    """Open sets of the person and device that are close enough in time to one of the readings."""
    device = sitting.device.identifier if sitting.device is not None else None
    own = None if device is None else device_id(turn.tenant.secret, device)
    gap = longest_gap(sitting, turn.desk.rulebook.limits)
    taken = [keyed.reading.taken_at for _, keyed in fresh]
    return [
        gathering_of(turn, person, load(turn, find_row(turn, found.set_id)))
        for found in open_sets(turn.transaction, turn.tenant.tenant_id, person, own)
        if any(found.taken_from - gap <= moment <= found.taken_to + gap for moment in taken)
    ]


def gathering_of(turn: UnitOfWork, person: UUID, stored: StoredSet, *, is_named: bool = False) -> GatheredReadings:
    return GatheredReadings(
        stored=stored,
        readings=list(stored.reading_set.readings),
        is_named=is_named,
        users=frozenset(users_of_set(turn.transaction, turn.tenant.tenant_id, person, stored.row.set_id)),
    )


def longest_gap(sitting: IntendedSitting, limits: Limits) -> timedelta:
    """The longest time between neighbouring readings of one sitting."""
    return timedelta(minutes=limits.join_minutes) if sitting.setting in ONE_GO else timedelta(hours=limits.sitting_over_hours)


def is_fit(turn: UnitOfWork, gathering: GatheredReadings, sitting: IntendedSitting, reading: Reading) -> bool:
    """True if a reading can belong to a sitting. The gap is not checked if the sender names the set."""
    own = None if gathering.stored is None else gathering.stored.reading_set
    if len(gathering.readings) >= MAX_READINGS or (own is not None and own.setting != sitting.setting):
        return False
    if not gathering.is_named:
        if own is not None and None not in (own.location, sitting.location) and own.location != sitting.location:
            return False
        if gathering.distance(reading) > longest_gap(sitting, turn.desk.rulebook.limits):
            return False
    # Asked of the rules themselves, so that no reading is placed into a set that would then be refused with it.
    whole = ReadingSet(
        subject=Subject(identifier=sitting.subject.identifier),
        setting=sitting.setting,
        readings=[*gathering.readings, reading],
    )
    return not sitting_faults(whole, turn.desk.rulebook)
