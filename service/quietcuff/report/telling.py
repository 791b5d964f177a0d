"""What both reports tell of a sitting: who and when, the result, how sure, the faults with their sizes, the next step."""

from __future__ import annotations

from datetime import datetime

from quietcuff.core.model.evaluation import Evaluation, ExpectedError, Finding, FollowingStep
from quietcuff.core.model.readings import Reading, ReadingSet
from quietcuff.words.numbers import clock_in, day_in, number_in, short_day_in
from quietcuff.words.speaker import Speaker
from quietcuff.words.sure import degree_of, short_of

SEVERITY_STYLE = {"info": "", "warning": "yellow", "blocks": "bold red"}
SAFETY_STYLE = {"none": "bold", "ask": "yellow", "confirm": "bold yellow", "same-day": "bold red", "urgent": "bold red"}
CONFIRMING = ("repeat-another-day", "measure-out-of-office", "repeat-when-settled")
PRESSING = ("urgent", "same-day", "confirm", "ask", "none")
# They are told under a heading of their own.
NOT_A_FAULT = ("context-not-recorded",)


def pressures(reading: Reading) -> str:
    """A reading as it is spoken: ``142/88``, or ``failed``."""
    if reading.systolic_mmhg is None or reading.diastolic_mmhg is None:
        return "failed"
    # ``g`` leaves a whole pressure without decimals and keeps those that a device gave.
    return f"{reading.systolic_mmhg:g}/{reading.diastolic_mmhg:g}"


def who(reading_set: ReadingSet) -> str:
    """The person as the caller names them."""
    return reading_set.subject.identifier.value


def when(speaker: Speaker, reading_set: ReadingSet) -> str:
    """The day and the time of the first reading, on the wall where it was taken; empty without readings."""
    began = began_at(reading_set)
    return "" if began is None else f"{day_in(speaker.about, began)}, {clock_in(began)}"


def began_in_words(speaker: Speaker, reading_set: ReadingSet) -> str:
    """The day and the time of the first reading for a table, one above the other."""
    began = began_at(reading_set)
    return "" if began is None else f"{short_day_in(speaker.about, began)}\n{clock_in(began)}"


def began_at(reading_set: ReadingSet) -> datetime | None:
    """The moment of the first reading."""
    return min((reading.taken_at for reading in reading_set.readings), default=None)


def result_in_words(speaker: Speaker, evaluation: Evaluation) -> str:
    """The result with its unit; else that there is none, or none yet."""
    result, words = evaluation.result, speaker.language.report
    if result is None:
        return words["not-finished"] if evaluation.state == "in-progress" else words["no-result"]
    return speaker.type_out(f"{number_in(speaker.about, f'{result.systolic_mmhg}/{result.diastolic_mmhg}')} mmHg")


def label_in_words(speaker: Speaker, evaluation: Evaluation) -> str | None:
    """The label of the first guideline that gives one."""
    return next((speaker.phrase(each.label) for each in evaluation.categories if each.label is not None), None)


def sureness_in_words(speaker: Speaker, evaluation: Evaluation) -> str:
    """How sure, of the label that is least sure."""
    if not evaluation.certainty:
        return speaker.language.sure["not-known"] if evaluation.result is not None else ""
    chances = [
        (degree_of(each) == "settled", min(each.label_probability, each.label_probability_flat), place)
        for place, each in enumerate(evaluation.certainty)
    ]
    return short_of(speaker, evaluation.certainty[min(chances)[2]])


def faults_with_sizes(evaluation: Evaluation) -> list[Finding]:
    """What may have raised or lowered the pressure, each once, the largest first."""
    found = {each.code: each for each in evaluation.findings if each.expected_error is not None}
    return sorted(found.values(), key=lambda each: -size_of(each.expected_error))


def size_of(error: ExpectedError | None) -> float:
    """The largest size of an error, in mmHg; 0 where none was published."""
    if error is None:
        return 0.0
    return max((max(size) for size in (error.systolic_mmhg, error.diastolic_mmhg) if size is not None), default=0.0)


def main_fault(speaker: Speaker, evaluation: Evaluation) -> str:
    """The fault that matters most, with its expected error: one with a size, else why there is no result, else a warning."""
    sized = faults_with_sizes(evaluation)
    if sized:
        return f"{speaker.short(sized[0].code)}: {error_in_words(speaker, sized[0].expected_error, larger_only=True)}"
    if evaluation.blocked_by:
        return speaker.reason(evaluation.blocked_by[0])
    warnings = [each.code for each in evaluation.findings if is_technique(each)]
    return speaker.short(warnings[0]) if warnings else speaker.language.report["no-fault"]


def is_technique(finding: Finding) -> bool:
    """True for a warning about how it was measured, and not about the pressure that was found."""
    return (
        finding.severity != "info"
        and finding.code not in NOT_A_FAULT
        and not finding.code.startswith(("severe-", "low-", "expecting-", "acute-", "standing-", "orthostatic-"))
    )


def error_in_words(speaker: Speaker, error: ExpectedError | None, *, larger_only: bool = False) -> str:
    """An expected error with its direction, and its size where one was published: systolic too high by about 4 to 10 mmHg."""
    words = speaker.language.report
    if error is None:
        return ""
    sizes = [
        words[error.direction].format(pressure=words[name], size=_size(speaker, size))
        for name, size in (("systolic", error.systolic_mmhg), ("diastolic", error.diastolic_mmhg))
        if size is not None
    ]
    return speaker.type_out(", ".join(sizes[:1] if larger_only else sizes) if sizes else words[f"{error.direction}-unsized"])


def _size(speaker: Speaker, size: tuple[float, float]) -> str:
    # "About" is said with it, so tenths would promise more than the studies do.
    low, high = (number_in(speaker.about, f"{each:.0f}" if each >= 1 else f"{each:g}") for each in size)
    return low if low == high else speaker.language.report["between"].format(low=low, high=high)


def next_in_words(speaker: Speaker, evaluation: Evaluation) -> str:
    """The next step in a few words, with the day by which it is due where it confirms the result.

    What safety asks for comes first, so that the row says why it stands before others.
    """
    action = speaker.language.action[evaluation.next_step.action]
    if evaluation.safety.level == "ask" and evaluation.safety.ask:
        asked = ", ".join(speaker.listed(field) for field in evaluation.safety.ask)
        return f"{speaker.language.report['ask']}: {asked}\n{action}"
    if evaluation.confirm_by is None or evaluation.next_step.action not in CONFIRMING:
        return action
    day = short_day_in(speaker.about, evaluation.confirm_by.date)
    return f"{action}, {speaker.language.report['by'].format(day=day)}"


def step_in_words(speaker: Speaker, step: FollowingStep) -> str:
    """A step in full: its sentence, then where, with what and when."""
    where = [speaker.value(code) for code in (step.site, step.method) if code is not None]
    where += [speaker.phrase(step.cuff)] if step.cuff is not None else []
    words = speaker.language.report
    for name, moment in (("earliest", step.not_before), ("latest", step.not_after)):
        if moment is not None:
            clock = f"{moment:%H:%M:%S}" if _same_day(moment, step) else f"{day_in(speaker.about, moment)}, {moment:%H:%M}"
            where.append(words[name].format(time=clock))
    said = speaker.sentence(step.reason)
    return said if not where else speaker.type_out(f"{said} ({', '.join(where)})")


def _same_day(moment: datetime, step: FollowingStep) -> bool:
    """True if the clock time is enough: both times, if there are two, are on one day."""
    other = step.not_after if step.not_before is not None else step.not_before
    return other is None or other.date() == moment.date()
