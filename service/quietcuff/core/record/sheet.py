"""The record sheet: everything recorded of a sitting and its evaluation, in sections to be rendered.

It decides nothing. Readings are numbered as in the record line: by time, without those that were voided.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

import msgspec

from quietcuff.core.model.evaluation import Evaluation, ReadingOutcome
from quietcuff.core.model.readings import Reading, ReadingSet
from quietcuff.core.record.sheet_sections import (
    SheetSection,
    Stored,
    amendments,
    describe_cuff,
    differs,
    equipment_lines,
    in_words,
    moment,
    number,
    outcome_lines,
    person_lines,
    place_names,
    preparation_lines,
    record_lines,
    section,
    series_summary,
    sitting_lines,
)
from quietcuff.core.rulebook.rulebook import Wording
from quietcuff.core.sitting.attempts import in_order
from quietcuff.core.sitting.equipment import method_of

COLUMNS = ("place", "time", "pressure", "pulse", "site", "position", "method", "cuff", "rhythm", "remarks", "counts")
NO_VALUE = "–"


class Sheet(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Sections before and after a table of readings: one row each, in order of time. ``notices`` come before anything."""

    title: str
    notices: list[str]
    before: list[SheetSection]
    readings_heading: str
    summary: str
    columns: tuple[str, ...]
    readings: list[tuple[str, ...]]
    after: list[SheetSection]
    foot: list[str]
    language: str = "en"


def make_sheet(reading_set: ReadingSet, evaluation: Evaluation, wording: Wording, stored: Stored | None = None) -> Sheet:
    """The sheet of one sitting, with the store's facts where it is stored."""
    words, names = wording.sheet, place_names(reading_set)
    shown = "%Y-%m-%d %H:%M:%S" if differs(reading_set, "%Y-%m-%d") else "%H:%M:%S"
    # Across a change of the clock a time without its offset would be ambiguous.
    clock = None if differs(reading_set, "%z") else shown
    rows = [
        (names[index], clock_of(reading.taken_at, clock), *_row(wording, reading_set, reading, evaluation.readings[index]))
        for index, reading in in_order(reading_set.readings)
    ]
    return Sheet(
        title=words["title"],
        notices=_notices(words, reading_set, stored),
        before=[
            section(words, "sitting", sitting_lines(reading_set, evaluation)),
            section(words, "outcome", outcome_lines(wording, evaluation, names)),
        ],
        readings_heading=words["readings"],
        summary=series_summary(words, evaluation),
        columns=tuple(words[column] for column in COLUMNS),
        readings=rows,
        after=[
            section(words, "preparation", preparation_lines(reading_set)),
            section(words, "equipment", equipment_lines(words, reading_set, names)),
            section(words, "person-known", person_lines(reading_set)),
            section(words, "record", [*record_lines(words, evaluation, stored), *amendments(words, stored)]),
        ],
        foot=evaluation.cautions,
    )


def _notices(words: dict[str, str], reading_set: ReadingSet, stored: Stored | None) -> list[str]:
    """Notices to be read first: voided, still open, amended."""
    found = []
    if stored is not None and stored.status == "voided":
        found.append(words["is-voided"])
    if not (reading_set.closed if stored is None else stored.closed):
        found.append(words["is-open"])
    if stored is not None and stored.amended:
        found.append(words["is-amended"])
    return found


def _row(wording: Wording, reading_set: ReadingSet, reading: Reading, outcome: ReadingOutcome) -> tuple[str, ...]:
    words = wording.sheet
    failed = reading.systolic_mmhg is None or reading.diastolic_mmhg is None
    because = None if outcome.reason is None else wording.reason_in_words(outcome.reason)
    return (
        words["failed"] if failed else f"{number(reading.systolic_mmhg)}/{number(reading.diastolic_mmhg)}",
        NO_VALUE if reading.pulse_per_min is None else number(reading.pulse_per_min),
        in_words(reading.site),
        in_words(reading.position),
        in_words(method_of(reading, reading.device or reading_set.device)),
        describe_cuff(words, reading.cuff or reading_set.cuff, short=True) or words["not-recorded"],
        in_words(reading.rhythm),
        "; ".join(_remarks(words, reading)) or NO_VALUE,
        words["yes"] if because is None else f"{words['no']}: {because}",
    )


def _remarks(words: dict[str, str], reading: Reading) -> Iterable[str]:
    if reading.device_flags:
        yield f"{words['device-flags']}: {', '.join(map(in_words, reading.device_flags))}"
    if reading.mean_arterial_mmhg is not None:
        yield f"{words['mean-arterial']} {number(reading.mean_arterial_mmhg)}"
    if reading.stood_at is not None:
        yield f"{words['stood-at']} {reading.stood_at:%H:%M:%S}"


def clock_of(at: datetime, pattern: str | None) -> str:
    """The time on the wall by the pattern; with its day and offset where the offsets of the sitting differ."""
    return moment(at) if pattern is None else at.strftime(pattern)
