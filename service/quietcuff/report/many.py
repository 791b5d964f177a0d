"""Many sittings in one table: severe first, then by time; habits counted, cautions once."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime

import msgspec
from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.report.telling import (
    PRESSING,
    SAFETY_STYLE,
    began_at,
    began_in_words,
    faults_with_sizes,
    is_technique,
    label_in_words,
    main_fault,
    next_in_words,
    result_in_words,
    sureness_in_words,
    who,
)
from quietcuff.words.speaker import Speaker

MOST_HABITS = 8
# Wider, and the eye loses its line.
WIDEST = 160
# Columns narrower than these would break most words.
WIDTHS = {"who": 8, "when": 10, "result": 13, "how-sure": 14, "main-fault": 15, "next": 15}
SHARES = {"who": 3, "when": 1, "result": 4, "how-sure": 4, "main-fault": 6, "next": 5}
NEVER = datetime.max.replace(tzinfo=UTC)


class SittingLine(msgspec.Struct, frozen=True, kw_only=True):
    """What the table tells of one sitting, and what is counted over all."""

    cells: list[str]
    level: str
    began: datetime
    has_result: bool
    habits: list[str]
    cautions: list[str]


def row_of(speaker: Speaker, reading_set: ReadingSet, evaluation: Evaluation) -> SittingLine:
    """The row of one sitting; small enough that a large file can be told in one table."""
    result, label = result_in_words(speaker, evaluation), label_in_words(speaker, evaluation)
    sized = faults_with_sizes(evaluation)
    habits = dict.fromkeys([each.code for each in sized] + [each.code for each in evaluation.findings if is_technique(each)])
    return SittingLine(
        cells=[
            who(reading_set),
            began_in_words(speaker, reading_set),
            result if label is None else f"{result}\n{label}",
            sureness_in_words(speaker, evaluation),
            main_fault(speaker, evaluation),
            next_in_words(speaker, evaluation),
        ],
        level=evaluation.safety.level,
        began=began_at(reading_set) or NEVER,
        has_result=evaluation.result is not None,
        habits=list(habits),
        cautions=evaluation.cautions,
    )


def show_many(console: Console, speaker: Speaker, rows: list[SittingLine]) -> None:
    """Print the table of all sittings, then habits and cautions, each once."""
    words = speaker.language.report
    table = Table(box=box.SIMPLE_HEAD, padding=0, show_edge=False, header_style="bold")
    for name, width in widths_in(min(console.width, WIDEST)).items():
        table.add_column(Text(words[name]), width=width, overflow="fold")
    for row in sorted(rows, key=lambda each: (PRESSING.index(each.level), each.began)):
        style = SAFETY_STYLE[row.level].replace("bold", "").strip()
        table.add_row(*[_cell(name, cell, row) for name, cell in zip(WIDTHS, row.cells, strict=True)], style=style)
    console.print(table)
    severe = sum(row.level in ("urgent", "same-day", "confirm") for row in rows)
    results = sum(row.has_result for row in rows)
    console.print(
        Padding(Text(words["summary"].format(sittings=len(rows), results=results, severe=severe), "bold"), (1, 0, 0, 0))
    )
    _show_habits(console, speaker, rows)
    _show_cautions(console, speaker, dict.fromkeys(text for row in rows for text in row.cautions))
    console.print()
    console.print(Text(words["details-hint"], "dim"))


def widths_in(columns: int) -> dict[str, int]:
    """The width of each column in a terminal of so many columns: its least, and its share of what is left over."""
    spare = max(columns - sum(WIDTHS.values()) - len(WIDTHS) + 1, 0)
    return {name: least + spare * SHARES[name] // sum(SHARES.values()) for name, least in WIDTHS.items()}


def _cell(name: str, text: str, row: SittingLine) -> Text:
    """A cell; the pressure stands out, and its label stands below it."""
    if name != "result":
        return Text(text)
    pressure, mark, label = text.partition("\n")
    return Text.assemble((pressure, SAFETY_STYLE[row.level]), mark, label)


def _show_habits(console: Console, speaker: Speaker, rows: list[SittingLine]) -> None:
    counted = Counter(code for row in rows for code in row.habits).most_common(MOST_HABITS)
    if not counted:
        return
    words = speaker.language.report
    console.print()
    console.print(Rule(Text(words["habits"], "bold"), align="left", style="dim"))
    for code, count in counted:
        told = words["habit"].format(fault=speaker.short(code), count=count, sittings=len(rows))
        console.print(Text(f"  {told}"))


def _show_cautions(console: Console, speaker: Speaker, cautions: dict[str, None]) -> None:
    words = speaker.language.report
    console.print()
    console.print(Rule(Text(words["cautions"], "bold"), align="left", style="dim"))
    for text in cautions:
        console.print(Padding(Text(speaker.sentence(text)), (0, 0, 0, 2), expand=False))
