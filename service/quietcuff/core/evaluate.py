"""One sitting evaluated: the steps in order."""

from __future__ import annotations

import msgspec

from quietcuff.core.advice.next_step import next_step, plan_step
from quietcuff.core.advice.steps import prepare
from quietcuff.core.certainty.certainty import judge_certainty
from quietcuff.core.findings.findings import (
    cuff_findings,
    device_findings,
    find,
    find_each,
    fitness_findings,
    intake_findings,
    preparation_findings,
    reading_findings,
)
from quietcuff.core.labels.classification import not_arm_of_record, other_arm_missing
from quietcuff.core.labels.judgement import Advice, Judgement, advise
from quietcuff.core.model.evaluation import Evaluation, Finding
from quietcuff.core.model.history import History
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.protocols.ambulatory import judge_recording
from quietcuff.core.protocols.home_series import judge_home_series
from quietcuff.core.protocols.one_sitting import judge_one_sitting
from quietcuff.core.protocols.standing_test import judge_standing
from quietcuff.core.record.note_line import qualified_line
from quietcuff.core.rulebook.protocols import HomeSeries, Recording
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.safety.safety import SafetyResult, is_low, watch
from quietcuff.core.sitting.acceptance import check_acceptable
from quietcuff.core.sitting.arms import (
    OTHER,
    Comparison,
    arm_findings,
    compare_arms,
    digest_history,
    irregular_before,
    report_arms,
)
from quietcuff.core.sitting.attempts import POSITION_OF, SITE_OF
from quietcuff.core.sitting.percentiles import report_percentile
from quietcuff.core.sitting.selection import Selection
from quietcuff.core.sitting.severity import SevereSeen, see_severe
from quietcuff.core.sitting.sitting import Sitting, describe_sitting


def evaluate(reading_set: ReadingSet, history: History | None, rulebook: Rulebook) -> Evaluation:
    """Evaluate one sitting by the rules, given what is known of earlier ones.

    Pure: the same three arguments give the same evaluation, to the byte once encoded.

    Raises:
        NotAcceptable: a protocol or guideline that is not in the rulebook, or readings that are not one sitting.
    """
    check_acceptable(reading_set, rulebook)
    sitting = describe_sitting(reading_set, history, rulebook)
    # Severe readings are looked for before any is selected: a reading that does not count can still be an emergency.
    severe = see_severe(sitting)
    comparison = compare_arms(sitting)
    judged = judge(sitting, comparison, severe)
    seen = watch(sitting, severe, judged)
    selection, result = judged.selection, judged.result
    advice = advise(sitting, judged, confirmed=severe.confirmed)
    own_step = judged.step or plan_step(sitting, comparison, judged, advice)
    findings = gather_findings(sitting, seen, comparison, judged, advice)
    sureness = judge_certainty(sitting, comparison, judged, findings)
    # By place as far as names do not say more: a call with more than fifteen names takes ten times as long.
    return Evaluation(
        selection.state,
        selection.blocked_by,
        seen.safety,
        judged.plan,
        sitting.chosen,
        sitting.rules.reference,
        rulebook.engine_version,
        digest_history(history),
        selection.outcomes,
        report_arms(sitting, comparison),
        result,
        findings + sureness.findings,
        judged.categories,
        sureness.certainty,
        judged.orthostatic,
        judged.series,
        percentile=None
        if sitting.norms is None or result is None
        else report_percentile(sitting.norms, result.systolic_mmhg, result.diastolic_mmhg),
        next_step=next_step(sitting, seen, comparison, selection, own_step),
        record_line=qualified_line(sitting, comparison, judged, seen),
        confirm_by=advice.confirm_by,
        changed_because=changed_because(sitting, selection),
        cautions=cautions(sitting, seen),
        preparation=prepare(sitting, comparison, judged.plan),
    )


def judge(sitting: Sitting, comparison: Comparison, seen: SevereSeen) -> Judgement:
    """Judge the readings by the kind of the protocol."""
    protocol = sitting.protocol
    if isinstance(protocol.series, HomeSeries):
        return judge_home_series(sitting, comparison, protocol.series, seen)
    if isinstance(protocol.series, Recording):
        return judge_recording(sitting, comparison, protocol.series, seen)
    if protocol.standing is not None:
        return judge_standing(sitting, comparison, protocol.standing, seen)
    return judge_one_sitting(sitting, comparison, seen)


def gather_findings(
    sitting: Sitting,
    seen: SafetyResult,
    comparison: Comparison,
    judged: Judgement,
    advice: Advice,
) -> list[Finding]:
    """Every finding: safety, rhythm, arms, selection, single readings, cuff and device, preparation, labels, intake."""
    book, selection = sitting.rulebook, judged.selection
    # The order is part of the answer: the same findings in another order would be other bytes.
    findings = [find(book, code, reading) for code, reading in seen.findings]
    age = sitting.person.age_years
    frail = sitting.person.treated or (age is not None and age >= sitting.limits.low_standing_advice_from_years)
    if frail and sitting.protocol.standing is None and is_low(seen):
        findings.append(find(book, "standing-pair-advised"))
    if sitting.irregular:
        findings.append(find(book, "irregular-rhythm"))
        if not selection.counted or any(attempt.method != "auscultatory" for attempt in selection.counted):
            findings.append(find(book, "auscultation-advised"))
    elif earlier := irregular_before(sitting.history):
        findings.append(find(book, "irregular-rhythm-earlier", count=earlier))
    if comparison.pairs:
        findings += [find(book, code, mmhg=f"{mmhg}") for code, mmhg in arm_findings(sitting, comparison)]
    findings += arm_state_findings(sitting, comparison, selection)
    findings += judged.selection_findings
    equipment = cuff_findings(sitting) + device_findings(sitting) + fitness_findings(sitting)
    if selection.blocked_by:
        equipment = [as_blocking(finding, selection.blocked_by) for finding in equipment]
    findings += reading_findings(sitting) + equipment
    findings += preparation_findings(sitting)
    if reads_lower(sitting, judged):
        findings.append(find(book, "unattended-reads-lower"))
    findings += judged.label_findings
    findings += find_each(book, advice.codes)
    return findings + intake_findings(sitting)


def reads_lower(sitting: Sitting, judged: Judgement) -> bool:
    """True where the published differences apply to this unattended office value. Source: [ROE19]."""
    alone = sitting.reading_set.attendance == "unattended" and sitting.reading_set.setting == "office"
    return alone and judged.result is not None and judged.result.systolic_mmhg >= sitting.limits.unattended_lower_from_mmhg


def as_blocking(finding: Finding, blocked_by: list[str]) -> Finding:
    """A finding about the cuff or the device; its severity is ``blocks`` where it is why there is no result."""
    wrong_cuff = finding.code in ("cuff-too-small", "cuff-too-large", "cuff-outside-range") and "wrong-cuff" in blocked_by
    return msgspec.structs.replace(finding, severity="blocks") if wrong_cuff or finding.code in blocked_by else finding


def arm_state_findings(sitting: Sitting, comparison: Comparison, selection: Selection) -> list[Finding]:
    """Findings of arms and sites that are not known, not measured or not usable."""
    book, person = sitting.rulebook, sitting.person
    codes = []
    if sitting.compares_arms and not comparison.pairs:
        measured = comparison.result_site
        other = OTHER.get(measured) if measured is not None else None
        sides = [other] if other is not None else [arm for arm in OTHER if measured is None]
        closed_off = [person.restrictions[arm.partition("-")[0]] for arm in sides if not person.may_use(arm)]
        # An arm that the person refused could have been measured, so it is not excluded but not measured.
        if any(reason != "refused" for reason in closed_off):
            codes.append("other-arm-excluded")
        elif closed_off or (other_arm_missing(sitting, comparison) and sitting.reading_set.closed):
            codes.append("other-arm-not-measured")
    elif not comparison.pairs and comparison.earlier is None and comparison.record is None and not person.restrictions:
        codes.append("arms-never-compared")
    if not_arm_of_record(comparison) or wrong_arm_so_far(sitting, comparison, selection):
        codes.append("not-arm-of-record")
    if measured_in_other_than_preferred(sitting, comparison):
        codes.append("preferred-arm-not-measured")
    if "not-recorded" in map(SITE_OF, sitting.valid):
        codes.append("site-not-recorded")
    if len(sitting.protocol.positions) == 1 and "not-recorded" in map(POSITION_OF, sitting.valid):
        codes.append("position-not-recorded")
    return find_each(book, codes)


def measured_in_other_than_preferred(sitting: Sitting, comparison: Comparison) -> bool:
    """True where only the arm was measured that the protocol does not prefer.

    The preferred arm may be used, and no earlier comparison points to the measured one. Source: [AAP17-ARM].
    """
    preferred = sitting.protocol.preferred_arm
    measured = comparison.result_site
    if preferred is None or measured not in OTHER or measured in (preferred, comparison.earlier):
        return False
    return not comparison.pairs and sitting.person.may_use(preferred)


def wrong_arm_so_far(sitting: Sitting, comparison: Comparison, selection: Selection) -> bool:
    """True where, so far, only an arm was measured that earlier comparisons do not point to."""
    return comparison.basis == "earlier-sittings" and bool(sitting.valid) and not selection.arm


def changed_because(sitting: Sitting, selection: Selection) -> list[str]:
    """Codes of what makes the answer differ from the plan's own, or from the earlier version's."""
    codes = ["irregular-rhythm"] if selection.overlay_changed else []
    intake = sitting.reading_set.intake
    return codes + (intake.changes if intake is not None else [])


def cautions(sitting: Sitting, seen: SafetyResult) -> list[str]:
    """The cautions that go with every answer, and those that this one calls for."""
    words, person = sitting.rulebook.wording.caution, sitting.person
    told = [words["not-a-device"], words["no-treatment"]]
    if sitting.protocol.is_one_sitting:
        told.append(words["single-sitting"])
    if seen.severe or seen.safety.level in ("confirm", "same-day", "urgent"):
        told.append(words["severe"])
    if is_low(seen):
        told.append(words["low"])
    if person.expecting:
        told.append(words["expecting"])
    if person.age_years is not None and person.age_years < 18:
        told.append(words["child"])
    if sitting.irregular:
        told.append(words["irregular"])
    if len(sitting.guidelines) > 1:
        told.append(words["guidelines-disagree"])
    return told
