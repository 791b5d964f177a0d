"""The stored sets that a summary pools, the reason for each other one, and the pooled office value."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Literal

import msgspec

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.fields import Setting, hundredths, mean_half_up
from quietcuff.core.model.readings import Facts, ReadingSet, opened_at
from quietcuff.core.over_visits.history import NOT_VALID
from quietcuff.core.over_visits.result import ArmToUse, LeftOut, Pooled, Window
from quietcuff.core.protocols.one_sitting import judge_one_sitting
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.arms import compare_arms
from quietcuff.core.sitting.severity import see_severe
from quietcuff.core.sitting.sitting import describe_sitting

BIASING = frozenset({"pain", "anxiety-or-stress", "device-wrist", "not-arm-of-record"})


class CurrentSitting(msgspec.Struct, frozen=True, kw_only=True):
    """One stored set in its current version."""

    set_id: str
    status: Literal["active", "voided"]
    closed: bool
    reading_set: ReadingSet
    evaluation: Evaluation

    @property
    def began(self) -> datetime:
        """The moment of its first reading; before there is one, of its arrival."""
        times = [reading.taken_at for reading in self.reading_set.readings]
        return min(times) if times else opened_at(self.reading_set) or datetime.min.replace(tzinfo=UTC)

    @property
    def day(self) -> date:
        """The local day of its result, else of its first reading."""
        result = self.evaluation.result
        return (self.began if result is None else result.taken_from).date()

    @property
    def is_single_at_home(self) -> bool:
        """True where it is one home sitting, of which a series may be made with others."""
        return self.reading_set.setting == "home" and self.evaluation.series is None

    @property
    def is_usable(self) -> bool:
        """True where it has something to pool: a result, or at home a valid reading."""
        valid = any(outcome.reason not in NOT_VALID for outcome in self.evaluation.readings)
        return self.evaluation.result is not None or (self.is_single_at_home and valid)


class SortedSets(msgspec.Struct, frozen=True, kw_only=True):
    """The sets that may be pooled, by setting and in order of time, and the reason for each other one."""

    office: list[CurrentSitting]
    home: list[CurrentSitting]
    ambulatory: list[CurrentSitting]
    left_out: list[LeftOut]


def choose_window(facts: Facts, today: date, rulebook: Rulebook) -> Window:
    """The time to pool over: at most 180 days, and not before the last change of treatment. Source: [DECISION]."""
    earliest = today - timedelta(days=rulebook.variability.visits.window_days)
    changed = facts.treatment_changed_on
    if changed is not None and earliest < changed <= today:
        return Window(from_day=changed, to=today, because="since-treatment-change")
    return Window(from_day=earliest, to=today, because="at-most-180-days")


def sort_out(stored: list[CurrentSitting], window: Window, arm: ArmToUse, rulebook: Rulebook) -> SortedSets:
    """The sets that may be pooled, and why each other one may not."""
    left_out: list[LeftOut] = []
    kept: dict[Setting, list[CurrentSitting]] = {"office": [], "home": [], "ambulatory": []}
    for sitting in stored:
        because = why_left_out(sitting, window, arm, rulebook)
        if because is None:
            kept[sitting.reading_set.setting].append(sitting)
        else:
            left_out.append(LeftOut(set=sitting.set_id, because=because))
    # Attendance last, among sets that may be pooled: a voided newest visit must not decide it.
    office, otherwise = as_attended(kept["office"])
    left_out += [LeftOut(set=sitting.set_id, because="other-attendance") for sitting in otherwise]
    return SortedSets(office=office, home=kept["home"], ambulatory=kept["ambulatory"], left_out=left_out)


def as_attended(office: list[CurrentSitting]) -> tuple[list[CurrentSitting], list[CurrentSitting]]:
    """Office sets with the newest one's attendance, and the others.

    Values are lower where the person is alone in the room. Source: [ROE19].
    """
    attendance = office[-1].reading_set.attendance if office else None
    same = [sitting for sitting in office if sitting.reading_set.attendance == attendance]
    return same, [sitting for sitting in office if sitting.reading_set.attendance != attendance]


def why_left_out(sitting: CurrentSitting, window: Window, arm: ArmToUse, rulebook: Rulebook) -> str | None:
    """The first reason that keeps a set out of every pooled value, or None. Source: [DECISION]."""
    evaluation, reading_set = sitting.evaluation, sitting.reading_set
    applies = {
        "voided": sitting.status == "voided",
        "in-progress": not sitting.closed,
        "not-usable": not sitting.is_usable,
        "test-of-standing": evaluation.orthostatic is not None,
        "outside-window": not window.from_day <= sitting.day <= window.to,
        "care-not-ordinary": reading_set.context.care != "ordinary",
    }
    code = next((code for code, holds in applies.items() if holds), None)
    if code is not None:
        return code
    biased = next((code for code in reservations_of(sitting, rulebook) if code in BIASING or code in rulebook.effects), None)
    if biased is not None:
        return biased
    elsewhere = evaluation.result is not None and arm.arm_to_use not in (None, evaluation.result.site)
    return "other-arm" if elsewhere and reading_set.setting == "office" else None


def reservations_of(sitting: CurrentSitting, rulebook: Rulebook) -> list[str]:
    """Reservations against a set's result.

    A single home sitting has no label to hold them, so it is judged again. Without a result, pain, anxiety and stress count
    against it at any level.
    """
    if not sitting.is_single_at_home:
        return [reason for entry in sitting.evaluation.categories for reason in entry.provisional_because]
    context = sitting.reading_set.context
    if sitting.evaluation.result is None:
        states = (("pain", context.pain), ("anxiety-or-stress", context.anxiety_or_stress))
        return [code for code, answer in states if answer == "yes"]
    # Judging again is costly, and without such a finding it could show no bias.
    if not any(finding.code in BIASING or finding.code in rulebook.effects for finding in sitting.evaluation.findings):
        return []
    described = describe_sitting(sitting.reading_set, None, rulebook)
    return judge_one_sitting(described, compare_arms(described), see_severe(described)).reservations.reasons


def pool_office(sittings: list[CurrentSitting]) -> Pooled | None:
    """The mean of the days' means, rounded once, halves up; None without a sitting."""
    days: dict[date, list[tuple[int, int]]] = {}
    for sitting in sittings:
        result = sitting.evaluation.result
        if result is not None:
            value = (hundredths(result.systolic_mean_mmhg), hundredths(result.diastolic_mean_mmhg))
            days.setdefault(result.taken_from.date(), []).append(value)
    if not days:
        return None
    # First within each day, so that a day with many sittings weighs no more than a day with one.
    systolic = [round(sum(value[0] for value in values) / len(values)) for values in days.values()]
    diastolic = [round(sum(value[1] for value in values) / len(values)) for values in days.values()]
    return Pooled(
        systolic_mmhg=mean_half_up(systolic),
        diastolic_mmhg=mean_half_up(diastolic),
        sittings=len(sittings),
        days=len(days),
    )
