"""Terminal report of an evaluation: counted readings with reasons, result, label and next step."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from rich import box
from rich.console import Console
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from quietcuff.core.model.errors import Fault
from quietcuff.core.model.evaluation import Category, Evaluation, ExpectedError, Finding, FollowingStep, Safety, Series
from quietcuff.core.model.readings import Reading, ReadingSet

SEVERITY_STYLE = {"info": "dim", "warning": "yellow", "blocks": "bold red"}
SAFETY_STYLE = {"none": "bold", "ask": "yellow", "confirm": "bold yellow", "same-day": "bold red", "urgent": "bold red"}


def show(console: Console, title: str, reading_set: ReadingSet, evaluation: Evaluation) -> None:
    """Print the whole evaluation of one sitting."""
    console.print(Rule(Text(title), align="left"))
    console.print(readings_table(reading_set, evaluation))
    told = Table.grid(padding=(0, 2))
    for label, text in _lines(reading_set, evaluation):
        told.add_row(Text(label, style="cyan"), text)
    console.print(told)


def show_faults(console: Console, title: str, faults: list[Fault]) -> None:
    """Print the faults that kept something from being evaluated."""
    table = Table(title=Text(title, style="bold red"), title_justify="left", box=box.SIMPLE_HEAD, show_edge=False)
    for heading in ("place", "fault", "accepted"):
        table.add_column(heading, overflow="fold")
    for fault in faults:
        place = fault.pointer if fault.pointer is not None else fault.parameter or fault.header
        table.add_row(Text(place or "whole text"), Text(fault.code), Text(fault.detail))
    console.print(table)


def _lines(reading_set: ReadingSet, evaluation: Evaluation) -> Iterator[tuple[str, Text]]:
    yield "State", _state(reading_set, evaluation)
    if evaluation.safety.text is not None:
        yield "Safety", Text(safety_in_words(evaluation.safety), SAFETY_STYLE[evaluation.safety.level])
    yield "Result", _result(evaluation)
    yield from _beyond_the_mean(evaluation)
    for category in evaluation.categories:
        yield "Label", _category(category)
    yield "Next", Text(step_in_words(evaluation.next_step), "bold")
    if evaluation.next_step.then is not None:
        yield "Then", Text(step_in_words(evaluation.next_step.then))
    if evaluation.preparation is not None:
        yield "Prepare", Text(" ".join(evaluation.preparation.prepare))
    if evaluation.confirm_by is not None:
        yield "Confirm", Text(f"{evaluation.confirm_by.way}, by {evaluation.confirm_by.date}")
    if evaluation.record_line is not None:
        yield "Record", Text(evaluation.record_line)
    for finding in evaluation.findings:
        yield "Finding", _finding(finding)
    yield "Caution", Text(" ".join(evaluation.cautions), "dim")


def _state(reading_set: ReadingSet, evaluation: Evaluation) -> Text:
    blocked = f" ({', '.join(evaluation.blocked_by)})" if evaluation.blocked_by else ""
    said = f"{reading_set.setting}, {evaluation.protocol.id}, visit {evaluation.chosen.visit}"
    return Text(f"{evaluation.state}{blocked}: {said}", "bold")


def readings_table(reading_set: ReadingSet, evaluation: Evaluation) -> Table:
    """Table of the readings, each with whether it counts and why not. A reading of concern for safety is never dimmed."""
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    for heading in ("#", "time", "site", "position", "mmHg", "pulse", "counts"):
        table.add_column(heading, justify="right" if heading in ("#", "mmHg", "pulse") else "left", overflow="fold")
    # A recording over several days needs the day at each reading; a sitting of minutes needs the seconds.
    days = {reading.taken_at.date() for reading in reading_set.readings}
    pressing = evaluation.safety.readings
    clock = "%H:%M:%S" if len(days) == 1 else "%m-%d %H:%M"
    for reading, outcome in zip(reading_set.readings, evaluation.readings, strict=True):
        pulse = "" if reading.pulse_per_min is None else f"{reading.pulse_per_min:g}"
        table.add_row(
            str(outcome.index + 1),
            f"{reading.taken_at:{clock}}",
            reading.site,
            reading.position,
            Text(pressures(reading), "not dim bold red" if outcome.index in pressing else ""),
            pulse,
            "yes" if outcome.counts else f"no: {outcome.reason}",
            style="" if outcome.counts else "dim",
        )
    return table


def pressures(reading: Reading) -> str:
    """A reading as it is spoken: ``142/88``, or ``failed``."""
    if reading.systolic_mmhg is None or reading.diastolic_mmhg is None:
        return "failed"
    # ``g`` leaves a whole pressure without decimals and keeps those that a device gave.
    return f"{reading.systolic_mmhg:g}/{reading.diastolic_mmhg:g}"


def _result(evaluation: Evaluation) -> Text:
    result = evaluation.result
    if result is None:
        return Text("none yet" if evaluation.state == "in-progress" else "none")
    counted = "1 reading" if result.readings_counted == 1 else f"mean of {result.readings_counted} readings"
    exact = f"exactly {result.systolic_mean_mmhg:g}/{result.diastolic_mean_mmhg:g}"
    text = f"{result.systolic_mmhg}/{result.diastolic_mmhg} mmHg, {result.site}, {counted}, {exact}"
    return Text(text, SAFETY_STYLE[evaluation.safety.level])


def safety_in_words(safety: Safety) -> str:
    """The safety text with its level; without a level, the text that only names something."""
    return safety.text or "" if safety.level == "none" else f"{safety.level}: {safety.text}"


def _beyond_the_mean(evaluation: Evaluation) -> Iterator[tuple[str, Text]]:
    """Parts of a series, falls on standing and a child's percentiles, if there are any."""
    if evaluation.series is not None:
        yield "Series", Text(_series(evaluation.series))
    if evaluation.orthostatic is not None:
        drops = [
            f"{each.systolic_mmhg:g}/{each.diastolic_mmhg:g} at {each.minutes:g} min" for each in evaluation.orthostatic.drops
        ]
        yield "Standing", Text(f"lower by {', '.join(drops)}" if drops else "no standing reading")
    if evaluation.percentile is not None:
        found = evaluation.percentile
        told = f"systolic {found.systolic:g}, diastolic {found.diastolic:g}, height z {found.height_z:.2f}"
        yield "Percentile", Text(f"{told} ({found.reference}, {found.height_reference})")


def _series(series: Series) -> str:
    named = ("morning", "evening", "day", "night", "hours_24")
    parts = [
        f"{name.replace('hours_24', '24 hours')} {mean.systolic_mmhg}/{mean.diastolic_mmhg} ({mean.readings})"
        for name in named
        if (mean := getattr(series, name)) is not None
    ]
    dip = [] if series.dipping is None else [f"dip {series.dipping_percent:g} % ({series.dipping})"]
    days = f"{series.n} readings on {series.days_used} days, {series.days_dropped} left out"
    return "; ".join([days, *parts, *dip])


def _category(category: Category) -> Text:
    if category.category is None:
        return Text(f"{category.guideline}: none")
    because = f"; provisional: {', '.join(category.provisional_because)}" if category.provisional else ""
    return Text(f"{category.guideline}: {category.label} ({category.basis}){because}")


def step_in_words(step: FollowingStep) -> str:
    """The next step in words: action, site, cuff, method, times, questions and reason."""
    where = [word for word in (step.site, step.cuff and f"cuff {step.cuff}", step.method) if word]
    when = [
        f"{word} {moment:%H:%M:%S}" if _is_today(moment, step) else f"{word} {moment:%Y-%m-%d %H:%M}"
        for word, moment in (("not before", step.not_before), ("not after", step.not_after))
        if moment is not None
    ]
    ask = [f"ask {', '.join(step.ask)}"] if step.ask else []
    return f"{', '.join([step.action, *where, *when, *ask])}. {step.reason}"


def _is_today(moment: datetime, step: FollowingStep) -> bool:
    """True if the clock time is enough: both times, if there are two, are on one day."""
    other = step.not_after if step.not_before is not None else step.not_before
    return other is None or other.date() == moment.date()


def _finding(finding: Finding) -> Text:
    about = "" if finding.reading is None else f"reading {finding.reading + 1}: "
    error = "" if finding.expected_error is None else f" {_expected(finding.expected_error)}"
    said = f"{about}{finding.message}{error} [{finding.code}; {', '.join(finding.source)}]"
    return Text(said, SEVERITY_STYLE[finding.severity])


def _expected(error: ExpectedError) -> str:
    sizes = [
        f"{name} by {_size(size)} mmHg"
        for name, size in (("systolic", error.systolic_mmhg), ("diastolic", error.diastolic_mmhg))
        if size is not None
    ]
    verb = {"raises": "Raises", "lowers": "Lowers", "either": "Moves"}[error.direction]
    return f"{verb} {' and '.join(sizes)}." if sizes else f"{verb} the pressure."


def _size(size: tuple[float, float]) -> str:
    low, high = size
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"
