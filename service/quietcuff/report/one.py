"""One sitting in full: the result large, how sure, what to do now, each reading with its reason, and what was not asked."""

from __future__ import annotations

from collections.abc import Iterator

from rich import box
from rich.console import Console
from rich.panel import Panel
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from quietcuff.core.model.evaluation import Category, Evaluation, Finding, Series
from quietcuff.core.model.readings import ReadingSet
from quietcuff.report.telling import (
    SAFETY_STYLE,
    SEVERITY_STYLE,
    error_in_words,
    faults_with_sizes,
    pressures,
    result_in_words,
    step_in_words,
    when,
    who,
)
from quietcuff.words.numbers import day_in, number_in
from quietcuff.words.person import for_the_person
from quietcuff.words.said import question_of, reading_in_words
from quietcuff.words.speaker import Speaker
from quietcuff.words.sure import how_sure

COLUMNS = ("place", "time", "site", "position", "pressure", "pulse", "counts")
ON_THE_RIGHT = ("place", "pressure", "pulse")
Line = tuple[str, Text]


def show(console: Console, speaker: Speaker, reading_set: ReadingSet, evaluation: Evaluation, line: int | None = None) -> None:
    """Print everything about one sitting."""
    console.print(Rule(Text(_title(speaker, reading_set, line)), align="left"))
    safety = evaluation.safety
    if safety.text is not None:
        console.print(Panel(Text(speaker.sentence(safety.text)), style=SAFETY_STYLE[safety.level], box=box.HEAVY))
    console.print(_result(speaker, evaluation))
    _show_lines(console, [*_outcome(speaker, evaluation), *_steps(speaker, evaluation)])
    if reading_set.readings:
        console.print()
        console.print(readings_table(speaker, reading_set, evaluation))
        console.print()
    _show_lines(console, [*_noticed(speaker, evaluation), *_for_keeping(speaker, reading_set, evaluation)])


def _show_lines(console: Console, lines: list[Line]) -> None:
    """Print named lines; a name that stands again is not said again."""
    told, before = Table.grid(padding=(0, 2, 0, 0)), ""
    told.add_column(max_width=26)
    told.add_column(overflow="fold")
    for name, text in lines:
        told.add_row(Text("" if name == before else name, style="cyan"), text)
        before = name
    console.print(told)


def _title(speaker: Speaker, reading_set: ReadingSet, line: int | None) -> str:
    words = speaker.language.report
    said = [who(reading_set), when(speaker, reading_set), speaker.value(reading_set.setting)]
    said += [words["line"].format(number=line)] if line is not None else []
    return f"{words['sitting']}: {', '.join(part for part in said if part)}"


def _result(speaker: Speaker, evaluation: Evaluation) -> Panel:
    """The result, larger than anything else that a terminal can show."""
    words, result = speaker.language.report, evaluation.result
    told = Text(result_in_words(speaker, evaluation), SAFETY_STYLE[evaluation.safety.level])
    if result is not None:
        count = result.readings_counted
        mean = words["one-reading"] if count == 1 else words["mean-of"].format(count=count)
        told.append(f"   {speaker.value(result.site)}, {mean}", "not bold")
    elif evaluation.blocked_by:
        told.append(f": {', '.join(map(speaker.reason, evaluation.blocked_by))}", "not bold")
    return Panel(told, box=box.ROUNDED, padding=(0, 2), expand=False, style=SAFETY_STYLE[evaluation.safety.level])


def _outcome(speaker: Speaker, evaluation: Evaluation) -> Iterator[Line]:
    words = speaker.language.report
    for category in evaluation.categories:
        yield words["label"], _category(speaker, category)
    several = len(evaluation.certainty) > 1
    for sure in how_sure(speaker, evaluation):
        about = f"{sure.guideline_name}: " if several else ""
        yield words["how-sure"], Text.assemble(f"{about}{sure.short[:1].upper()}{sure.short[1:]}. ", (sure.sentence, "dim"))
    yield from _beyond_the_mean(speaker, evaluation)


def _category(speaker: Speaker, category: Category) -> Text:
    name = speaker.names.guideline[category.guideline]
    if category.label is None:
        return Text(f"{name}: {speaker.language.sheet['no-label']}")
    basis = "" if category.basis is None else f" ({speaker.phrase(category.basis)})"
    told = Text.assemble(f"{name}: ", (speaker.phrase(category.label), "bold"), basis)
    if category.provisional:
        because = ", ".join(map(speaker.reason, category.provisional_because))
        told.append(f"; {speaker.language.sheet['provisional']}: {because}", "yellow")
    return told


def _steps(speaker: Speaker, evaluation: Evaluation) -> Iterator[Line]:
    words, step = speaker.language.report, evaluation.next_step
    yield words["now"], Text(step_in_words(speaker, step), "bold")
    for field in dict.fromkeys([*evaluation.safety.ask, *step.ask]):
        yield words["ask"], Text(question_of(speaker, field), "bold")
    if step.then is not None:
        yield words["then"], Text(step_in_words(speaker, step.then))
    if evaluation.preparation is not None:
        yield words["prepare"], Text(" ".join(map(speaker.sentence, evaluation.preparation.prepare)))
    if evaluation.confirm_by is not None:
        day = day_in(speaker.about, evaluation.confirm_by.date)
        said = words[f"confirm-{evaluation.confirm_by.way}"].format(day=day)
        yield words["then"], Text(said[:1].upper() + said[1:] + ".")


def readings_table(speaker: Speaker, reading_set: ReadingSet, evaluation: Evaluation) -> Table:
    """Table of the readings, each with whether it counts and why not. A reading of concern for safety is never dimmed."""
    words = speaker.language.sheet
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    for name in COLUMNS:
        heading = speaker.language.report["counts"] if name == "counts" else words[name]
        table.add_column(Text(heading), justify="right" if name in ON_THE_RIGHT else "left", overflow="fold")
    # A recording over several days needs the day at each reading; a sitting of minutes needs the seconds.
    days = {reading.taken_at.date() for reading in reading_set.readings}
    clock = "%H:%M:%S" if len(days) == 1 else "%m-%d %H:%M"
    for reading, outcome in zip(reading_set.readings, evaluation.readings, strict=True):
        pressing = outcome.index in evaluation.safety.readings
        said = pressures(reading)
        table.add_row(
            str(outcome.index + 1),
            f"{reading.taken_at:{clock}}",
            speaker.value(reading.site),
            speaker.value(reading.position),
            Text(
                words["failed"] if said == "failed" else number_in(speaker.about, said), "not dim bold red" if pressing else ""
            ),
            "" if reading.pulse_per_min is None else number_in(speaker.about, f"{reading.pulse_per_min:g}"),
            reading_in_words(speaker, outcome),
            style="" if outcome.counts else "dim",
        )
    return table


def _noticed(speaker: Speaker, evaluation: Evaluation) -> Iterator[Line]:
    words, sized = speaker.language.report, faults_with_sizes(evaluation)
    for finding in sized:
        said = f"{speaker.short(finding.code)}: {error_in_words(speaker, finding.expected_error)}"
        yield words["may-be-off"], Text(said[:1].upper() + said[1:], SEVERITY_STYLE[finding.severity])
    missing = [each for each in evaluation.findings if each.code == "context-not-recorded"]
    for finding in missing:
        yield words["not-asked"], Text(_list_in(speaker, finding))
    told = {finding.code for finding in [*sized, *missing]}
    messages: dict[str, tuple[Finding, list[str]]] = {}
    for finding in evaluation.findings:
        if finding.code not in told:
            message = speaker.finding(finding.code, finding.message)
            messages.setdefault(message, (finding, []))[1].extend([] if finding.reading is None else [str(finding.reading + 1)])
    for message, (finding, places) in messages.items():
        name = speaker.language.sheet["reading" if len(places) == 1 else "of-readings"]
        about = f"{name} {', '.join(places)}: " if places else ""
        yield words["noticed"], Text(f"{about}{message}", SEVERITY_STYLE[finding.severity])


def _list_in(speaker: Speaker, finding: Finding) -> str:
    said = speaker.finding(finding.code, finding.message).rpartition(": ")[2].removesuffix(".")
    return said[:1].upper() + said[1:] + "."


def _for_keeping(speaker: Speaker, reading_set: ReadingSet, evaluation: Evaluation) -> Iterator[Line]:
    words = speaker.language.report
    for certainty in evaluation.certainty:
        name = speaker.names.guideline[certainty.guideline]
        yield words["certainty"], Text(f"{name}: {speaker.certainty(certainty.statement)}", "dim")
    if evaluation.record_line is not None:
        yield words["record"], Text(speaker.record_line(evaluation.record_line))
    yield words["for-the-person"], Text(for_the_person(speaker, reading_set, evaluation), "italic")
    yield words["cautions"], Text(" ".join(map(speaker.sentence, evaluation.cautions)), "dim")


def _beyond_the_mean(speaker: Speaker, evaluation: Evaluation) -> Iterator[Line]:
    """Parts of a series, falls on standing and a child's percentiles, if there are any."""
    words, about = speaker.language.report, speaker.about
    if evaluation.series is not None:
        yield words["series"], Text(_series(speaker, evaluation.series))
    if evaluation.orthostatic is not None:
        falls = [
            f"{each.systolic_mmhg:g}/{each.diastolic_mmhg:g} at {each.minutes:g} min" for each in evaluation.orthostatic.drops
        ]
        told = speaker.phrase(f"lower by {', '.join(falls)}") if falls else speaker.reason("standing-missing")
        yield words["standing"], Text(told)
    if evaluation.percentile is not None:
        found = evaluation.percentile
        figures = f"{found.systolic:g} {words['systolic']}, {found.diastolic:g} {words['diastolic']}, z {found.height_z:.2f}"
        yield words["percentile"], Text(f"{number_in(about, figures)} ({found.reference}, {found.height_reference})")


def _series(speaker: Speaker, series: Series) -> str:
    words = speaker.language.sheet
    parts = [
        words["part-mean"].format(
            part=words[name], pressure=f"{mean.systolic_mmhg}/{mean.diastolic_mmhg}", readings=mean.readings
        )
        for name in ("morning", "evening", "day", "night", "hours_24")
        if (mean := getattr(series, name)) is not None
    ]
    if series.dipping is not None:
        percent = number_in(speaker.about, f"{series.dipping_percent:g}")
        parts.append(words["dipping"].format(percent=percent, dipping=speaker.value(series.dipping)))
    return "; ".join([speaker.phrase(f"{series.n} readings on {series.days_used} days"), *parts])
