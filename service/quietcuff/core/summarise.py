"""One person over many sittings: the arm to use, the latest result, values by setting, labels with their certainty, patterns.

Computed afresh from what is stored, whatever the order in which it arrived. Office values are never pooled with home ones.
"""

from __future__ import annotations

from datetime import date, datetime

from quietcuff.core.certainty.changes import change_findings
from quietcuff.core.findings.findings import find
from quietcuff.core.model.evaluation import Basis, Evaluation, Safety, Step
from quietcuff.core.model.fields import Setting, Site, utc_text
from quietcuff.core.model.history import HistoryPair
from quietcuff.core.model.readings import Facts, Reading
from quietcuff.core.over_visits.comparison import name_patterns, pattern_findings, set_beside, step_over_visits
from quietcuff.core.over_visits.control import measure_control
from quietcuff.core.over_visits.history import NOT_VALID, remember_pairs
from quietcuff.core.over_visits.office import (
    Tables,
    classify_office,
    fit_tables,
    leave_out_before_change,
    percentile_over_visits,
    weigh_office,
)
from quietcuff.core.over_visits.out_of_office import Choice, choose_home, choose_recording, lacking_in
from quietcuff.core.over_visits.out_of_office_labels import report_home, report_recording
from quietcuff.core.over_visits.pooling import CurrentSitting, SortedSets, choose_window, pool_office, sort_out
from quietcuff.core.over_visits.result import ArmToUse, Lacking, Latest, Pooled, PooledBySetting, Reported, Sittings, Summary
from quietcuff.core.rulebook.base import Edge
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.arms import arm_of_record, higher_arm_of_last_comparison
from quietcuff.core.sitting.in_force import in_population
from quietcuff.core.sitting.person import Person, describe_person

CONTROLLED_BELOW = Edge(systolic_mmhg=140, diastolic_mmhg=90)


def summarise(
    subject_id: str,
    facts: Facts,
    stored: list[CurrentSitting],
    as_of: datetime,
    rulebook: Rulebook,
    guidelines: list[str] | None = None,
) -> Summary:
    """The summary of a person as of a moment in UTC.

    ``stored`` may be in any order; without ``guidelines``, those of the latest results are used.
    """
    # By id where two sets began at once, so that the same sets always give the same summary.
    stored = sorted(stored, key=lambda sitting: (sitting.began, sitting.set_id))
    person = describe_person(facts, as_of.date(), rulebook.limits)
    window = choose_window(facts, as_of.date(), rulebook)
    arm = choose_arm(stored, person, rulebook)
    kept, change = leave_out_before_change(sort_out(stored, window, arm, rulebook), person, facts, rulebook)
    home, recording = choose_home(kept.home, rulebook), choose_recording(kept.ambulatory, rulebook)
    office = pool_office(kept.office)
    tables = tables_for(stored, kept, facts, as_of.date(), rulebook, guidelines)
    categories = classify_office(tables, office, kept.office, rulebook)
    sureness = weigh_office(tables, categories, kept.office, rulebook)
    sides = set_beside(office, kept.office, home.value, recording.value, rulebook)
    patterns = name_patterns(tables, sides, rulebook)
    newest = next((sitting for sitting in reversed(stored) if sitting.status == "active"), None)
    step, confirm_by = step_over_visits(newest, tables, sides, patterns, arm.arm_to_use, home.step, rulebook)
    if change is not None and change.rests_on_newest:
        step = see_again(step, arm.arm_to_use, rulebook)
    clinical = None if office is None else (office.systolic_mmhg, office.diastolic_mmhg)
    codes = ("not-a-device", "no-treatment", "guidelines-disagree")
    return Summary(
        subject_id=subject_id,
        as_of=utc_text(as_of),
        window=window,
        sittings=count_sittings(stored, kept, home, recording),
        safety=newest.evaluation.safety if newest is not None else Safety(level="none", readings=[], ask=[], text=None),
        arm=arm,
        latest=latest_result(stored),
        pooled=report_pooled(stored, kept, office, home, recording, tables, rulebook),
        categories=categories,
        percentile=percentile_over_visits(tables, office),
        certainty=sureness.certainty,
        patterns=patterns,
        findings=[find(rulebook, code) for code in tables.lacking if office is not None]
        + pattern_findings(patterns, rulebook)
        + change_findings(change, rulebook)
        + sureness.findings,
        control_measure=measure_control(control_readings(stored), CONTROLLED_BELOW, clinical),
        next_step=step,
        confirm_by=confirm_by,
        cautions=[rulebook.wording.caution[code] for code in codes],
    )


def see_again(step: Step, arm: Site | None, rulebook: Rulebook) -> Step:
    """The step where the newest visit alone differs: another day, where nothing else is asked for."""
    words = rulebook.wording.step
    if step.reason != words["none"]:
        return step
    return Step(action="repeat-another-day", site=arm, reason=words["newest-differs"])


def choose_arm(stored: list[CurrentSitting], person: Person, rulebook: Rulebook) -> ArmToUse:
    """The arm over all comparisons of sets that are not voided; without any, that of the newest set, office sets first."""
    pairs: list[HistoryPair] = []
    last: Site | None = None
    active = [sitting for sitting in stored if sitting.status == "active"]
    # Office sets last, so that the arm of the newest of them is the one kept.
    for sitting in sorted(active, key=lambda sitting: sitting.reading_set.setting == "office"):
        pairs += remember_pairs(sitting.reading_set, sitting.evaluation)
        last = arm_measured(sitting.evaluation) or last
    record = arm_of_record(pairs, rulebook.limits)
    candidates = (record, higher_arm_of_last_comparison(pairs), last)
    arm = next((site for site in candidates if site is not None and person.may_use(site)), None)
    basis: Basis | None = None if arm is None else ("earlier-sittings" if pairs else "only-arm-measured")
    return ArmToUse(arm_of_record=record, arm_to_use=arm, pairs=len(pairs), basis=basis)


def arm_measured(evaluation: Evaluation) -> Site | None:
    """The arm of a set's result where no comparison was made, else the arm to use.

    A preferred arm that was never measured would leave nothing to pool.
    """
    if evaluation.arms.basis == "only-arm-measured" and evaluation.result is not None:
        return evaluation.result.site
    return evaluation.arms.arm_to_use


def tables_for(
    stored: list[CurrentSitting], kept: SortedSets, facts: Facts, today: date, rulebook: Rulebook, guidelines: list[str] | None
) -> Tables:
    """The guidelines for the person on the day of the newest pooled office visit, with a child's height of that day.

    Without such a visit, as of today.
    """
    visit = kept.office[-1] if kept.office else None
    day = today if visit is None else visit.day
    person = describe_person(facts, day, rulebook.limits)
    names = guidelines or names_asked(stored, person, rulebook)
    return fit_tables(names, person, facts if visit is None else visit.reading_set.subject, day, rulebook)


def names_asked(stored: list[CurrentSitting], person: Person, rulebook: Rulebook) -> list[str]:
    """The guidelines of the latest office result, then those of the latest results elsewhere that are for this person there."""
    names: list[str] = []
    for setting in ("office", "home", "ambulatory"):
        latest = latest_result([sitting for sitting in stored if sitting.reading_set.setting == setting])
        asked = [entry.guideline for entry in latest.categories] if latest is not None else []
        names += [
            name
            for name in asked
            if name not in names and (setting == "office" or in_population(rulebook.guidelines[name], person, setting))
        ]
    return names


def count_sittings(stored: list[CurrentSitting], kept: SortedSets, home: Choice, recording: Choice) -> Sittings:
    """The number of sets in a pooled value, and the reason why each other one is in none, in order of time."""
    left_out = kept.left_out + home.left_out + recording.left_out
    order = {sitting.set_id: place for place, sitting in enumerate(stored)}
    return Sittings(
        stored=len(stored),
        counted=len(stored) - len(left_out),
        left_out=sorted(left_out, key=lambda each: order[each.set]),
    )


def report_pooled(
    stored: list[CurrentSitting],
    kept: SortedSets,
    office: Pooled | None,
    home: Choice,
    recording: Choice,
    tables: Tables,
    rulebook: Rulebook,
) -> PooledBySetting:
    """The values of each setting, and the reason where one has none, or a child's office value has no category."""
    lacking: dict[Setting, Lacking | None] = {
        "office": Lacking(setting="office", because=tables.lacking, message=None) if tables.lacking else None,
        "home": home.lacking,
        "ambulatory": recording.lacking,
    }
    values: dict[Setting, object] = {"office": office, "home": home.value, "ambulatory": recording.value}
    for setting, value in values.items():
        if value is None and lacking[setting] is None:
            lacking[setting] = lacking_in(setting, stored, kept.left_out)
    return PooledBySetting(
        office=office,
        home=None if home.value is None else report_home(home.value, tables, rulebook),
        ambulatory=None if recording.value is None else report_recording(recording.value, tables, rulebook),
        lacking=[entry for entry in lacking.values() if entry is not None],
    )


def latest_result(stored: list[CurrentSitting]) -> Latest | None:
    """The newest closed set that gave a result. The result of a test of standing is only its baseline, so it is passed over."""
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


def control_readings(stored: list[CurrentSitting]) -> list[Reading]:
    """The readings that a quality programme would see: plausible, of ordinary care, of active sets. Source: [CMS165]."""
    readings = []
    for sitting in stored:
        if sitting.status != "active" or sitting.reading_set.context.care != "ordinary":
            continue
        for outcome in sitting.evaluation.readings:
            if outcome.reason not in NOT_VALID:
                readings.append(sitting.reading_set.readings[outcome.index])
    return readings
