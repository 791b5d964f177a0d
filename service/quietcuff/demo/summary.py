"""The morning in one table: the readings that counted, the reasons of the others, result, label and next step."""

from __future__ import annotations

import msgspec
from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from quietcuff.core.model.evaluation import Evaluation, ReadingOutcome
from quietcuff.core.model.readings import Reading
from quietcuff.demo.gateway import SittingSeen
from quietcuff.demo.narrative import MARGIN, arm, end_in_words, english, in_words, safety_in_words, tell_heading
from quietcuff.demo.play import wall
from quietcuff.demo.scenario import DemoVisit
from quietcuff.report.telling import pressures
from quietcuff.words.sure import short_of

WIDE = 110
WHO_WIDTH = 19
READINGS_WIDTH = 35
RESULT_WIDTH = 34
CONFIRMING = ("repeat-another-day", "measure-out-of-office")


class VisitOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """The outcome of one visit."""

    visit: DemoVisit
    envelope: SittingSeen


def show_summary(console: Console, outcomes: list[VisitOutcome]) -> None:
    """Print the table, with two columns on a narrow terminal and four on a wide one."""
    tell_heading(console, "The morning in one table")
    table = Table(
        box=box.HORIZONTALS, show_lines=True, expand=True, border_style="dim", header_style="bold", padding=(0, 1, 0, 0)
    )
    wide = console.width >= WIDE
    if wide:
        table.add_column("Who (invented)", width=WHO_WIDTH)
        table.add_column("Readings", width=READINGS_WIDTH)
        table.add_column("Result and labels", width=RESULT_WIDTH)
        table.add_column("Next step", ratio=1)
    else:
        table.add_column("Who (invented) and readings", width=READINGS_WIDTH)
        table.add_column("Result, labels and next step", ratio=1)
    for outcome in outcomes:
        table.add_row(*cells(outcome, wide))
    console.print(table)
    console.print(Padding(Text(counts_in_words(outcomes)), (0, MARGIN), expand=False))


def cells(outcome: VisitOutcome, wide: bool) -> list[RenderableType]:
    """The row of one visit."""
    visit, evaluation = outcome.visit, outcome.envelope.evaluation
    who = [Text(visit.who, "bold"), Text(f"{visit.age}, {visit.visit}, {wall(visit):%H:%M}", "dim")]
    readings = reading_lines(outcome.envelope)
    result, step = result_lines(evaluation), step_lines(evaluation)
    if wide:
        return [Group(*who), readings, Group(*result), Group(*step)]
    return [Group(*who, readings), Group(*result, *step)]


def reading_lines(envelope: SittingSeen) -> Table:
    """Each reading with its arm and value, and whether it counts or why not. A severe reading is never dimmed."""
    lines = Table.grid(padding=(0, 1, 0, 0))
    lines.add_column(min_width=5)
    lines.add_column(min_width=7)
    severe = envelope.evaluation.safety.readings
    for reading, outcome in zip(envelope.reading_set.readings, envelope.evaluation.readings, strict=True):
        style = "green" if outcome.counts else "dim"
        value_style = "bold red" if outcome.index in severe else f"{style} bold" if outcome.counts else style
        said = verdict(reading, outcome)
        lines.add_row(Text(arm(reading.site), style), Text(pressures(reading), value_style), Text(said, style))
    return lines


def verdict(reading: Reading, outcome: ReadingOutcome) -> str:
    """The reason why a reading does not count, or that it does; with "by ear" for an auscultatory one."""
    said = "counts" if outcome.reason is None else english().reason(outcome.reason)
    return f"{said}, by ear" if reading.method == "auscultatory" else said


def result_lines(evaluation: Evaluation) -> list[RenderableType]:
    """The result, each guideline's label with how sure it is, the reasons why it is provisional, and the safety message."""
    lines: list[RenderableType] = [end_in_words(evaluation)]
    sure = {each.guideline: short_of(english(), each) for each in evaluation.certainty}
    for category in evaluation.categories:
        if category.label is not None:
            name = english().names.guideline[category.guideline]
            lines.append(Text.assemble(category.label, (f"  {name}", "dim")))
            if category.guideline in sure:
                lines.append(Text(f"  how sure: {sure[category.guideline]}", "italic"))
    because = sorted({code for category in evaluation.categories for code in category.provisional_because})
    if because and evaluation.result is not None:
        lines.append(Text(f"provisional: {', '.join(map(english().reason, because))}", "yellow"))
    if evaluation.safety.level != "none":
        lines.append(safety_in_words(evaluation.safety))
    return lines


def step_lines(evaluation: Evaluation) -> list[RenderableType]:
    """The next step and its reason, and the date by which the result is to be confirmed."""
    step, confirm = evaluation.next_step, evaluation.confirm_by
    if step.action == "none":
        return [Text.assemble(("→ ", "cyan"), step.reason)]
    where = f", {arm(step.site)} arm" if step.site else ""
    lines: list[RenderableType] = [Text.assemble(("→ ", "cyan"), (f"{in_words(step.action)}{where}", "bold"))]
    # A step that confirms the result is explained by the line with its date.
    if confirm is None or step.action not in CONFIRMING:
        lines.append(Text(step.reason, "dim"))
    if confirm is not None:
        lines.append(Text(f"confirm by {confirm.date}, {in_words(confirm.way)}", "dim"))
    return lines


def counts_in_words(outcomes: list[VisitOutcome]) -> str:
    """The number of visits, readings and results, and a remark about labels."""
    evaluations = [entry.envelope.evaluation for entry in outcomes]
    readings = sum(len(evaluation.readings) for evaluation in evaluations)
    counted = sum(len(evaluation.counted) for evaluation in evaluations)
    results = sum(evaluation.result is not None for evaluation in evaluations)
    return (
        f"{len(outcomes)} visits, {readings} readings, {counted} counted, {results} results. "
        "Every reading is kept. A label names its guideline."
    )


def show_cautions(console: Console, outcomes: list[VisitOutcome]) -> None:
    """Print the cautions of the morning's answers, each once."""
    tell_heading(console, "Cautions, as they came with the answers")
    for text in dict.fromkeys(text for entry in outcomes for text in entry.envelope.evaluation.cautions):
        console.print(Padding(Text(text), (0, MARGIN), expand=False))
