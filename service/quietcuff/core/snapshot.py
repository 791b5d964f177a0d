"""What a closed sitting leaves for later ones: its comparisons of the arms and its value; and the snapshot made of them."""

from __future__ import annotations

from datetime import date, datetime

import msgspec

from quietcuff.core.arms import OTHER, find_pairs
from quietcuff.core.attempts import in_order
from quietcuff.core.outcome import Evaluation
from quietcuff.core.readings import MAX_PAIRS, MAX_SITTINGS, History, HistoryPair, HistorySitting, ReadingSet, Site, hundredths
from quietcuff.core.rules import Rulebook

NOT_VALID = frozenset(
    {"restricted-arm", "other-position", "device-error", "implausible", "wrong-cuff", "too-soon", "set-blocked", "voided"}
)


class Remembered(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One closed sitting as later ones know it; ``sitting`` is None where it gave no result."""

    pairs: list[HistoryPair]
    sitting: HistorySitting | None


class Measured(msgspec.Struct, frozen=True):
    """One reading in the terms of the comparison: hundredths of mmHg at a site."""

    site: Site
    systolic: int
    diastolic: int


def remember(reading_set: ReadingSet, evaluation: Evaluation, rulebook: Rulebook) -> Remembered:
    """What later sittings are to know of this one. Its means to two decimals, as a snapshot carries pressures."""
    result = evaluation.result
    sitting = None
    if result is not None:
        sitting = HistorySitting(
            taken_from=result.taken_from,
            setting=reading_set.setting,
            site=result.site,
            systolic_mmhg=round(result.systolic_mean_mmhg, 2),
            diastolic_mmhg=round(result.diastolic_mean_mmhg, 2),
            readings_counted=result.readings_counted,
            value_rule=rulebook.protocols[evaluation.protocol.id].counts,
            provisional_because=list(
                dict.fromkeys(reason for entry in evaluation.categories for reason in entry.provisional_because)
            ),
        )
    return Remembered(pairs=remember_pairs(reading_set, evaluation), sitting=sitting)


def remember_pairs(reading_set: ReadingSet, evaluation: Evaluation) -> list[HistoryPair]:
    """The sitting's comparisons of the arms, right minus left, from the readings that the evaluation held valid."""
    valid = {outcome.index for outcome in evaluation.readings if outcome.reason not in NOT_VALID}
    order = [(place, reading) for place, reading in in_order(reading_set.readings) if place in valid]
    measured = [
        Measured(reading.site, hundredths(reading.systolic_mmhg or 0), hundredths(reading.diastolic_mmhg or 0))
        for _, reading in order
        if reading.site in OTHER
    ]
    pairs = find_pairs(measured)
    day = order[0][1].taken_at.date() if order else None
    return [
        HistoryPair(
            day=day,
            systolic_difference_mmhg=pair.systolic / 100,
            diastolic_difference_mmhg=pair.diastolic / 100,
        )
        for pair in pairs
        if day is not None
    ]


def make_history(remembered: list[Remembered], as_of: datetime, treatment_changed_on: date | None) -> History:
    """The snapshot of the newest 60 earlier sittings, oldest first; ``remembered`` in order of time."""
    newest = remembered[-MAX_SITTINGS:]
    return History(
        as_of=as_of,
        pairs=[pair for earlier in newest for pair in earlier.pairs][-MAX_PAIRS:],
        treatment_changed_on=treatment_changed_on,
        sittings=[earlier.sitting for earlier in newest if earlier.sitting is not None],
    )
