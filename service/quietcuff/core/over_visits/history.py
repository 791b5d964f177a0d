"""Facts that a closed sitting leaves for later ones: comparisons of the arms and its value; and their snapshot."""

from __future__ import annotations

from datetime import date, datetime

import msgspec

from quietcuff.core.certainty.sitting_value import SittingValue, arm_chooser, value_daytime, value_sitting
from quietcuff.core.model.evaluation import Evaluation, Reason
from quietcuff.core.model.fields import Site, hundredths
from quietcuff.core.model.history import MAX_PAIRS, MAX_SITTINGS, History, HistoryPair, HistorySitting
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.arms import as_history, find_pairs
from quietcuff.core.sitting.attempts import in_order

NOT_VALID = frozenset(
    {"restricted-arm", "other-position", "device-error", "implausible", "wrong-cuff", "too-soon", "set-blocked", "voided"}
)
COMPARED = frozenset({None, "first-discarded", "earlier-than-last-two", "other-of-last-two"})


class Remembered(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A closed sitting as later ones use it; ``sitting`` is None where it gave no result."""

    pairs: list[HistoryPair]
    sitting: HistorySitting | None


class MeasuredReading(msgspec.Struct, frozen=True):
    """One valid reading: hundredths of mmHg at a site, and the reason where it does not count."""

    site: Site
    systolic: int
    diastolic: int
    day: date
    reason: Reason | None


def remember(reading_set: ReadingSet, evaluation: Evaluation, rulebook: Rulebook) -> Remembered:
    """The facts of this sitting for later ones; its value to two decimals, as a snapshot carries pressures."""
    result = evaluation.result
    valid = valid_readings(reading_set, evaluation)
    sitting = None
    # The result of a test of standing is only its baseline, which later sittings must not weigh as a visit.
    if result is not None and evaluation.orthostatic is None:
        value = value_again(valid, evaluation, result.site, rulebook)
        sitting = HistorySitting(
            taken_from=result.taken_from,
            setting=reading_set.setting,
            attendance=reading_set.attendance,
            care=reading_set.context.care,
            position=result.position,
            site=result.site,
            systolic_mmhg=round(value.systolic_mmhg, 2),
            diastolic_mmhg=round(value.diastolic_mmhg, 2),
            readings_counted=value.readings,
            value_rule=value.rule,
            days=len({reading.day for reading in valid if reading.reason is None}),
            provisional_because=reasons_against(evaluation),
        )
    return Remembered(pairs=pairs_of(valid, evaluation), sitting=sitting)


def remember_pairs(reading_set: ReadingSet, evaluation: Evaluation) -> list[HistoryPair]:
    """The sitting's comparisons of the arms, right minus left, from its valid readings.

    None of a series or a test of standing.
    """
    return pairs_of(valid_readings(reading_set, evaluation), evaluation)


def pairs_of(valid: list[MeasuredReading], evaluation: Evaluation) -> list[HistoryPair]:
    """The comparisons among readings that are known to be valid."""
    if evaluation.series is not None or evaluation.orthostatic is not None:
        return []
    return as_history(find_pairs(valid), valid[0].day) if valid else []


def valid_readings(reading_set: ReadingSet, evaluation: Evaluation) -> list[MeasuredReading]:
    """The readings that the evaluation held valid, in order of time."""
    reasons = {outcome.index: outcome.reason for outcome in evaluation.readings}
    return [
        MeasuredReading(
            site=reading.site,
            systolic=hundredths(reading.systolic_mmhg or 0),
            diastolic=hundredths(reading.diastolic_mmhg or 0),
            day=reading.taken_at.date(),
            reason=reasons[place],
        )
        for place, reading in in_order(reading_set.readings)
        if reasons[place] not in NOT_VALID
    ]


def value_again(valid: list[MeasuredReading], evaluation: Evaluation, site: Site, rulebook: Rulebook) -> SittingValue:
    """The value that the certainty of this sitting was computed from, rebuilt from its evaluation."""
    day = evaluation.series.day if evaluation.series is not None else None
    if day is not None:
        return value_daytime(day)
    # By the protocol that the evaluation used: the defaults of today may name another one.
    protocol = rulebook.protocols[evaluation.protocol.id]
    arm = [reading for reading in valid if reading.site == site and reading.reason in COMPARED]
    by_value = protocol.first_dropped_above_second_by_mmhg is not None
    return value_sitting(
        protocol,
        arm,
        [reading for reading in arm if reading.reason is None],
        rulebook.variability.within,
        chooser=arm_chooser(valid, site) if evaluation.arms.basis == "this-sitting" else None,
        first_dropped=by_value and any(reading.reason == "first-discarded" for reading in arm),
    )


def reasons_against(evaluation: Evaluation) -> list[str]:
    """The reasons why any label was provisional; ``no-category`` where no guideline gave one."""
    given = [entry for entry in evaluation.categories if entry.category is not None]
    reasons = [reason for entry in given for reason in entry.provisional_because]
    return list(dict.fromkeys(reasons)) if given else ["no-category"]


def make_history(remembered: list[Remembered], as_of: datetime, treatment_changed_on: date | None) -> History:
    """The snapshot of the newest 60 earlier sittings, oldest first; ``remembered`` in order of time."""
    newest = remembered[-MAX_SITTINGS:]
    return History(
        as_of=as_of,
        pairs=[pair for earlier in newest for pair in earlier.pairs][-MAX_PAIRS:],
        treatment_changed_on=treatment_changed_on,
        sittings=[earlier.sitting for earlier in newest if earlier.sitting is not None],
    )
