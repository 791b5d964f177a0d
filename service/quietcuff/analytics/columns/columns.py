"""A batch as numpy arrays: a number a set or a reading in place of words."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Self

import numpy as np
import pyarrow as pa

from quietcuff.analytics.columns import codes
from quietcuff.analytics.columns.batch import ANSWERS, SCHEMA, split_names
from quietcuff.analytics.columns.codes import NOTHING, Array, coded, worded
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.core.sitting.attempts import EXCLUDING_FLAGS


@dataclass(frozen=True, slots=True)
class ColumnsOfRows:
    """Arrays of the same length, one a field."""

    def take(self, places: Array) -> Self:
        """The rows at some places, in the shape of these."""
        return type(self)(*(getattr(self, field.name)[places] for field in fields(self)))


@dataclass(frozen=True, slots=True)
class SetColumns(ColumnsOfRows):
    """One number a set. ``first`` and ``counts`` say where its readings are; days are since 1970, NaT where not known."""

    first: Array
    counts: Array
    setting: Array
    unattended: Array
    visit: Array
    protocol: Array
    guidelines: Array
    closed: Array
    named_twice: Array
    born_from: Array
    born_to: Array
    male: Array
    pregnancy: Array
    delivered_on: Array
    treated: Array
    irregular_known: Array
    arm_cm: Array
    left_closed: Array
    right_closed: Array
    rest_minutes: Array
    palpated: Array
    ordinary_care: Array
    lacks_answers: Array
    device: Array
    cuff: Array
    average_readings: Array
    average_first_dropped: Array
    has_history: Array
    earlier_sittings: Array
    earlier_irregular: Array
    received_at: Array
    closed_by_timeout: Array
    registered: Array
    facts_differ: Array
    default_guidelines: Array
    has_sleep: Array


@dataclass(frozen=True, slots=True)
class ReadingColumns(ColumnsOfRows):
    """One number a reading. Pressures are whole hundredths of mmHg, 0 where there is none; ``day`` is the local one."""

    index: Array
    taken_at: Array
    day: Array
    systolic: Array
    diastolic: Array
    has_systolic: Array
    has_diastolic: Array
    pulse: Array
    site: Array
    position: Array
    method: Array
    irregular: Array
    excluding: Array
    pulse_high: Array
    pulse_low: Array
    cuff: Array
    device: Array
    voided: Array


@dataclass(frozen=True, slots=True)
class BatchColumns:
    """A whole batch. ``devices``, ``cuffs``, ``names`` and ``protocols`` are the distinct ones that the numbers point to."""

    facts: SetColumns
    measured: ReadingColumns
    answers: dict[str, Array]
    pairs: Array
    pair_days: Array
    pair_differences: Array
    notes: Array
    note_places: Array
    note_codes: Array
    note_words: list[str]
    devices: list[str]
    cuffs: list[str]
    names: list[list[str]]
    default_names: list[list[str]]
    protocols: list[str]


def read_columns(batch: pa.RecordBatch) -> BatchColumns:
    """The arrays of a batch.

    Raises:
        NotAcceptable: a column is missing or of another type.
    """
    check_schema(batch)
    readings = batch["readings"]
    flat = readings.flatten()
    devices, set_device, reading_device = shared_words(batch["device"], child(flat, "device"))
    cuffs, set_cuff, reading_cuff = shared_words(batch["cuff"], child(flat, "cuff"))
    names, guidelines = worded(batch["guidelines"])
    default_names, default_guidelines = worded(batch["default_guidelines"])
    protocols, protocol = worded(batch["protocol"])
    pairs, notes = batch["earlier_pairs"], batch["notes"]
    pair, note = pairs.flatten(), notes.flatten()
    note_words, note_codes = worded(child(note, "code"))
    lists = {"guidelines": guidelines, "default_guidelines": default_guidelines, "protocol": protocol}
    answers = {name: coded(batch[name], ANSWER_WORDS[name]) for name in ANSWERS}
    answers_told = {**lists, "device": set_device, "cuff": set_cuff}
    return BatchColumns(
        facts=read_facts(batch, answers, answers_told),
        measured=read_measured(flat, reading_device, reading_cuff),
        answers=answers,
        pairs=bounds(pairs),
        pair_days=days(child(pair, "day")).astype(np.int64),
        pair_differences=np.stack(
            [numbers(child(pair, f"{pressure}_difference_mmhg")) for pressure in ("systolic", "diastolic")]
        ),
        notes=bounds(notes),
        note_places=child(note, "reading").to_numpy(zero_copy_only=False),
        note_codes=note_codes,
        note_words=note_words,
        devices=devices,
        cuffs=cuffs,
        names=[split_names(text) or [] for text in names],
        default_names=[split_names(text) or [] for text in default_names],
        protocols=protocols,
    )


def check_schema(batch: pa.RecordBatch) -> None:
    """Refuse a batch that is not as the schema says, with every column at fault."""
    faults = []
    for field in SCHEMA:
        place = batch.schema.get_field_index(field.name)
        if place < 0 or not batch.schema.field(place).type.equals(field.type):
            faults.append(Fault(pointer=f"/{field.name}", code="wrong-type", detail=f"A column of type {field.type}."))
    if faults:
        raise NotAcceptable(faults)


def words_of_answers() -> dict[str, tuple[str, ...]]:
    """For each question of the context, the words that it may be answered with."""
    from typing import get_args, get_type_hints

    from quietcuff.core.model.readings import Context

    hints = get_type_hints(Context)
    return {name: get_args(hints[name]) for name in ANSWERS}


ANSWER_WORDS = words_of_answers()


def read_facts(batch: pa.RecordBatch, answers: dict[str, Array], told: dict[str, Array]) -> SetColumns:
    """The columns of one number a set."""
    bound = bounds(batch["readings"])
    is_yes = {name: coded(batch[name], ("yes",)) == 0 for name in ("known_hypertension", "antihypertensive_treatment")}
    asked = [name for name in ANSWERS if name not in ("auscultation_possible", "care")]
    rested = numbers(batch["rest_minutes"])
    lacks = np.isnan(rested)
    for name in asked:
        lacks |= answers[name] == ANSWER_WORDS[name].index("not-recorded")
    return SetColumns(
        first=bound[:-1],
        counts=np.diff(bound),
        setting=coded(batch["setting"], codes.SETTINGS),
        unattended=coded(batch["attendance"], ("unattended",)) == 0,
        visit=coded(batch["visit"], codes.VISITS),
        protocol=told["protocol"],
        guidelines=told["guidelines"],
        closed=truths(batch["closed"]),
        named_twice=truths(batch["names_a_reading_twice"]),
        born_from=days(batch["born_from"]),
        born_to=days(batch["born_to"]),
        male=coded(batch["sex"], ("male",)) == 0,
        pregnancy=coded(batch["pregnancy"], ("no", "pregnant", "postpartum", "not-recorded")),
        delivered_on=days(batch["delivered_on"]),
        treated=is_yes["known_hypertension"] | is_yes["antihypertensive_treatment"],
        irregular_known=coded(batch["known_irregular_rhythm"], ("yes",)) == 0,
        arm_cm=numbers(batch["arm_circumference_cm"]),
        left_closed=closing(batch["left_arm_closed"]),
        right_closed=closing(batch["right_arm_closed"]),
        rest_minutes=rested,
        palpated=answers["pulse_palpated"],
        ordinary_care=answers["care"] == ANSWER_WORDS["care"].index("ordinary"),
        lacks_answers=lacks,
        device=told["device"],
        cuff=told["cuff"],
        average_readings=batch["average_readings"].fill_null(0).to_numpy(zero_copy_only=False),
        average_first_dropped=truths(batch["average_first_dropped"]),
        has_history=truths(batch["has_history"]),
        earlier_sittings=batch["earlier_sittings"].to_numpy(zero_copy_only=False),
        earlier_irregular=batch["earlier_irregular"].to_numpy(zero_copy_only=False),
        received_at=moments(batch["received_at"]),
        closed_by_timeout=truths(batch["closed_by_timeout"]),
        registered=coded(batch["device_registered"], codes.YES_NO),
        facts_differ=truths(batch["facts_differ"]),
        default_guidelines=told["default_guidelines"],
        has_sleep=batch["sleep"].is_valid().to_numpy(zero_copy_only=False),
    )


def read_measured(flat: pa.StructArray, device: Array, cuff: Array) -> ReadingColumns:
    """The columns of one number a reading."""
    taken_at = moments(child(flat, "taken_at"))
    offset = child(flat, "offset_seconds").to_numpy(zero_copy_only=False).astype(np.int64)
    systolic, diastolic = numbers(child(flat, "systolic_mmhg")), numbers(child(flat, "diastolic_mmhg"))
    words, flags = worded(child(flat, "flags"))
    sets = [set(split_names(word) or []) for word in words] + [set()]
    return ReadingColumns(
        index=child(flat, "index").to_numpy(zero_copy_only=False),
        taken_at=taken_at,
        day=(taken_at + 1_000_000 * offset) // 86_400_000_000,
        systolic=hundredths(systolic),
        diastolic=hundredths(diastolic),
        has_systolic=~np.isnan(systolic),
        has_diastolic=~np.isnan(diastolic),
        pulse=numbers(child(flat, "pulse_per_min")),
        site=coded(child(flat, "site"), codes.SITES),
        position=coded(child(flat, "position"), codes.POSITIONS),
        method=coded(child(flat, "method"), codes.METHODS),
        irregular=(coded(child(flat, "rhythm"), ("irregular",)) == 0) | holds(sets, "irregular-pulse")[flags],
        excluding=np.array([not EXCLUDING_FLAGS.isdisjoint(flagged) for flagged in sets])[flags],
        pulse_high=holds(sets, "pulse-too-high")[flags],
        pulse_low=holds(sets, "pulse-too-low")[flags],
        cuff=cuff,
        device=device,
        voided=truths(child(flat, "voided")),
    )


def holds(sets: list[set[str]], flag: str) -> Array:
    """The sets of flags that hold one."""
    return np.array([flag in flagged for flagged in sets])


def child(array: pa.StructArray, name: str) -> Any:
    """A field of a struct."""
    return array.field(name)


def bounds(lists: pa.ListArray) -> Array:
    """The place where each list begins and where the last one ends, counted from the first value in use."""
    offsets = lists.offsets.to_numpy(zero_copy_only=False).astype(np.int64)
    return offsets - offsets[0]


def shared_words(one: pa.Array, other: pa.Array) -> tuple[list[str], Array, Array]:
    """The distinct words of two columns, and the place of each row's own in them."""
    words, places = worded(one)
    more, more_places = worded(other)
    known = {word: place for place, word in enumerate(words)}
    moved = np.array([known.setdefault(word, len(known)) for word in more] + [NOTHING], dtype=np.int64)
    return list(known), places.astype(np.int64), moved[more_places]


def truths(column: pa.Array) -> Array:
    """A yes or no a row; null is no."""
    return (column.fill_null(False) if column.null_count else column).to_numpy(zero_copy_only=False)


def numbers(column: pa.Array) -> Array:
    """A number a row; null is NaN."""
    return column.to_numpy(zero_copy_only=False).astype(np.float64)


def hundredths(mmhg: Array) -> Array:
    """Whole hundredths, as the core counts them; 0 where there is no number."""
    return np.rint(100 * np.nan_to_num(mmhg)).astype(np.int32)


def days(column: pa.Array) -> Array:
    """Days since 1970; NaT where not known."""
    return column.to_numpy(zero_copy_only=False).astype("datetime64[D]")


def moments(column: pa.Array) -> Array:
    """Microseconds since 1970; the lowest number where not known."""
    return column.cast(pa.int64()).fill_null(np.iinfo(np.int64).min).to_numpy(zero_copy_only=False)


def closing(column: pa.Array) -> Array:
    """The reason why an arm must not be used: 0 none, 1 refused, 2 any other reason."""
    words, places = worded(column)
    return np.array([1 if word == "refused" else 2 for word in words] + [0], dtype=np.int8)[places]
