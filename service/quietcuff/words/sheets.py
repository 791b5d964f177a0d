"""The record sheet in a language. Names, places and reasons that people typed stay as they typed them."""

from __future__ import annotations

from typing import get_args

from msgspec.structs import replace

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.fields import PopulationGroup
from quietcuff.core.model.readings import Context, Facts, ReadingSet
from quietcuff.core.record.sheet import COLUMNS, Sheet, make_sheet
from quietcuff.core.record.sheet_sections import SheetSection, Stored
from quietcuff.core.record.sitting_version import CUFF_SIZES
from quietcuff.core.rulebook.rulebook import Wording
from quietcuff.words.answers import speak_evaluation
from quietcuff.words.numbers import days_in, set_type
from quietcuff.words.speaker import Speaker

# Lines and columns that hold codes; every other line holds what people typed, or has been said already.
CODED = (*Context.__struct_fields__, *Facts.__struct_fields__, "setting", "state", "ask", "next-step", "then", "confirm-by")
EQUIPMENT = ("device", "cuff")
KNOWN_OF_EQUIPMENT = (
    *("automatic", "semi-automatic", "auscultatory", "cuffless", "upper-arm", "wrist", "finger"),
    *get_args(PopulationGroup),
)
ANSWERS = ("yes", "no", "not recorded")
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
    words = speaker.language.sheet
    lines = []
    for label, text in section.lines:
        if label == words["gathered"]:
            said = _gathered(speaker, text)
        elif label in [words[name] for name in EQUIPMENT]:
            said = ", ".join(_piece(speaker, piece) for piece in text.split(", "))
        elif label == words["safety"]:
            said = _before(speaker, text, ": ")
        else:
            said = _before(speaker, text, ". ") if label in coded else text
        lines.append((set_type(speaker.about, label), days_in(speaker.about, said)))
    return replace(section, lines=lines)


def _piece(speaker: Speaker, piece: str) -> str:
    """A piece of a device or a cuff: a code, an answer behind its label, or a name as it was typed."""
    label, mark, answer = piece.rpartition(": ")
    if answer in ANSWERS:
        return f"{label}{mark}{speaker.phrase(answer)}"
    if label in ("", speaker.language.sheet["validated-for"]):
        code = answer.replace(" ", "-")
        if code in CUFF_SIZES:
            return speaker.phrase(answer.replace("-", " "))
        return f"{label}{mark}{speaker.value(code)}" if code in KNOWN_OF_EQUIPMENT else piece
    return piece


def _before(speaker: Speaker, text: str, mark: str) -> str:
    """A line whose beginning is of codes, such as an action before its sentence."""
    first, found, rest = text.partition(mark)
    return f"{speaker.phrase(first)}{found}{rest}"


def _gathered(speaker: Speaker, text: str) -> str:
    """The labels of what was not recorded, as they stand in a list of the language."""
    listed = {label[:1].lower() + label[1:]: speaker.listed(name) for name, label in speaker.language.sheet.items()}
    return ", ".join(listed.get(part, part) for part in text.split(", "))


def _row(speaker: Speaker, row: tuple[str, ...], places: list[int]) -> tuple[str, ...]:
    return tuple(speaker.phrase(cell) if place in places else cell for place, cell in enumerate(row))
