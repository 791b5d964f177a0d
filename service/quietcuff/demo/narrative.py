"""The morning shown as it goes: people's actions on the left, the service's next step on the right."""

from __future__ import annotations

from datetime import datetime
from functools import cache

from rich.console import Console
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from quietcuff.core.model.evaluation import Evaluation, FollowingStep, Safety, Step
from quietcuff.core.model.fields import Site
from quietcuff.demo.play import PlayedMoment, wall
from quietcuff.demo.scenario import Answered, Closed, Corrected, DemoVisit, Event, Morning, Retried, Taken
from quietcuff.report.telling import SAFETY_STYLE, sureness_in_words
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.languages import FALLBACK, load_languages
from quietcuff.words.speaker import Speaker

MARGIN = 2
TIME_WIDTH = 8
DONE_WIDTH = 14
PRESSING = ("confirm-now", "ask-symptoms", "same-day-review", "urgent-assessment")
HAPPENED = {Answered: "answered", Corrected: "corrected", Retried: "sent again", Closed: "closed"}


@cache
def english() -> Speaker:
    """The words in which the demonstration tells codes."""
    return load_languages(load_rulebook()).speaker(FALLBACK)


def tell_heading(console: Console, text: str) -> None:
    """Print a heading."""
    console.print()
    console.print(Rule(Text(text, "bold"), align="left", style="cyan"))


def tell_opening(console: Console, morning: Morning, noon: datetime) -> None:
    """Print what the demonstration is, before anything happens."""
    tell_heading(console, "Quietcuff: an invented clinic's morning")
    said = (
        f"{morning.clinic}, {noon:%A %d %B %Y}. The clinic, its people and every reading are invented. A real server runs "
        "for this demonstration alone, on a database that is removed at the end. Each reading is posted as it is taken; each "
        "answer says what to do next, and people do it or do not. This is not a medical device."
    )
    console.print(Padding(Text(said), (0, MARGIN), expand=False))


def tell_visit(console: Console, visit: DemoVisit) -> None:
    """Print the person who comes, and the reason for the visit."""
    kind = f"{visit.visit} visit" if visit.visit == "first" else visit.visit
    console.print()
    console.print(Text.assemble((f"{wall(visit):%H:%M}", "cyan"), "  ", (visit.who, "bold"), f", {visit.age}, {kind}"))
    console.print(Padding(Text(visit.story, "italic"), (0, MARGIN), expand=False))


def tell_moment(console: Console, moment: PlayedMoment) -> None:
    """Print one event and the service's answer to it."""
    line = Table.grid(padding=(0, 2, 0, 0), expand=True)
    line.add_column(width=TIME_WIDTH)
    line.add_column(width=DONE_WIDTH)
    line.add_column(ratio=1)
    at = f"{moment.event.at:%H:%M:%S}" if isinstance(moment.event, Taken) else ""
    line.add_row(Text(at, "dim"), done_in_words(moment.event), Text.assemble(("→ ", "cyan"), answer_in_words(moment)))
    console.print(Padding(line, (0, MARGIN), expand=False))
    for remark in remarks(moment):
        console.print(Padding(remark, (0, MARGIN, 0, MARGIN + TIME_WIDTH + 2), expand=False))


def done_in_words(event: Event) -> Text:
    """The action of an event in words."""
    if isinstance(event, Taken):
        systolic, diastolic = event.pressures
        return Text.assemble(f"{event.arm:<5}  ", (f"{systolic}/{diastolic}", "bold"))
    return Text(HAPPENED[type(event)], "cyan")


def answer_in_words(moment: PlayedMoment) -> Text:
    """The service's answer in words: the result once the sitting is closed, else the next step."""
    evaluation = moment.answer.envelope.evaluation
    if not isinstance(moment.event, Closed):
        return step_in_words(evaluation.next_step)
    sure = sureness_in_words(english(), evaluation)
    return Text.assemble(end_in_words(evaluation), f"; label {sure}" if evaluation.certainty else "")


def end_in_words(evaluation: Evaluation) -> Text:
    """The result of a closed sitting in one line."""
    result = evaluation.result
    if result is None:
        return Text(f"no result: {', '.join(map(english().reason, evaluation.blocked_by))}", "yellow")
    value = f"{result.systolic_mmhg}/{result.diastolic_mmhg}"
    style = SAFETY_STYLE[evaluation.safety.level]
    return Text.assemble((value, style), f" mmHg, {arm(result.site)} arm, mean of {result.readings_counted}")


def step_in_words(step: Step) -> Text:
    """The next step, followed by the protocol's own step where safety comes first."""
    told = Text(one_step(step), "bold red" if step.action in PRESSING else "")
    return Text.assemble(told, f"; then {one_step(step.then)}") if step.then is not None else told


def one_step(step: FollowingStep) -> str:
    """A step in words: the action, the arm, the cuff, and the earliest and latest time."""
    parts = [in_words(step.action)]
    parts += [arm(step.site)] if step.site else []
    parts += [f"{in_words(step.cuff)} cuff"] if step.cuff else []
    if step.not_before and step.not_after:
        parts.append(f"{step.not_before:%H:%M:%S} to {step.not_after:%H:%M:%S}")
    elif step.not_before:
        parts.append(f"from {step.not_before:%H:%M:%S}")
    return ", ".join(parts)


def remarks(moment: PlayedMoment) -> list[Text]:
    """The remarks on an event: words of people, a wrong arm, safety, questions, and wrong answers."""
    evaluation, event = moment.answer.envelope.evaluation, moment.event
    told = []
    if isinstance(event, Answered):
        told.append(Text("; ".join(f"{in_words(field)}: {answer}" for field, answer in event.context.items())))
    if isinstance(event, Corrected):
        told.append(Text(event.reason, "italic"))
    if strays(moment):
        told.append(Text("Not the arm that was asked for.", "yellow"))
    if event.says is not None:
        told.append(Text(event.says, "italic"))
    # A repeated answer holds the same safety message, which was already shown.
    if moment.answer.replayed:
        told.append(Text("The same answer, told again. Nothing is stored twice.", "green"))
    else:
        told += safety_remarks(moment, evaluation)
    return told + [Text(f"NOT AS IT MUST BE: {mishap}", "bold red") for mishap in moment.mishaps]


def safety_remarks(moment: PlayedMoment, evaluation: Evaluation) -> list[Text]:
    """The safety message where it is new, and the questions to ask."""
    safety, asked = evaluation.safety, evaluation.next_step.ask
    told = []
    if safety.level != "none" and safety.level != moment.safety_before:
        told.append(safety_in_words(safety))
    if asked:
        told.append(Text(f"To ask: {', '.join(in_words(field) for field in asked)}?", "yellow"))
    return told


def strays(moment: PlayedMoment) -> bool:
    """True where a reading was taken in another arm than the step before asked for."""
    if not isinstance(moment.event, Taken) or moment.asked is None:
        return False
    # Where safety comes first, the arm stands in the step behind it.
    site = moment.asked.site or (moment.asked.then.site if moment.asked.then is not None else None)
    return site not in (None, f"{moment.event.arm}-upper-arm")


def safety_in_words(safety: Safety) -> Text:
    """The safety level and its message."""
    return Text(f"Safety, {in_words(safety.level)}: {safety.text}", SAFETY_STYLE[safety.level])


def arm(site: Site) -> str:
    """An upper arm by its side; any other site by its own name."""
    return in_words(site.removesuffix("-upper-arm"))


def in_words(code: str) -> str:
    """A code or field name with spaces for hyphens and underscores."""
    return code.replace("-", " ").replace("_", " ")
