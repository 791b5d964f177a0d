"""One person over many sittings: the arm to use, the latest result, the pooled one, and the next step over visits.

Computed afresh from what is stored, whatever the order in which it arrived. Office values are never pooled with home ones.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Annotated, Any, Literal

import msgspec

from quietcuff.core.classification import place, reaches_hypertension
from quietcuff.core.control import ControlMeasure, measure_control
from quietcuff.core.estimate import round_half_up
from quietcuff.core.history import arm_of_record, higher_arm_of_last_comparison
from quietcuff.core.in_force import is_for
from quietcuff.core.outcome import Basis, Category, ConfirmBy, Evaluation, Number, Safety, Step
from quietcuff.core.person import Person, describe_person
from quietcuff.core.readings import Facts, HistoryPair, Reading, ReadingSet, Site, hundredths, utc_text
from quietcuff.core.rules import Edge, Guideline, Rulebook
from quietcuff.core.snapshot import NOT_VALID, remember_pairs

WINDOW_DAYS = 180
CONTROLLED_BELOW = Edge(systolic_mmhg=140, diastolic_mmhg=90)
BIASING = frozenset({"pain", "anxiety-or-stress", "device-wrist", "not-arm-of-record"})
PRESSING = frozenset({"confirm-now", "ask-symptoms", "same-day-review", "urgent-assessment"})


class StoredSitting(msgspec.Struct, frozen=True, kw_only=True):
    """One stored set as it stands now."""

    set_id: str
    status: Literal["active", "voided"]
    closed: bool
    reading_set: ReadingSet
    evaluation: Evaluation


class LeftOut(msgspec.Struct, frozen=True, kw_only=True):
    """A set that is not pooled, and the code that says why."""

    set: str
    because: str


class Sittings(msgspec.Struct, frozen=True, kw_only=True):
    """How many sets are stored and how many are pooled."""

    stored: int
    counted: int
    left_out: list[LeftOut]


class Window(msgspec.Struct, frozen=True, kw_only=True):
    """The days that are pooled, both included."""

    from_day: date = msgspec.field(name="from")
    to: date
    because: Literal["at-most-180-days", "since-treatment-change"]


class ArmToUse(msgspec.Struct, frozen=True, kw_only=True):
    """The arm over all comparisons that are known."""

    arm_of_record: Site | None
    arm_to_use: Site | None
    pairs: int
    basis: Basis | None


class Reported(msgspec.Struct, frozen=True, kw_only=True):
    """A reported value, in whole mmHg but for surveys."""

    systolic_mmhg: Number
    diastolic_mmhg: Number


class Latest(msgspec.Struct, frozen=True, kw_only=True):
    """The newest sitting that gave a result."""

    set: str
    taken_to: datetime
    result: Reported
    categories: list[Category]


class Pooled(msgspec.Struct, frozen=True, kw_only=True):
    """The mean over days, each day's sittings first pooled among themselves."""

    systolic_mmhg: int
    diastolic_mmhg: int
    sittings: int
    days: int


class PooledBySetting(msgspec.Struct, frozen=True, kw_only=True):
    """Pooled values, each setting for itself."""

    office: Pooled | None
    home: Pooled | None
    ambulatory: Pooled | None


class Summary(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of a person over sittings."""

    subject_id: str
    as_of: Annotated[str, msgspec.Meta(description="UTC, milliseconds.")]
    window: Window
    sittings: Sittings
    safety: Safety
    arm: ArmToUse
    latest: Latest | None
    pooled: PooledBySetting
    categories: list[Category]
    certainty: list[dict[str, Any]]
    patterns: list[dict[str, Any]]
    control_measure: ControlMeasure | None
    next_step: Step
    confirm_by: ConfirmBy | None
    cautions: list[str]


def summarise(
    subject_id: str,
    facts: Facts,
    stored: list[StoredSitting],
    as_of: datetime,
    rulebook: Rulebook,
    guidelines: list[str] | None = None,
) -> Summary:
    """The summary of a person as of a moment in UTC; ``stored`` in any order, ``guidelines`` or those of the latest result."""
    stored = sorted(stored, key=lambda sitting: (first_time(sitting), sitting.set_id))
    person = describe_person(facts, as_of.date(), rulebook.limits)
    window = choose_window(facts, as_of.date())
    arm = choose_arm(stored, person, rulebook)
    left_out, counted = sort_out(stored, window, arm, rulebook)
    office = [sitting for sitting in counted if sitting.reading_set.setting == "office"]
    pooled = PooledBySetting(office=pool(office), home=None, ambulatory=None)
    latest = latest_result(stored)
    names = guidelines or ([entry.guideline for entry in latest.categories] if latest is not None else [])
    tables = [rulebook.guidelines[name] for name in names]
    categories = [classify_pooled(guideline, pooled.office, person, rulebook) for guideline in tables]
    clinical = None if pooled.office is None else (pooled.office.systolic_mmhg, pooled.office.diastolic_mmhg)
    step, confirm_by = step_over_visits(stored, tables, pooled.office, person, arm, rulebook)
    return Summary(
        subject_id=subject_id,
        as_of=utc_text(as_of),
        window=window,
        sittings=Sittings(stored=len(stored), counted=len(counted), left_out=left_out),
        safety=safety_now(stored),
        arm=arm,
        latest=latest,
        pooled=pooled,
        categories=categories,
        certainty=[],
        patterns=[],
        control_measure=measure_control(control_readings(stored), CONTROLLED_BELOW, clinical),
        next_step=step,
        confirm_by=confirm_by,
        cautions=[rulebook.wording.caution[code] for code in ("not-a-device", "no-treatment", "guidelines-disagree")],
    )


def first_time(sitting: StoredSitting) -> datetime:
    """When the sitting began."""
    return min(reading.taken_at for reading in sitting.reading_set.readings)


def choose_window(facts: Facts, today: date) -> Window:
    """At most 180 days, and not before the last change of treatment. Source: [DECISION]."""
    earliest = today - timedelta(days=WINDOW_DAYS)
    changed = facts.treatment_changed_on
    if changed is not None and earliest < changed <= today:
        return Window(from_day=changed, to=today, because="since-treatment-change")
    return Window(from_day=earliest, to=today, because="at-most-180-days")


def choose_arm(stored: list[StoredSitting], person: Person, rulebook: Rulebook) -> ArmToUse:
    """The arm over all comparisons of sets that are not voided."""
    pairs: list[HistoryPair] = []
    for sitting in stored:
        if sitting.status == "active":
            pairs += remember_pairs(sitting.reading_set, sitting.evaluation)
    record = arm_of_record(pairs, rulebook.limits)
    last = stored[-1].evaluation.arms.arm_to_use if stored and stored[-1].status == "active" else None
    candidates = (record, higher_arm_of_last_comparison(pairs), last)
    arm = next((site for site in candidates if site is not None and person.may_use(site)), None)
    basis: Basis | None = None if arm is None else ("earlier-sittings" if pairs else "only-arm-measured")
    return ArmToUse(arm_of_record=record, arm_to_use=arm, pairs=len(pairs), basis=basis)


def sort_out(
    stored: list[StoredSitting], window: Window, arm: ArmToUse, rulebook: Rulebook
) -> tuple[list[LeftOut], list[StoredSitting]]:
    """Which sets are pooled, and why each other one is not."""
    left_out, counted = [], []
    for sitting in stored:
        because = why_left_out(sitting, window, arm, rulebook)
        if because is None:
            counted.append(sitting)
        else:
            left_out.append(LeftOut(set=sitting.set_id, because=because))
    return left_out, counted


def why_left_out(sitting: StoredSitting, window: Window, arm: ArmToUse, rulebook: Rulebook) -> str | None:
    """The first reason that keeps a set out of the pooled value, or None. Source: [DECISION]."""
    result, evaluation = sitting.evaluation.result, sitting.evaluation
    if sitting.status == "voided":
        return "voided"
    if not sitting.closed:
        return "in-progress"
    if result is None:
        return "not-usable"
    if evaluation.orthostatic is not None:
        return "test-of-standing"
    if not window.from_day <= result.taken_from.date() <= window.to:
        return "outside-window"
    if sitting.reading_set.context.care != "ordinary":
        return "care-not-ordinary"
    reasons = [reason for entry in evaluation.categories for reason in entry.provisional_because]
    biased = next((reason for reason in reasons if reason in BIASING or reason in rulebook.effects), None)
    if biased is not None:
        return biased
    if sitting.reading_set.setting == "office" and arm.arm_to_use not in (None, result.site):
        return "other-arm"
    return None


def pool(sittings: list[StoredSitting]) -> Pooled | None:
    """The mean of the days' means, rounded once, halves up; None without a sitting."""
    days: dict[date, list[tuple[int, int]]] = {}
    for sitting in sittings:
        result = sitting.evaluation.result
        if result is not None:
            value = (hundredths(result.systolic_mean_mmhg), hundredths(result.diastolic_mean_mmhg))
            days.setdefault(result.taken_from.date(), []).append(value)
    if not days:
        return None
    systolic = [round(sum(value[0] for value in values) / len(values)) for values in days.values()]
    diastolic = [round(sum(value[1] for value in values) / len(values)) for values in days.values()]
    return Pooled(
        systolic_mmhg=round_half_up(systolic),
        diastolic_mmhg=round_half_up(diastolic),
        sittings=len(sittings),
        days=len(days),
    )


def latest_result(stored: list[StoredSitting]) -> Latest | None:
    """The newest closed set that gave a result; a test of standing gives only its baseline."""
    for sitting in reversed(stored):
        result = sitting.evaluation.result if sitting.evaluation.orthostatic is None else None
        if sitting.status == "active" and sitting.closed and result is not None:
            return Latest(
                set=sitting.set_id,
                taken_to=result.taken_to,
                result=Reported(systolic_mmhg=result.systolic_mmhg, diastolic_mmhg=result.diastolic_mmhg),
                categories=sitting.evaluation.categories,
            )
    return None


def safety_now(stored: list[StoredSitting]) -> Safety:
    """The safety of the newest set that is not voided: what is pressing there is pressing here."""
    newest = next((sitting for sitting in reversed(stored) if sitting.status == "active"), None)
    return newest.evaluation.safety if newest is not None else Safety(level="none", readings=[], ask=[], text=None)


def classify_pooled(guideline: Guideline, pooled: Pooled | None, person: Person, rulebook: Rulebook) -> Category:
    """What a guideline calls the pooled office value; provisional until there are two days."""
    digest = rulebook.digests[guideline.id]
    placing = place(guideline, pooled.systolic_mmhg, pooled.diastolic_mmhg) if pooled is not None else None
    fits = placing is not None and is_for(guideline, person, "office")
    row = placing.row if placing is not None and fits else None
    reasons = []
    if pooled is not None and row is not None and pooled.days < 2:
        reasons.append("single-sitting")
    if row is not None and person.age_years is None and guideline.population.age_from_years > 0:
        reasons.append("age-not-recorded")
    label = None if row is None else (f"{row.label}, on treatment" if person.treated else row.label)
    return Category(
        guideline=guideline.id,
        version=guideline.version,
        digest=digest,
        category=None if row is None else row.category,
        label=label,
        decided_by=None if row is None or placing is None else placing.decided_by,
        basis=None if row is None else row.basis,
        provisional=bool(reasons),
        provisional_because=reasons,
    )


def control_readings(stored: list[StoredSitting]) -> list[Reading]:
    """The readings that a quality programme would see: plausible, of ordinary care, of active sets. Source: [CMS165]."""
    readings = []
    for sitting in stored:
        if sitting.status != "active" or sitting.reading_set.context.care != "ordinary":
            continue
        for outcome in sitting.evaluation.readings:
            if outcome.reason not in NOT_VALID:
                readings.append(sitting.reading_set.readings[outcome.index])
    return readings


def step_over_visits(
    stored: list[StoredSitting],
    tables: list[Guideline],
    pooled: Pooled | None,
    person: Person,
    arm: ArmToUse,
    rulebook: Rulebook,
) -> tuple[Step, ConfirmBy | None]:
    """The next step over visits: what presses in the newest set, else its confirmation, until two days stand."""
    words = rulebook.wording.step
    nothing = Step(action="none", reason=words["none"])
    newest = next((sitting for sitting in reversed(stored) if sitting.status == "active"), None)
    if newest is None:
        return nothing, None
    own = newest.evaluation.next_step
    if own.action in PRESSING or not newest.closed:
        return own, newest.evaluation.confirm_by
    fitting = [guideline for guideline in tables if is_for(guideline, person, "office")]
    high = pooled is not None and any(
        reaches_hypertension(guideline, pooled.systolic_mmhg, pooled.diastolic_mmhg) for guideline in fitting
    )
    if person.treated and high:
        return Step(action="none", reason=words["compare-with-target"]), None
    if high and pooled is not None and pooled.days >= 2:
        return Step(action="measure-out-of-office", site=arm.arm_to_use, reason=words["measure-out-of-office"]), None
    if pooled is None or high:
        return own, newest.evaluation.confirm_by
    return nothing, None
