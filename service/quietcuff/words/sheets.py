"""The record sheet in a language. Names, places and reasons that people typed stay as they typed them."""

from __future__ import annotations

from msgspec.structs import replace

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Context, Facts, ReadingSet
from quietcuff.core.record.sheet import COLUMNS, Sheet, make_sheet
from quietcuff.core.record.sheet_sections import SheetSection, Stored
from quietcuff.core.rulebook.rulebook import Wording
from quietcuff.words.answers import speak_evaluation
from quietcuff.words.numbers import days_in, set_type
from quietcuff.words.speaker import Speaker

# Lines and columns that hold codes; every other line holds what people typed, or has been said already.
CODED = (*Context.__struct_fields__, *Facts.__struct_fields__, "setting", "state", "ask", "status", "next-step", "then")
CODED_COLUMNS = ("site", "position", "method", "rhythm", "cuff")


def speak_sheet(speaker: Speaker, reading_set: ReadingSet, evaluation: Evaluation, stored: Stored | None = None) -> Sheet:
    """The sheet of one sitting in the language of the speaker."""
    sheet = make_sheet(reading_set, speak_evaluation(speaker, evaluation), wording_of(speaker), stored)
    coded = {speaker.language.sheet[name] for name in CODED if name in speaker.language.sheet}
    places = [place for place, name in enumerate(COLUMNS) if name in CODED_COLUMNS]
    return replace(
        sheet,
        before=[_section(speaker, each, coded) for each in sheet.before],
        readings=[_row(speaker, row, places) for row in sheet.readings],
        after=[_section(speaker, each, coded) for each in sheet.after],
        language=speaker.about.language,
    )


def wording_of(speaker: Speaker) -> Wording:
    """The words of the sheet and of reasons in the shape of the rules' own."""
    return replace(speaker.rulebook.wording, sheet=speaker.language.sheet, reason=speaker.language.reason)


def _section(speaker: Speaker, section: SheetSection, coded: set[str]) -> SheetSection:
    lines = [(label, _line(speaker, text) if label in coded else days_in(speaker.about, text)) for label, text in section.lines]
    return replace(section, lines=[(set_type(speaker.about, label), text) for label, text in lines])


def _line(speaker: Speaker, text: str) -> str:
    """A line of codes; one of a step begins with its action and ends with its sentence."""
    first, mark, rest = text.partition(". ")
    return f"{speaker.phrase(first)}{mark}{rest}"


def _row(speaker: Speaker, row: tuple[str, ...], places: list[int]) -> tuple[str, ...]:
    return tuple(speaker.phrase(cell) if place in places else cell for place, cell in enumerate(row))
