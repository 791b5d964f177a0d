"""What the kernel reads: one Arrow row a set, its readings a list in the core's own order of time.

A row holds what ``core.evaluate`` needs of a set and of what is known of the person, and nothing that says who it is. No rule
has been applied: arms that must not be used are as of the day, which no rule changes, and the rest is as it was recorded.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import timedelta
from typing import Any

import msgspec
import pyarrow as pa

from quietcuff.core.model.history import History
from quietcuff.core.model.readings import Context, Intake, Reading, ReadingSet, opened_at
from quietcuff.core.sitting.acceptance import identifier_faults
from quietcuff.core.sitting.arms import irregular_before
from quietcuff.core.sitting.attempts import in_order
from quietcuff.core.sitting.person import earliest_birth_day, latest_birth_day, restricted_arms
from quietcuff.core.sitting.sitting import day_of

WORD = pa.dictionary(pa.int8(), pa.string())
NAME = pa.dictionary(pa.int32(), pa.string())
MOMENT = pa.timestamp("us", tz="UTC")
# Names cannot hold a line break, so that a list of them is one word of a dictionary: few lists are met, and compared fast.
BETWEEN_NAMES = "\n"
ANSWERS = tuple(name for name in Context.__struct_fields__ if name != "rest_minutes")

READING = pa.struct(
    [
        ("index", pa.int16()),
        ("taken_at", MOMENT),
        ("offset_seconds", pa.int32()),
        ("systolic_mmhg", pa.float64()),
        ("diastolic_mmhg", pa.float64()),
        ("pulse_per_min", pa.float64()),
        ("site", WORD),
        ("position", WORD),
        ("stood_at", MOMENT),
        ("method", WORD),
        ("rhythm", WORD),
        ("flags", NAME),
        ("cuff", NAME),
        ("device", NAME),
        ("voided", pa.bool_()),
    ]
)
PAIR = pa.struct(
    [("day", pa.date32()), ("systolic_difference_mmhg", pa.float64()), ("diastolic_difference_mmhg", pa.float64())]
)
NOTE = pa.struct([("reading", pa.int16()), ("code", WORD)])

SCHEMA = pa.schema(
    [
        ("set_id", pa.string()),
        ("setting", WORD),
        ("attendance", WORD),
        ("visit", WORD),
        ("protocol", NAME),
        ("guidelines", NAME),
        ("closed", pa.bool_()),
        ("names_a_reading_twice", pa.bool_()),
        ("opened_on", pa.date32()),
        ("born_from", pa.date32()),
        ("born_to", pa.date32()),
        ("sex", WORD),
        ("pregnancy", WORD),
        ("delivered_on", pa.date32()),
        ("known_hypertension", WORD),
        ("antihypertensive_treatment", WORD),
        ("known_irregular_rhythm", WORD),
        ("arm_circumference_cm", pa.float64()),
        ("height_cm", pa.float64()),
        ("left_arm_closed", WORD),
        ("right_arm_closed", WORD),
        ("rest_minutes", pa.float64()),
        *((name, WORD) for name in ANSWERS),
        ("device", NAME),
        ("cuff", NAME),
        ("average_systolic_mmhg", pa.float64()),
        ("average_diastolic_mmhg", pa.float64()),
        ("average_readings", pa.int16()),
        ("average_first_dropped", pa.bool_()),
        ("sleep", NAME),
        ("has_history", pa.bool_()),
        ("earlier_sittings", pa.int16()),
        ("earlier_irregular", pa.int16()),
        ("earlier_pairs", pa.list_(PAIR)),
        ("received_at", MOMENT),
        ("closed_by_timeout", pa.bool_()),
        ("device_registered", WORD),
        ("facts_differ", pa.bool_()),
        ("set_voided", pa.bool_()),
        ("default_guidelines", NAME),
        ("notes", pa.list_(NOTE)),
        ("readings", pa.list_(READING)),
    ]
)

NOTHING_KNOWN = Intake()
Case = tuple[str, ReadingSet, History | None]


def as_batch(cases: Iterable[Case]) -> pa.RecordBatch:
    """The sets, each with its id and what was known of earlier ones, as one batch."""
    rows = [as_row(*case) for case in cases]
    columns = [pa.array([row[field.name] for row in rows], type=field.type) for field in SCHEMA]
    return pa.RecordBatch.from_arrays(columns, schema=SCHEMA)


def as_row(set_id: str, reading_set: ReadingSet, history: History | None) -> dict[str, Any]:
    """One set as a row."""
    order = in_order(reading_set.readings)
    subject, context = reading_set.subject, reading_set.context
    closed_arms = restricted_arms(subject, day_of(reading_set, order))
    opened = opened_at(reading_set)
    return {
        "set_id": set_id,
        "setting": reading_set.setting,
        "attendance": reading_set.attendance,
        "visit": reading_set.visit,
        "protocol": reading_set.protocol,
        "guidelines": joined(reading_set.guidelines),
        "closed": reading_set.closed,
        "names_a_reading_twice": bool(identifier_faults(reading_set)),
        "opened_on": None if opened is None else opened.date(),
        "born_from": None if subject.birth_date is None else earliest_birth_day(subject.birth_date),
        "born_to": latest_birth_day(subject.birth_date),
        "sex": subject.sex,
        "pregnancy": subject.pregnancy,
        "delivered_on": subject.delivered_on,
        "known_hypertension": subject.known_hypertension,
        "antihypertensive_treatment": subject.antihypertensive_treatment,
        "known_irregular_rhythm": subject.known_irregular_rhythm,
        "arm_circumference_cm": subject.arm_circumference_cm,
        "height_cm": subject.height_cm,
        "left_arm_closed": closed_arms.get("left"),
        "right_arm_closed": closed_arms.get("right"),
        "rest_minutes": context.rest_minutes,
        **{name: getattr(context, name) for name in ANSWERS},
        "device": as_text(reading_set.device),
        "cuff": as_text(reading_set.cuff),
        "sleep": as_text(reading_set.sleep) if reading_set.sleep else None,
        **average_of(reading_set),
        **history_of(history),
        **intake_of(reading_set.intake or NOTHING_KNOWN),
        "readings": [reading_row(index, reading) for index, reading in order],
    }


def average_of(reading_set: ReadingSet) -> dict[str, Any]:
    """What the device showed as its own mean."""
    average = reading_set.device_average
    return {
        "average_systolic_mmhg": None if average is None else average.systolic_mmhg,
        "average_diastolic_mmhg": None if average is None else average.diastolic_mmhg,
        "average_readings": None if average is None else average.readings,
        "average_first_dropped": None if average is None else average.first_dropped,
    }


def history_of(history: History | None) -> dict[str, Any]:
    """What was known of earlier sittings: how many, how many of them irregular, and every comparison of the arms."""
    pairs = [] if history is None else history.pairs
    return {
        "has_history": history is not None,
        "earlier_sittings": 0 if history is None else len(history.sittings),
        "earlier_irregular": irregular_before(history),
        "earlier_pairs": [(pair.day, pair.systolic_difference_mmhg, pair.diastolic_difference_mmhg) for pair in pairs],
    }


def intake_of(intake: Intake) -> dict[str, Any]:
    """What the service knew as the set came in."""
    return {
        "received_at": intake.received_at,
        "closed_by_timeout": intake.closed_by_timeout,
        "device_registered": intake.device_registered,
        "facts_differ": bool(intake.facts_differ),
        "set_voided": "set-voided" in intake.changes,
        "default_guidelines": joined(intake.default_guidelines),
        "notes": [(note.reading, note.code) for note in intake.notes],
    }


def reading_row(index: int, reading: Reading) -> tuple[Any, ...]:
    """One reading, in the order of the struct's fields."""
    return (
        index,
        reading.taken_at,
        int((reading.taken_at.utcoffset() or timedelta()).total_seconds()),
        reading.systolic_mmhg,
        reading.diastolic_mmhg,
        reading.pulse_per_min,
        reading.site,
        reading.position,
        reading.stood_at,
        reading.method,
        reading.rhythm,
        joined(sorted(set(reading.device_flags))) if reading.device_flags else None,
        as_text(reading.cuff),
        as_text(reading.device),
        reading.voided,
    )


def joined(names: list[str] | None) -> str | None:
    """Names as one word."""
    return None if names is None else BETWEEN_NAMES.join(names)


def as_text(struct: Any) -> str | None:
    """A part of the set that many sets share, as JSON."""
    return None if struct is None else msgspec.json.encode(struct).decode()


def split_names(text: str | None) -> list[str] | None:
    """The names of one word again."""
    return None if text is None else text.split(BETWEEN_NAMES)


def rows_of(batch: pa.RecordBatch, places: Iterable[int]) -> Iterator[dict[str, Any]]:
    """Rows at some places, as plain values."""
    yield from batch.take(pa.array(list(places), type=pa.int64())).to_pylist()
