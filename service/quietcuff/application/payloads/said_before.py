"""Earlier versions of a reading: the pressures and pulses that a set ever had at its place."""

from __future__ import annotations

from uuid import UUID

from quietcuff.application.context import UnitOfWork
from quietcuff.application.payloads.joined import Joined, SaidAt
from quietcuff.application.stored import SET_DECODER, find_row, version_of
from quietcuff.core.model.fields import hundredths
from quietcuff.core.model.readings import Reading
from quietcuff.storage.rows.payloads import SourceRow


def says_the_same(reading: Reading, stored: SourceRow) -> bool:
    """True if the reading has the stored pressures. Its time is not compared, because it may have been corrected meanwhile."""
    return pressures_of(reading) == (stored.systolic, stored.diastolic)


def pressures_of(reading: Reading) -> tuple[int | None, int | None]:
    """Systolic and diastolic pressure in hundredths of mmHg."""
    systolic, diastolic = reading.systolic_mmhg, reading.diastolic_mmhg
    return None if systolic is None else hundredths(systolic), None if diastolic is None else hundredths(diastolic)


def was_said_before(turn: UnitOfWork, reading: Reading, stored: SourceRow, joined: Joined) -> bool:
    """True if any earlier version of the set had these pressures at the place of the reading."""
    said = all_said(turn, stored.set_id, joined)
    return any(one[:3] == (stored.reading_index, *pressures_of(reading)) for one in said)


def pulses_said(turn: UnitOfWork, stored: SourceRow, joined: Joined) -> set[int]:
    """Pulses that a reading had in earlier versions of its set."""
    said = all_said(turn, stored.set_id, joined)
    return {pulse for place, _, _, pulse in said if place == stored.reading_index and pulse is not None}


def all_said(turn: UnitOfWork, set_id: UUID, joined: Joined) -> frozenset[SaidAt]:
    """Values of a set's readings in its earlier versions, read once for each payload."""
    if set_id not in joined.said:
        row = find_row(turn, set_id)
        sets = (SET_DECODER.decode(version_of(turn, row, number).document) for number in range(1, row.version))
        joined.said[set_id] = frozenset(
            (index, *pressures_of(one), None if one.pulse_per_min is None else hundredths(one.pulse_per_min))
            for early in sets
            for index, one in enumerate(early.readings)
        )
    return joined.said[set_id]
