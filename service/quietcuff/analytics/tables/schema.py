"""Every table and column of the data that leaves for analysis, each defined once.

The Arrow schema, the data dictionary and the header of the CSV file are made from these. A column that may be null says what
null means there; of a yes or no it is "not recorded", which is never a no.
"""

from __future__ import annotations

from typing import Any, Literal, get_args

import msgspec

from quietcuff.analytics.follow_ups import follow_ups
from quietcuff.core.model import evaluation, fields
from quietcuff.terminology import loinc
from quietcuff.terminology.systems import LOINC
from quietcuff.terminology.units import MMHG_CODE, PER_MINUTE_CODE

Kind = Literal["text", "yes-no", "integer", "number", "day", "moment"]
Hidden = Literal["set", "person", "observer", "location", "device"]

NOT_RECORDED = "not recorded"
NO_RESULT = "the sitting has no result"
NO_LABEL = "the guideline gives no label, or its certainty cannot be told"
MMHG, SECOND, CENTIMETRE, PER_MINUTE, YEAR = MMHG_CODE, "s", "cm", PER_MINUTE_CODE, "a"
SYSTOLIC, DIASTOLIC, HEART_RATE, MEAN_SYSTOLIC, MEAN_DIASTOLIC = (
    f"{LOINC}|{code}" for code in (loinc.SYSTOLIC, loinc.DIASTOLIC, loinc.HEART_RATE, loinc.MEAN_SYSTOLIC, loinc.MEAN_DIASTOLIC)
)
AGE_BANDS = ("0-12", "13-17", "18-29", "30-39", "40-49", "50-59", "60-69", "70-79", "80+")
ARMS_MEASURED = ("both", "left", "right", "other")
CUFF_FITS = ("fits", "too-small", "too-large", "outside-range", "doubtful")
SETTLED_BY = ("more-readings-now", "another-visit", "home-or-ambulatory")


class Column(msgspec.Struct, frozen=True, kw_only=True):
    """One column. ``unit`` is UCUM; ``code`` a system and a code; ``source`` the field of the stored document it is taken from,
    or how it is computed; ``null`` what a null means, None where there is none. ``words`` are the only values of a text.

    ``hidden`` columns are replaced by a keyed digest in pseudonymous tables, and ``identified`` ones are left out.
    """

    name: str
    kind: Kind
    meaning: str
    source: str
    null: str | None = None
    unit: str | None = None
    code: str | None = None
    words: tuple[str, ...] = ()
    hidden: Hidden | None = None
    identified: bool = False


class Table(msgspec.Struct, frozen=True, kw_only=True):
    """One table: what a row of it is, and its columns in order."""

    name: str
    row: str
    columns: tuple[Column, ...]

    def named(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)


def text(name: str, meaning: str, source: str, **more: Any) -> Column:
    return Column(name=name, kind="text", meaning=meaning, source=source, **more)


def words_of(literal: Any, *, without: tuple[str, ...] = ("not-recorded",)) -> tuple[str, ...]:
    """The words of a type, each once, without those that a null stands for."""
    return tuple(dict.fromkeys(word for word in get_args(literal) if word not in without))


def yes_no(name: str, meaning: str, source: str, null: str | None = NOT_RECORDED) -> Column:
    return Column(name=name, kind="yes-no", meaning=meaning, source=source, null=null)


def integer(name: str, meaning: str, source: str, **more: Any) -> Column:
    return Column(name=name, kind="integer", meaning=meaning, source=source, **more)


def number(name: str, meaning: str, source: str, **more: Any) -> Column:
    return Column(name=name, kind="number", meaning=meaning, source=source, **more)


def day(name: str, meaning: str, source: str, null: str | None = None) -> Column:
    return Column(name=name, kind="day", meaning=meaning, source=source, null=null)


def moment(name: str, meaning: str, source: str, null: str | None = None) -> Column:
    return Column(name=name, kind="moment", meaning=meaning, source=source, null=null)


SET_ID = text("set_id", "The sitting", "id", hidden="set")
PERSON = text("person_key", "The person: the same in every table", "subject_id", hidden="person")
IDENTIFIER = text("person_identifier", "The person's identifier, system|value", "subject.identifier", identified=True)
CONTEXT_MEANINGS = {
    "talking": "There was talking during the measurement",
    "caffeine_within_30_min": "Caffeine in the 30 minutes before",
    "tobacco_within_30_min": "Tobacco in the 30 minutes before",
    "exercise_within_30_min": "Exercise in the 30 minutes before",
    "full_bladder": "The bladder was full",
    "pain": "The person was in pain",
    "anxiety_or_stress": "The person was anxious or under stress",
    "back_supported": "The back was supported",
    "feet_flat": "The feet were flat on the floor",
    "legs_crossed": "The legs were crossed",
    "arm_supported": "The arm was supported",
    "cuff_fits_two_fingers": "Two fingers fitted under the cuff",
    "quiet_room": "The room was quiet",
    "acute_symptoms": "There were acute symptoms",
    "auscultation_possible": "Somebody could auscultate",
}
CONTEXT = tuple(yes_no(name, meaning, f"context.{name}") for name, meaning in CONTEXT_MEANINGS.items())

WHEN_AND_WHERE = (
    SET_ID,
    PERSON,
    IDENTIFIER,
    moment("taken_at", "When the first reading ended, in UTC; shifted by whole weeks if pseudonymous", "readings[].taken_at"),
    integer("offset_minutes", "Offset of the local clock from UTC at taken_at", "readings[].taken_at", unit="min"),
    day("local_date", "The day of taken_at by the local clock", "readings[].taken_at"),
    text("observer", "Who measured, as a code", "observer", null=NOT_RECORDED, hidden="observer"),
    text("location", "Where it was measured, as a code", "location", null=NOT_RECORDED, hidden="location"),
    text("device", "The device, as in the table devices", "device.identifier", null=NOT_RECORDED, hidden="device"),
    text("protocol", "How the sitting was done and which readings count", "evaluation.protocol.id"),
    text("protocol_version", "The version of the protocol's file", "evaluation.protocol.version"),
    text("setting", "Never mix home or ambulatory values with office ones", "setting", words=words_of(fields.Setting)),
    text("attendance", "Whether somebody was in the room", "attendance", words=words_of(fields.Attendance)),
    text("visit", "First visit or a later one", "evaluation.chosen.visit", null=NOT_RECORDED, words=words_of(fields.Visit)),
    text("care", "Ordinary care, or what stands against a usual pressure", "context.care", words=words_of(fields.Care)),
    yes_no("closed", "No reading is to come", "closed", None),
)
RESULT = (
    text("state", "How far the sitting came", "evaluation.state", words=words_of(evaluation.State)),
    text("unusable_reason", "Why there is no result, codes with a space between", "evaluation.blocked_by", null="it has one"),
    integer("attempts", "Attempts to measure that are not voided", "readings", unit="1"),
    integer("readings", "Attempts with both pressures", "readings", unit="1"),
    integer("counted", "Readings that count in the result", "evaluation.readings[].counts", unit="1"),
    number("systolic_mmhg", "The result as reported", "evaluation.result", null=NO_RESULT, unit=MMHG, code=MEAN_SYSTOLIC),
    number("diastolic_mmhg", "The result as reported", "evaluation.result", null=NO_RESULT, unit=MMHG, code=MEAN_DIASTOLIC),
    number("systolic_mean_mmhg", "The exact mean", "evaluation.result", null=NO_RESULT, unit=MMHG, code=MEAN_SYSTOLIC),
    number("diastolic_mean_mmhg", "The exact mean", "evaluation.result", null=NO_RESULT, unit=MMHG, code=MEAN_DIASTOLIC),
    number("systolic_sd_mmhg", "Spread of the readings that count", "evaluation.result", null="fewer than two", unit=MMHG),
    number("diastolic_sd_mmhg", "Spread of the readings that count", "evaluation.result", null="fewer than two", unit=MMHG),
)
HOW = (
    *CONTEXT,
    integer("rest_seconds", "Rest before the first reading", "context.rest_minutes", null=NOT_RECORDED, unit=SECOND),
    text(
        "arm_height",
        "The arm against the level of the heart",
        "context.arm_height",
        null=NOT_RECORDED,
        words=("at", "below", "above"),
    ),
    text("sleeve", "What was under the cuff", "context.sleeve", null=NOT_RECORDED, words=("bare", "thin", "thick")),
    number("arm_circumference_cm", "Of the upper arm", "subject", null=NOT_RECORDED, unit=CENTIMETRE),
    text("cuff", "The size of the cuff, in words", "cuff.size", null=NOT_RECORDED),
    number("cuff_low_cm", "Smallest arm that the cuff is made for", "cuff.range_cm", null=NOT_RECORDED, unit=CENTIMETRE),
    number("cuff_high_cm", "Largest arm that the cuff is made for", "cuff.range_cm", null=NOT_RECORDED, unit=CENTIMETRE),
    text(
        "cuff_fit",
        "Whether the cuff fits the arm, the worst of the sitting",
        "evaluation.findings",
        null="cannot be told from what was recorded",
        words=CUFF_FITS,
    ),
    yes_no("device_validated", "The device was shown to be accurate", "device.validated"),
    yes_no("accuracy_check_in_date", "The device's accuracy check was in date on that day", "device.last_accuracy_check"),
    text("arms_measured", "Upper arms with a valid reading", "readings[].site", null=NOT_RECORDED, words=ARMS_MEASURED),
    yes_no("both_arms_due", "The protocol asks for both arms in this sitting", "protocol, visit", "the protocol is gone"),
    text("arm_of_record", "The arm that earlier comparisons point to", "evaluation.arms", null="no comparison points to one"),
    yes_no("arm_of_record_used", "The result is of that arm", "evaluation.arms", "no arm of record, or no result"),
    yes_no("first_reading_dropped", "The first reading was left out as the protocol says", "evaluation.readings", None),
    integer("interval_seconds", "Shortest time between readings", "readings", null="fewer than two", unit=SECOND),
    integer("interval_asked_seconds", "What the protocol asks for", "protocol", null="the protocol is gone", unit=SECOND),
    yes_no("irregular_rhythm", "An irregular rhythm was recorded", "readings, context, subject"),
    yes_no(
        "irregular_rhythm_answered",
        "As many readings as the rules ask for in irregular rhythm, by auscultation where somebody could",
        "evaluation",
        "no irregular rhythm recorded",
    ),
    yes_no("severe_reading", "A reading was severe", "evaluation.findings", None),
    yes_no("severe_repeated_in_time", "A severe reading was confirmed or stood down in time", "evaluation", "none was severe"),
)
SAID = (
    text("safety_level", "What must not wait", "evaluation.safety.level", words=words_of(evaluation.Level, without=())),
    text("next_action", "The next step", "evaluation.next_step.action", words=words_of(evaluation.Action)),
    day("confirm_by", "By when the label is to be confirmed", "evaluation.confirm_by", "nothing to confirm"),
    text("guideline", "The first guideline asked: the others are in labels", "evaluation.categories[0]", null="none was asked"),
    text("category", "What it calls the result", "evaluation.categories[0]", null="no category"),
    yes_no("provisional", "The label is provisional", "evaluation.categories[0]", "no category"),
    number(
        "label_probability", "Chance that the usual pressure has this label", "evaluation.certainty", null=NO_LABEL, unit="1"
    ),
    yes_no("settled", "On which side of its edges the usual pressure is, is settled", "evaluation.certainty", NO_LABEL),
    yes_no("too_close_to_call", "Neither more readings nor a few visits would settle it", "evaluation.certainty", NO_LABEL),
    text("settled_by", "What would settle it soonest", "evaluation.certainty", null="settled or not known", words=SETTLED_BY),
    number("shift_systolic_low_mmhg", "Findings' published errors, lower ends added up", "evaluation.findings", unit=MMHG),
    number("shift_systolic_high_mmhg", "Findings' published errors, upper ends added up", "evaluation.findings", unit=MMHG),
    number("shift_diastolic_low_mmhg", "Findings' published errors, lower ends added up", "evaluation.findings", unit=MMHG),
    number("shift_diastolic_high_mmhg", "Findings' published errors, upper ends added up", "evaluation.findings", unit=MMHG),
)
PERSON_THEN = (
    text("age_band", "Completed years on that day", "subject.birth_date", null=NOT_RECORDED, unit=YEAR, words=AGE_BANDS),
    text("sex", "As recorded", "subject.sex", null=NOT_RECORDED, words=("female", "male", "other", "unknown")),
    yes_no("treated", "Antihypertensive treatment", "subject.antihypertensive_treatment"),
    yes_no("known_hypertension", "Hypertension was known", "subject.known_hypertension"),
    text(
        "pregnancy",
        "Pregnant, or in the weeks after birth",
        "subject.pregnancy",
        null=NOT_RECORDED,
        words=("no", "pregnant", "postpartum"),
    ),
)
SETS = Table(
    name="sets",
    row="One sitting that is not voided, with or without a result: the denominator of every share.",
    columns=WHEN_AND_WHERE + RESULT + HOW + SAID + PERSON_THEN,
)
READINGS = Table(
    name="readings",
    row="One attempt to measure that is not voided.",
    columns=(
        SET_ID,
        PERSON,
        integer("place", "Its place in the order of time, from 1", "readings[].taken_at", unit="1"),
        moment("taken_at", "When the measurement ended, in UTC; shifted as in sets", "readings[].taken_at"),
        integer("offset_minutes", "Offset of the local clock from UTC", "readings[].taken_at", unit="min"),
        integer("seconds_since_previous", "Since the attempt before", "readings[].taken_at", null="the first", unit=SECOND),
        number("systolic_mmhg", "As measured", "readings[].systolic_mmhg", null="failed", unit=MMHG, code=SYSTOLIC),
        number("diastolic_mmhg", "As measured", "readings[].diastolic_mmhg", null="failed", unit=MMHG, code=DIASTOLIC),
        number("pulse_per_min", "Pulse", "readings[].pulse_per_min", null=NOT_RECORDED, unit=PER_MINUTE, code=HEART_RATE),
        text("site", "Where the cuff was", "readings[].site", null=NOT_RECORDED, words=words_of(fields.Site)),
        text("position", "The person's position", "readings[].position", null=NOT_RECORDED, words=words_of(fields.Position)),
        text("method", "How it was measured", "readings[].method", null=NOT_RECORDED, words=words_of(fields.Method)),
        text("rhythm", "Rhythm seen", "readings[].rhythm", null=NOT_RECORDED, words=words_of(fields.Rhythm)),
        text("observer", "Who measured: the reading's own, else the set's", "observer", null=NOT_RECORDED, hidden="observer"),
        text("device", "The reading's own device, else the set's", "device", null=NOT_RECORDED, hidden="device"),
        yes_no("counts", "It counts in the result", "evaluation.readings[].counts", None),
        text("reason", "Why not", "evaluation.readings[].reason", null="it counts", words=words_of(evaluation.Reason)),
    ),
)
LABELS = Table(
    name="labels",
    row="What one guideline calls one sitting.",
    columns=(
        SET_ID,
        PERSON,
        text("guideline", "The guideline", "evaluation.categories[].guideline"),
        text("guideline_version", "The version of its file", "evaluation.categories[].version"),
        text("category", "The category's code", "evaluation.categories[].category", null="it has none to give"),
        text("label", "The category in the guideline's words", "evaluation.categories[].label", null="it has none to give"),
        yes_no("provisional", "The label is provisional", "evaluation.categories[].provisional", None),
        text("provisional_because", "Codes with a space between", "evaluation.categories[]", null="it is not"),
        number("probability", "Chance that the usual pressure has it", "evaluation.certainty", null=NO_LABEL, unit="1"),
        yes_no("settled", "It is settled on which side of its edges it is", "evaluation.certainty", NO_LABEL),
        yes_no("too_close_to_call", "Neither more readings nor a few visits would settle it", "evaluation.certainty", NO_LABEL),
        text(
            "settled_by", "What would settle it soonest", "evaluation.certainty", null="settled or not known", words=SETTLED_BY
        ),
        integer(
            "more_readings", "Readings now that settle it", "evaluation.certainty", null="none would, or settled", unit="1"
        ),
        integer("more_visits", "Visits that settle it", "evaluation.certainty", null="few would not, or settled", unit="1"),
    ),
)
NO_RANGE = "no size was published"
FINDINGS = Table(
    name="findings",
    row="One finding of one sitting.",
    columns=(
        SET_ID,
        PERSON,
        text("code", "What was found", "evaluation.findings[].code"),
        text("severity", "How grave", "evaluation.findings[].severity", words=words_of(evaluation.Severity)),
        integer("place", "The reading's place, as in readings", "evaluation.findings[]", null="of the sitting", unit="1"),
        number("systolic_low_mmhg", "Published error, lower end", "effects.toml", null=NO_RANGE, unit=MMHG),
        number("systolic_high_mmhg", "Published error, upper end", "effects.toml", null=NO_RANGE, unit=MMHG),
        number("diastolic_low_mmhg", "Published error, lower end", "effects.toml", null=NO_RANGE, unit=MMHG),
        number("diastolic_high_mmhg", "Published error, upper end", "effects.toml", null=NO_RANGE, unit=MMHG),
    ),
)
FOLLOW_UPS = Table(
    name="follow_ups",
    row="One person who is to be seen, and why; no row of anybody else.",
    columns=(
        PERSON,
        IDENTIFIER,
        text("why", "The most pressing reason", "all sets of the person", words=words_of(follow_ups.Why)),
        text("also", "Further reasons, with a space between", "all sets of the person", null="none"),
        day("since", "The day of the sitting that calls for it", "readings[].taken_at"),
        day("by", "By when, the same day where it is pressing", "evaluation.confirm_by", "no rule names a day"),
        SET_ID,
        moment("last_taken_at", "When the newest sitting was", "readings[].taken_at"),
        number("last_systolic_mmhg", "The newest result", "evaluation.result", null="no sitting has one", unit=MMHG),
        number("last_diastolic_mmhg", "The newest result", "evaluation.result", null="no sitting has one", unit=MMHG),
        text("next_action", "The next step", "evaluation.next_step.action", words=words_of(evaluation.Action)),
    ),
)
DEVICES = Table(
    name="devices",
    row="One device that is registered or was seen in a set.",
    columns=(
        text("device", "The device, as in sets and readings", "identifier", hidden="device"),
        yes_no("registered", "It is in the registry", "registered", None),
        text("manufacturer", "As recorded", "manufacturer", null=NOT_RECORDED),
        text("model", "As recorded", "model", null=NOT_RECORDED),
        text(
            "kind", "What it is", "kind", null=NOT_RECORDED, words=("automatic", "semi-automatic", "auscultatory", "cuffless")
        ),
        text("site", "Where it measures", "site", null=NOT_RECORDED, words=("upper-arm", "wrist", "finger")),
        yes_no("validated", "It was shown to be accurate", "validated"),
        text("validated_for", "In which groups, with a space between", "validated_for", null=NOT_RECORDED),
        day("last_accuracy_check", "Of the accuracy", "last_accuracy_check", NOT_RECORDED),
        integer("accuracy_check_months", "How often it is due", "accuracy_check_interval_months", null=NOT_RECORDED, unit="mo"),
    ),
)
TABLES: tuple[Table, ...] = (SETS, READINGS, LABELS, FINDINGS, FOLLOW_UPS, DEVICES)


def table_named(name: str) -> Table | None:
    """The table of that name, or None."""
    return next((table for table in TABLES if table.name == name), None)


def columns_of(table: Table, *, identified: bool) -> tuple[Column, ...]:
    """The columns that leave: without the identifying ones where the rows are pseudonymous."""
    return tuple(column for column in table.columns if identified or not column.identified)
