"""Sittings and their readings as arrays, made from the tables ``sets`` and ``readings``."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

from quietcuff.analytics.quality.arrays import NOT_RECORDED, Array, counts_by

YES_NO = (
    "talking", "caffeine_within_30_min", "tobacco_within_30_min", "exercise_within_30_min", "full_bladder", "pain",
    "anxiety_or_stress", "back_supported", "feet_flat", "legs_crossed", "arm_supported", "cuff_fits_two_fingers", "quiet_room",
    "acute_symptoms", "device_validated", "accuracy_check_in_date", "both_arms_due", "arm_of_record_used",
    "first_reading_dropped", "irregular_rhythm", "irregular_rhythm_answered", "severe_reading", "severe_repeated_in_time",
    "settled", "too_close_to_call", "known_hypertension",
)  # fmt: skip
WORDS = (
    "observer", "location", "device", "protocol", "setting", "visit", "state", "category", "cuff_fit", "arms_measured",
    "arm_height", "sleeve", "settled_by", "care", "cuff", "age_band", "sex",
)  # fmt: skip
NUMBERS = (
    "systolic_mmhg", "diastolic_mmhg", "systolic_mean_mmhg", "diastolic_mean_mmhg", "rest_seconds", "arm_circumference_cm",
    "cuff_low_cm", "cuff_high_cm", "interval_asked_seconds", "readings", "counted",
)  # fmt: skip
DAYS = ("local_date", "confirm_by")
READING_NUMBERS = ("systolic_mmhg", "diastolic_mmhg", "seconds_since_previous")
SET_COLUMNS = ("set_id", "person_key", *DAYS, *WORDS, *YES_NO, *NUMBERS)
READING_COLUMNS = ("set_id", "place", *READING_NUMBERS, "method", "counts")
NO_DAY = np.iinfo(np.int32).min


class CodedWords(msgspec.Struct, frozen=True):
    """A column of words: the code of each row, −1 where nothing was recorded, and the word of each code."""

    codes: Array
    names: list[str]

    def code_of(self, name: str) -> int:
        """The code of a word; of one that is nowhere, a code that no row has."""
        return self.names.index(name) if name in self.names else len(self.names)

    def are(self, *names: str) -> Array:
        """The rows that have one of these words."""
        return np.asarray(np.isin(self.codes, [self.code_of(name) for name in names]))


class Readings(msgspec.Struct, frozen=True, kw_only=True):
    """Readings in the order of sitting and time. ``method`` is 1 by auscultation, 0 by oscillometry, −1 where not recorded."""

    sets: Array
    systolic: Array
    diastolic: Array
    seconds: Array
    method: Array
    counts: Array


class SittingColumns(msgspec.Struct, frozen=True, kw_only=True):
    """Sittings, one an entry, and their readings. ``newest`` says that the person has no later sitting at all."""

    person: Array
    day: Array
    confirm_by: Array
    newest: Array
    words: dict[str, CodedWords]
    answers: dict[str, Array]
    numbers: dict[str, Array]
    readings: Readings

    def __len__(self) -> int:
        return len(self.day)

    def chosen(self, mask: Array) -> SittingColumns:
        """Only the sittings of a mask, with their readings."""
        if mask.all():
            return self
        held = mask[self.readings.sets]
        renumbered = np.cumsum(mask) - 1
        kept = {name: getattr(self.readings, name)[held] for name in self.readings.__struct_fields__ if name != "sets"}
        return SittingColumns(
            person=self.person[mask],
            day=self.day[mask],
            confirm_by=self.confirm_by[mask],
            newest=self.newest[mask],
            words={name: CodedWords(column.codes[mask], column.names) for name, column in self.words.items()},
            answers={name: column[mask] for name, column in self.answers.items()},
            numbers={name: column[mask] for name, column in self.numbers.items()},
            readings=Readings(sets=renumbered[self.readings.sets[held]], **kept),
        )

    def is_yes(self, name: str) -> Array:
        """The sittings with a yes."""
        return np.asarray(self.answers[name] == 1)


def sittings_from_tables(sets: Any, readings: Any, *, until: Any = None) -> SittingColumns:
    """The arrays of two Arrow tables. A column that is missing was recorded nowhere. Sittings after ``until`` are left out.

    Readings of sittings that are not in ``sets`` are left out; their order in the table does not matter.
    """
    import pyarrow.compute as pc

    if until is not None:
        sets = sets.filter(pc.less_equal(sets["local_date"], until))
    n = len(sets)
    day = days_of(sets, "local_date", n)
    person = words_of(sets, "person_key", n).codes
    return SittingColumns(
        person=person,
        day=day,
        confirm_by=days_of(sets, "confirm_by", n),
        newest=newest_of(person, day),
        words={name: words_of(sets, name, n) for name in WORDS},
        answers={name: answers_of(sets, name, n) for name in YES_NO},
        numbers={name: numbers_of(sets, name, n) for name in NUMBERS},
        readings=readings_from_table(readings, sets["set_id"]),
    )


def column_of(table: Any, name: str) -> Any:
    """One column as a single Arrow array, None where the table has none of that name."""
    import pyarrow as pa

    if name not in table.column_names:
        return None
    column = table[name].combine_chunks()
    return pa.concat_arrays(column.chunks) if isinstance(column, pa.ChunkedArray) else column


def words_of(table: Any, name: str, n: int) -> CodedWords:
    """A text column as codes."""
    import pyarrow as pa

    column = column_of(table, name)
    if column is None or column.null_count == n:
        return CodedWords(np.full(n, -1, np.int32), [])
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    codes = column.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int32, copy=False)
    return CodedWords(codes, [str(word) for word in column.dictionary.to_pylist()] if len(column.dictionary) <= 100_000 else [])


def answers_of(table: Any, name: str, n: int) -> Array:
    """A column of yes and no as 1, 0 and −1."""
    column = column_of(table, name)
    if column is None:
        return np.full(n, NOT_RECORDED, np.int8)
    return np.asarray(column.cast("int8").fill_null(NOT_RECORDED).to_numpy(zero_copy_only=False))


def numbers_of(table: Any, name: str, n: int) -> Array:
    """A column of numbers, NaN where nothing was recorded."""
    column = column_of(table, name)
    if column is None:
        return np.full(n, np.nan)
    return np.asarray(column.cast("float64").to_numpy(zero_copy_only=False))


def days_of(table: Any, name: str, n: int) -> Array:
    """A column of days as days since 1970, a very small number where there is none."""
    column = column_of(table, name)
    if column is None:
        return np.full(n, NO_DAY, np.int32)
    return np.asarray(column.cast("date32").cast("int32").fill_null(NO_DAY).to_numpy(zero_copy_only=False))


def newest_of(person: Array, day: Array) -> Array:
    """The sittings on the newest day of their person."""
    if len(day) == 0:
        return np.zeros(0, bool)
    last = np.full(int(person.max(initial=0)) + 1, NO_DAY, np.int64)
    order = np.argsort(day, kind="stable")
    last[person[order]] = day[order]
    return np.asarray(day == last[person]) & (person >= 0)


def readings_from_table(table: Any, set_ids: Any) -> Readings:
    """The readings in the order of their sittings and of time."""
    import pyarrow as pa
    import pyarrow.compute as pc

    found = pc.index_in(column_of(table, "set_id"), value_set=pa.array(set_ids.combine_chunks()) if len(set_ids) else set_ids)
    places = found.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
    order = numbers_of(table, "place", len(table))
    key = places * 1024 + np.nan_to_num(order)
    ordered: Any = slice(None) if np.all(key[1:] >= key[:-1]) else np.argsort(key, kind="stable")
    sets = places[ordered]
    kept = sets >= 0
    columns = {name: numbers_of(table, name, len(table))[ordered][kept] for name in READING_NUMBERS}
    method = words_of(table, "method", len(table))
    by_ear = np.where(method.are("auscultatory"), 1, np.where(method.are("oscillometric"), 0, NOT_RECORDED))
    return Readings(
        sets=sets[kept],
        systolic=columns["systolic_mmhg"],
        diastolic=columns["diastolic_mmhg"],
        seconds=columns["seconds_since_previous"],
        method=by_ear[ordered][kept].astype(np.int8),
        counts=answers_of(table, "counts", len(table))[ordered][kept] == 1,
    )


def in_office(sittings: SittingColumns) -> Array:
    """The sittings that are not known to be from outside the office."""
    return np.asarray(~sittings.words["setting"].are("home", "ambulatory"))


def values_of(sittings: SittingColumns) -> tuple[Array, Array]:
    """The pressures of each sitting: its exact result, else the mean of its readings; NaN without any reading.

    So sittings that lost their result to a fault are judged by it too.
    """
    found = []
    readings = sittings.readings
    held = ~np.isnan(readings.systolic + readings.diastolic)
    sizes = counts_by(readings.sets[held], len(sittings))
    for pressure, measured in (("systolic", readings.systolic), ("diastolic", readings.diastolic)):
        exact = sittings.numbers[f"{pressure}_mean_mmhg"]
        exact = np.where(np.isnan(exact), sittings.numbers[f"{pressure}_mmhg"], exact)
        if np.isnan(exact).any():
            with np.errstate(invalid="ignore", divide="ignore"):
                raw = counts_by(readings.sets[held], len(sittings), measured[held]) / sizes
            exact = np.where(np.isnan(exact), raw, exact)
        found.append(exact)
    return found[0], found[1]
