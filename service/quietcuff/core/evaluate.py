"""One sitting evaluated: the one public function of the core, its steps in order."""

from __future__ import annotations

from quietcuff.core.acceptance import check_acceptable
from quietcuff.core.arms import OTHER, Comparison, arm_findings, compare_arms, report_arms
from quietcuff.core.attempts import much_above
from quietcuff.core.classification import classify
from quietcuff.core.conditions import (
    cuff_findings,
    device_findings,
    intake_findings,
    needs_muffling,
    preparation_findings,
    reading_findings,
)
from quietcuff.core.confirmation import Advice, advise
from quietcuff.core.estimate import estimate
from quietcuff.core.findings import find
from quietcuff.core.guidance import next_step, usable
from quietcuff.core.history import digest_history
from quietcuff.core.labels import label_findings
from quietcuff.core.outcome import Evaluation, Finding, Plan, Result, RuleReference
from quietcuff.core.provisional import not_arm_of_record, other_arm_missing, readings_vary, reserve
from quietcuff.core.readings import History, ReadingSet
from quietcuff.core.record import record_line
from quietcuff.core.rules import Rulebook
from quietcuff.core.safety import Watch, watch
from quietcuff.core.selection import Selection, first_is_dropped, select, still_differ
from quietcuff.core.sitting import Sitting, describe_sitting


def evaluate(reading_set: ReadingSet, history: History | None, rulebook: Rulebook) -> Evaluation:
    """Everything that the rules say of one sitting, given what is known of earlier ones.

    Pure: the same three arguments give the same evaluation, to the byte once encoded.

    Raises:
        NotAcceptable: a protocol or guideline that is not in the rulebook, or readings that are not one sitting.
    """
    check_acceptable(reading_set, rulebook)
    sitting = describe_sitting(reading_set, history, rulebook)
    seen = watch(sitting)
    comparison = compare_arms(sitting)
    selection = select(sitting, comparison, seen.severe)
    result = estimate(selection.counted) if selection.counted else None
    reservations = reserve(sitting, comparison, selection, result, severe=bool(seen.severe))
    withheld = is_withheld(sitting, selection)
    categories = [
        classify(sitting, guideline, result, reservations.reasons, confirmed=seen.confirmed, withheld=withheld)
        for guideline in sitting.guidelines
    ]
    advice = advise(sitting, categories)
    return Evaluation(
        state=selection.state,
        blocked_by=selection.blocked_by,
        safety=seen.safety,
        plan=describe_plan(sitting, comparison, selection),
        chosen=sitting.chosen,
        protocol=reference(rulebook, sitting),
        engine_version=rulebook.engine_version,
        history_digest=digest_history(history),
        readings=selection.outcomes,
        arms=report_arms(sitting, comparison),
        result=result,
        findings=gather_findings(sitting, seen, comparison, selection, result, advice),
        categories=categories,
        certainty=[],
        orthostatic=None,
        series=None,
        percentile=None,
        next_step=next_step(sitting, seen, comparison, selection, reservations, advice),
        record_line=record_line(sitting, comparison, selection, result),
        confirm_by=advice.confirm_by,
        changed_because=changed_because(sitting, selection),
        cautions=cautions(sitting, seen),
    )


def is_withheld(sitting: Sitting, selection: Selection) -> bool:
    """Whether no category may be given although there is a result: a single home sitting, a leg, a low pressure with
    symptoms, sounds that go on to zero. Source: [PRACTICE, DECISION]."""
    low = 100 * sitting.limits.low_systolic_mmhg
    symptoms = sitting.reading_set.context.acute_symptoms == "yes"
    return (
        not sitting.protocol.classifies
        or any(attempt.site.endswith("thigh") for attempt in selection.counted)
        or any(needs_muffling(sitting, attempt) for attempt in selection.counted)
        or (symptoms and any(attempt.systolic < low for attempt in selection.counted))
    )


def reference(rulebook: Rulebook, sitting: Sitting) -> RuleReference:
    """The protocol's identity."""
    protocol = sitting.protocol
    return RuleReference(id=protocol.id, version=protocol.version, digest=rulebook.digests[protocol.id])


def describe_plan(sitting: Sitting, comparison: Comparison, selection: Selection) -> Plan:
    """How far the plan has come, in valid readings."""
    taken = len(sitting.valid)
    both = sitting.compares_arms and (bool(comparison.pairs) or comparison.other_due is not None)
    base = sitting.protocol.planned + (1 if both else 0)
    planned = max(base, taken) if selection.remaining == 0 else taken + selection.remaining
    because = {"first": "first-visit", "follow-up": "follow-up", "not-recorded": "visit-not-recorded"}
    return Plan(
        site=usable(sitting, comparison.result_site),
        planned=planned,
        taken=taken,
        remaining=selection.remaining,
        because="irregular-rhythm" if sitting.irregular else because[sitting.chosen.visit],
    )


def gather_findings(
    sitting: Sitting,
    seen: Watch,
    comparison: Comparison,
    selection: Selection,
    result: Result | None,
    advice: Advice,
) -> list[Finding]:
    """Every finding: safety, rhythm, arms, selection, single readings, cuff and device, preparation, labels, intake."""
    book = sitting.rulebook
    findings = [find(book, code, reading) for code, reading in seen.findings]
    age = sitting.person.age_years
    if any(code == "low-reading" for code, _ in seen.findings) and (
        sitting.person.treated or (age is not None and age >= sitting.limits.low_standing_advice_from_years)
    ):
        findings.append(find(book, "standing-pair-advised"))
    if sitting.irregular:
        findings.append(find(book, "irregular-rhythm"))
        if not selection.counted or any(attempt.method != "auscultatory" for attempt in selection.counted):
            findings.append(find(book, "auscultation-advised"))
    findings += [find(book, code, mmhg=f"{mmhg}") for code, mmhg in arm_findings(sitting, comparison)]
    findings += arm_state_findings(sitting, comparison, selection)
    findings += selection_findings(sitting, selection)
    findings += reading_findings(sitting) + cuff_findings(sitting) + device_findings(sitting)
    findings += preparation_findings(sitting)
    findings += label_findings(sitting, selection, result)
    findings += [find(book, code) for code in advice.codes]
    return findings + intake_findings(sitting)


def arm_state_findings(sitting: Sitting, comparison: Comparison, selection: Selection) -> list[Finding]:
    """What is not known, not measured or not usable of the arms and the site."""
    book, person = sitting.rulebook, sitting.person
    codes = []
    if sitting.compares_arms and not comparison.pairs:
        measured = comparison.result_site
        other = OTHER.get(measured) if measured is not None else None
        sides = [other] if other is not None else [arm for arm in OTHER if measured is None]
        closed_off = [person.restrictions[arm.partition("-")[0]] for arm in sides if not person.may_use(arm)]
        if any(reason != "refused" for reason in closed_off):
            codes.append("other-arm-excluded")
        elif closed_off or (other_arm_missing(sitting, comparison) and sitting.reading_set.closed):
            codes.append("other-arm-not-measured")
    elif not comparison.pairs and comparison.earlier is None and comparison.record is None and not person.restrictions:
        codes.append("arms-never-compared")
    if not_arm_of_record(comparison) or wrong_arm_so_far(sitting, comparison, selection):
        codes.append("not-arm-of-record")
    if any(attempt.site == "not-recorded" for attempt in sitting.valid):
        codes.append("site-not-recorded")
    if any(attempt.reading.position == "not-recorded" for attempt in sitting.valid):
        codes.append("position-not-recorded")
    return [find(book, code) for code in codes]


def wrong_arm_so_far(sitting: Sitting, comparison: Comparison, selection: Selection) -> bool:
    """Open, and measured so far only in an arm that earlier comparisons do not point to."""
    return comparison.basis == "earlier-sittings" and bool(sitting.valid) and not selection.arm


def selection_findings(sitting: Sitting, selection: Selection) -> list[Finding]:
    """Too few, one more due, a first reading dropped, readings that vary, a gap in the sitting."""
    book, arm = sitting.rulebook, selection.arm
    findings = []
    if "too-few-readings" in selection.blocked_by:
        minimum = sitting.limits.irregular_readings if sitting.irregular else sitting.protocol.minimum
        findings.append(find(book, "too-few-readings", count=len(arm), minimum=minimum))
    closed_early = selection.state == "complete" and selection.due is not None
    if selection.due == "further-reading" or closed_early:
        findings.append(find(book, "further-reading-needed"))
    if selection.counted and first_is_dropped(sitting, arm, selection.counted):
        findings.append(find(book, "first-reading-dropped", arm[0].index))
    mmhg = sitting.protocol.extra.mmhg
    rising = len(arm) == 2 and still_differ(sitting.protocol, arm) and not much_above(arm[0], arm[1], mmhg)
    if readings_vary(sitting, selection) or rising:
        findings.append(find(book, "readings-vary", mmhg=f"{mmhg:g}"))
    if sitting.has_gap:
        findings.append(find(book, "sitting-gap", minutes=sitting.limits.sitting_gap_minutes))
    return findings


def changed_because(sitting: Sitting, selection: Selection) -> list[str]:
    """Why the answer is not the plan's own, or not the earlier version's."""
    codes = ["irregular-rhythm"] if selection.overlay_changed else []
    intake = sitting.reading_set.intake
    return codes + (intake.changes if intake is not None else [])


def cautions(sitting: Sitting, seen: Watch) -> list[str]:
    """The cautions that go with every answer, and those that this one calls for."""
    words, person = sitting.rulebook.wording.caution, sitting.person
    applies = {
        "severe": seen.safety.level in ("confirm", "same-day", "urgent") or bool(seen.severe),
        "low": any(code == "low-reading" for code, _ in seen.findings),
        "expecting": person.expecting,
        "child": person.age_years is not None and person.age_years < 18,
        "irregular": sitting.irregular,
        "guidelines-disagree": len(sitting.guidelines) > 1,
    }
    always = ["not-a-device", "no-treatment", "single-sitting"]
    return [words[code] for code in always] + [words[code] for code, holds in applies.items() if holds]
