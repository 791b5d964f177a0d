"""One stored set as the row of ``sets``."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from itertools import pairwise
from typing import Any

import msgspec

from quietcuff.analytics.tables.disguise import Disguise
from quietcuff.analytics.tables.schema import AGE_BANDS, CONTEXT_MEANINGS
from quietcuff.core.findings.findings import months_after
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.evaluation import Certainty, Evaluation
from quietcuff.core.model.readings import Device, Identifier, Reading, ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.attempts import in_order
from quietcuff.core.sitting.equipment import Fit, judge_fit
from quietcuff.core.sitting.person import describe_person
from quietcuff.storage.rows.analysis_pages import AnalysedSet
from quietcuff.storage.rows.reading_sets import in_offset

SET = DocumentDecoder(ReadingSet)
EVALUATION = DocumentDecoder(Evaluation)
ANSWERS = {"yes": True, "no": False}
FIT_WORDS = {
    "cuff-too-small": "too-small",
    "cuff-too-large": "too-large",
    "cuff-outside-range": "outside-range",
    "cuff-doubtful": "doubtful",
}
BAND_ENDS = (13, 18, 30, 40, 50, 60, 70, 80)
Row = dict[str, Any]


class DecodedSet(msgspec.Struct, frozen=True, kw_only=True):
    """One stored set, decoded; ``order`` are its attempts that are not voided, by time, each with its place as sent."""

    stored: AnalysedSet
    reading_set: ReadingSet
    evaluation: Evaluation
    order: list[tuple[int, Reading]]

    @property
    def day(self) -> date:
        return in_offset(self.stored.taken_from, self.stored.offset_minutes).date()


def decode(stored: AnalysedSet) -> DecodedSet:
    """A stored set as the tables read it."""
    reading_set = SET.decode(stored.document)
    order = [(place, reading) for place, reading in in_order(reading_set.readings) if not reading.voided]
    return DecodedSet(stored=stored, reading_set=reading_set, evaluation=EVALUATION.decode(stored.evaluation), order=order)


def set_row(sitting: DecodedSet, disguise: Disguise, book: Rulebook) -> Row:
    """The row of a set in ``sets``."""
    return {
        **when_and_where(sitting, disguise),
        **result_of(sitting),
        **preparation_of(sitting.reading_set),
        **equipment_of(sitting, book),
        **method_of(sitting, book),
        **said_of(sitting, disguise),
        **shift_of(sitting.evaluation),
        **person_of(sitting, book),
    }


def keys_of(sitting: DecodedSet, disguise: Disguise) -> Row:
    """The keys by which every table names a set and its person."""
    stored = sitting.stored
    return {"set_id": disguise.name("set", str(stored.set_id)), "person_key": disguise.name("person", str(stored.subject_id))}


def named(identifier: Identifier | None) -> str | None:
    return None if identifier is None else identifier.text


def device_name(device: Device | None) -> str | None:
    return None if device is None else named(device.identifier)


def recorded(answer: str | None) -> str | None:
    """A word as it was recorded; None where it was not."""
    return None if answer == "not-recorded" else answer


def when_and_where(sitting: DecodedSet, disguise: Disguise) -> Row:
    stored, reading_set, evaluation = sitting.stored, sitting.reading_set, sitting.evaluation
    shift = disguise.shift(stored.subject_id)
    return {
        **keys_of(sitting, disguise),
        "person_identifier": named(reading_set.subject.identifier),
        "taken_at": stored.taken_from + shift,
        "offset_minutes": stored.offset_minutes,
        "local_date": sitting.day + shift,
        "observer": disguise.name("observer", named(reading_set.observer)),
        "location": disguise.name("location", named(reading_set.location)),
        "device": disguise.name("device", device_name(reading_set.device)),
        "protocol": evaluation.protocol.id,
        "protocol_version": evaluation.protocol.version,
        "setting": reading_set.setting,
        "attendance": reading_set.attendance,
        "visit": recorded(evaluation.chosen.visit),
        "care": reading_set.context.care,
        "closed": stored.closed_at is not None,
    }


def has_pressures(reading: Reading) -> bool:
    return reading.systolic_mmhg is not None and reading.diastolic_mmhg is not None


def result_of(sitting: DecodedSet) -> Row:
    evaluation, result = sitting.evaluation, sitting.evaluation.result
    return {
        "state": evaluation.state,
        "unusable_reason": None if result is not None else " ".join(evaluation.blocked_by) or evaluation.state,
        "attempts": len(sitting.order),
        "readings": sum(has_pressures(reading) for _, reading in sitting.order),
        "counted": len(evaluation.counted),
        "systolic_mmhg": result and result.systolic_mmhg,
        "diastolic_mmhg": result and result.diastolic_mmhg,
        "systolic_mean_mmhg": result and result.systolic_mean_mmhg,
        "diastolic_mean_mmhg": result and result.diastolic_mean_mmhg,
        "systolic_sd_mmhg": result and result.systolic_sd_mmhg,
        "diastolic_sd_mmhg": result and result.diastolic_sd_mmhg,
    }


def preparation_of(reading_set: ReadingSet) -> Row:
    context = reading_set.context
    rested = context.rest_minutes
    return {
        **{name: ANSWERS.get(getattr(context, name)) for name in CONTEXT_MEANINGS},
        "rest_seconds": None if rested is None else round(60 * rested),
        "arm_height": recorded(context.arm_height),
        "sleeve": recorded(context.sleeve),
        "arm_circumference_cm": reading_set.subject.arm_circumference_cm,
    }


def equipment_of(sitting: DecodedSet, book: Rulebook) -> Row:
    reading_set = sitting.reading_set
    cuff, device = reading_set.cuff, reading_set.device
    low, high = (None, None) if cuff is None or cuff.range_cm is None else cuff.range_cm
    last = None if device is None else device.last_accuracy_check
    months = None if device is None else device.accuracy_check_interval_months
    return {
        "cuff": None if cuff is None else cuff.size,
        "cuff_low_cm": low,
        "cuff_high_cm": high,
        "cuff_fit": fit_of(sitting, book),
        "device_validated": None if device is None else ANSWERS.get(device.validated),
        "accuracy_check_in_date": None if last is None or months is None else sitting.day <= months_after(last, months),
    }


def fit_of(sitting: DecodedSet, book: Rulebook) -> str | None:
    """The fit of the cuff: the worst of the sitting's cuffs, and only where every one of them can be told."""
    table, arm_cm = book.cuffs[book.defaults.cuffs], sitting.reading_set.subject.arm_circumference_cm
    fits = [judge_fit(reading.cuff or sitting.reading_set.cuff, arm_cm, table) for _, reading in sitting.order]
    wrong = [fit.code for fit in fits if fit.code is not None]
    if wrong:
        return FIT_WORDS[min(wrong, key=list(FIT_WORDS).index)]
    return "fits" if fits and all(fit == Fit() for fit in fits) else None


def method_of(sitting: DecodedSet, book: Rulebook) -> Row:
    """The sitting as it was done, against what its protocol asks for."""
    evaluation, arms = sitting.evaluation, sitting.evaluation.arms
    protocol = book.protocols.get(evaluation.protocol.id)
    codes = {finding.code for finding in evaluation.findings}
    times = [reading.taken_at for _, reading in sitting.order if has_pressures(reading)]
    record, site = arms.arm_of_record, None if evaluation.result is None else evaluation.result.site
    severe = "severe-reading" in codes
    irregular = irregular_rhythm(sitting)
    first = evaluation.chosen.visit == "first"
    return {
        "arms_measured": arms_measured(sitting),
        "both_arms_due": None
        if protocol is None
        else protocol.arms == "both" or (protocol.arms == "both-at-first-visit" and first),
        "arm_of_record": record,
        "arm_of_record_used": None if record is None or site is None else site == record,
        "first_reading_dropped": any(outcome.reason == "first-discarded" for outcome in evaluation.readings),
        "interval_seconds": min((seconds(one, other) for one, other in pairwise(times)), default=None),
        "interval_asked_seconds": None if protocol is None else protocol.interval_seconds,
        "irregular_rhythm": irregular,
        "irregular_rhythm_answered": answers_rhythm(sitting, book) if irregular else None,
        "severe_reading": severe,
        "severe_repeated_in_time": bool(codes & {"severe-confirmed", "severe-not-confirmed"}) if severe else None,
    }


def seconds(one: datetime, other: datetime) -> int:
    return round((other - one).total_seconds())


def arms_measured(sitting: DecodedSet) -> str | None:
    """The upper arms with readings that have pressures."""
    sites = {reading.site for _, reading in sitting.order if has_pressures(reading)} - {"not-recorded"}
    sides = [side for side in ("left", "right") if f"{side}-upper-arm" in sites]
    if len(sides) == 2:
        return "both"
    return sides[0] if sides else ("other" if sites else None)


def irregular_rhythm(sitting: DecodedSet) -> bool | None:
    """True where an irregular rhythm was recorded: by a reading, a flag, a palpated pulse or what is known of the person."""
    reading_set = sitting.reading_set
    rhythms = {reading.rhythm for _, reading in sitting.order} | {reading_set.context.pulse_palpated}
    flagged = any("irregular-pulse" in reading.device_flags for _, reading in sitting.order)
    if "irregular" in rhythms or flagged or reading_set.subject.known_irregular_rhythm == "yes":
        return True
    return False if "regular" in rhythms or reading_set.subject.known_irregular_rhythm == "no" else None


def answers_rhythm(sitting: DecodedSet, book: Rulebook) -> bool:
    """True where an irregular rhythm was answered: readings enough, and auscultated unless nobody could."""
    readings = sitting.reading_set.readings
    counted = [readings[index] for index in sitting.evaluation.counted]
    by_ear = all(reading.method == "auscultatory" for reading in counted)
    could = sitting.reading_set.context.auscultation_possible != "no"
    return len(counted) >= book.limits.irregular_readings and (by_ear or not could)


def said_of(sitting: DecodedSet, disguise: Disguise) -> Row:
    """The evaluation's words on the sitting: safety, next step, the first guideline's label and how sure it is."""
    evaluation = sitting.evaluation
    main = evaluation.categories[0] if evaluation.categories else None
    by = evaluation.confirm_by
    sure = sureness_of(evaluation, None if main is None else main.guideline)
    return {
        "safety_level": evaluation.safety.level,
        "next_action": evaluation.next_step.action,
        "confirm_by": None if by is None else by.date + disguise.shift(sitting.stored.subject_id),
        "guideline": None if main is None else main.guideline,
        "category": None if main is None else main.category,
        "provisional": None if main is None or main.category is None else main.provisional,
        "label_probability": sure["probability"],
        **{name: sure[name] for name in ("settled", "too_close_to_call", "settled_by")},
    }


def sureness_of(evaluation: Evaluation, guideline: str | None) -> Row:
    """The certainty of a guideline's label, as the columns of ``labels`` say it."""
    sure = next((each for each in evaluation.certainty if each.guideline == guideline), None)
    if sure is None:
        names = ("probability", "settled", "too_close_to_call", "settled_by", "more_readings", "more_visits")
        return dict.fromkeys(names)
    return {
        "probability": sure.label_probability,
        "settled": sure.settled,
        "too_close_to_call": sure.reason == "too-close-to-call",
        "settled_by": settled_by(sure),
        "more_readings": None if sure.settled else sure.more_readings_now,
        "more_visits": None if sure.settled else sure.visits_if_mean_holds,
    }


def settled_by(sure: Certainty) -> str | None:
    """The means that would settle a label soonest."""
    if sure.settled:
        return None
    if sure.more_readings_now is not None:
        return "more-readings-now"
    return "another-visit" if sure.visits_if_mean_holds is not None else "home-or-ambulatory"


def shift_of(evaluation: Evaluation) -> Row:
    """The published errors of the sitting's findings, each finding once, their ends added up; subtracted from nothing."""
    errors = {found.code: found.expected_error for found in evaluation.findings if found.expected_error is not None}
    sums: Mapping[str, list[float]] = {name: [0.0, 0.0] for name in ("systolic", "diastolic")}
    for error in errors.values():
        for name, ends in (("systolic", error.systolic_mmhg), ("diastolic", error.diastolic_mmhg)):
            if ends is not None:
                sums[name][0] += ends[0]
                sums[name][1] += ends[1]
    return {
        f"shift_{name}_{end}_mmhg": round(sums[name][place], 2) for name in sums for place, end in enumerate(("low", "high"))
    }


def person_of(sitting: DecodedSet, book: Rulebook) -> Row:
    facts = sitting.reading_set.subject
    years = describe_person(facts, sitting.day, book.limits).age_years
    return {
        "age_band": None if years is None else AGE_BANDS[sum(years >= end for end in BAND_ENDS)],
        "sex": facts.sex,
        "treated": ANSWERS.get(facts.antihypertensive_treatment),
        "known_hypertension": ANSWERS.get(facts.known_hypertension),
        "pregnancy": recorded(facts.pregnancy),
    }
