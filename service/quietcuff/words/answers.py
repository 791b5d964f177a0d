"""Evaluations and summaries with their English said in another language. Codes and numbers stay as they are."""

from __future__ import annotations

from typing import TypeVar

from msgspec.structs import replace

from quietcuff.core.model.evaluation import (
    Category,
    Certainty,
    Evaluation,
    Finding,
    FollowingStep,
    Preparation,
    Safety,
    Series,
    Step,
)
from quietcuff.core.over_visits.result import PooledBySetting, Summary
from quietcuff.words.speaker import Speaker

Taken = TypeVar("Taken", Step, FollowingStep)


def speak_evaluation(speaker: Speaker, evaluation: Evaluation) -> Evaluation:
    """The evaluation of one sitting in the language of the speaker."""
    line = evaluation.record_line
    return replace(
        evaluation,
        safety=_safety(speaker, evaluation.safety),
        findings=_findings(speaker, evaluation.findings),
        categories=_categories(speaker, evaluation.categories),
        certainty=_certainties(speaker, evaluation.certainty),
        series=_series(speaker, evaluation.series),
        next_step=_step(speaker, evaluation.next_step),
        record_line=None if line is None else speaker.record_line(line),
        cautions=[speaker.sentence(text) for text in evaluation.cautions],
        preparation=_preparation(speaker, evaluation.preparation),
    )


def speak_summary(speaker: Speaker, summary: Summary) -> Summary:
    """The summary of a person in the language of the speaker."""
    latest = summary.latest
    return replace(
        summary,
        safety=_safety(speaker, summary.safety),
        latest=None if latest is None else replace(latest, categories=_categories(speaker, latest.categories)),
        pooled=_pooled(speaker, summary.pooled),
        categories=_categories(speaker, summary.categories),
        certainty=_certainties(speaker, summary.certainty),
        patterns=[replace(each, label=speaker.sentence(each.label)) for each in summary.patterns],
        findings=_findings(speaker, summary.findings),
        next_step=_step(speaker, summary.next_step),
        cautions=[speaker.sentence(text) for text in summary.cautions],
    )


def _safety(speaker: Speaker, safety: Safety) -> Safety:
    return safety if safety.text is None else replace(safety, text=speaker.sentence(safety.text))


def _findings(speaker: Speaker, findings: list[Finding]) -> list[Finding]:
    return [replace(each, message=speaker.finding(each.code, each.message)) for each in findings]


def _categories(speaker: Speaker, categories: list[Category]) -> list[Category]:
    return [
        replace(
            each,
            label=None if each.label is None else speaker.phrase(each.label),
            basis=None if each.basis is None else speaker.phrase(each.basis),
        )
        for each in categories
    ]


def _certainties(speaker: Speaker, certainties: list[Certainty]) -> list[Certainty]:
    return [replace(each, statement=speaker.certainty(each.statement)) for each in certainties]


def _series(speaker: Speaker, series: Series | None) -> Series | None:
    if series is None:
        return None
    return replace(series, parts=[replace(part, label=speaker.phrase(part.label)) for part in series.parts])


def _step(speaker: Speaker, step: Step) -> Step:
    then = step.then
    following = None if then is None else _reasoned(speaker, then)
    return replace(_reasoned(speaker, step), then=following)


def _reasoned(speaker: Speaker, step: Taken) -> Taken:
    return replace(step, reason=speaker.sentence(step.reason))


def _preparation(speaker: Speaker, preparation: Preparation | None) -> Preparation | None:
    if preparation is None:
        return None
    return replace(preparation, prepare=[speaker.sentence(text) for text in preparation.prepare])


def _pooled(speaker: Speaker, pooled: PooledBySetting) -> PooledBySetting:
    home, recording = pooled.home, pooled.ambulatory
    if home is not None:
        home = replace(home, categories=_categories(speaker, home.categories), certainty=_certainties(speaker, home.certainty))
    if recording is not None:
        recording = replace(
            recording,
            parts=[replace(part, label=speaker.phrase(part.label)) for part in recording.parts],
            categories=_categories(speaker, recording.categories),
            certainty=_certainties(speaker, recording.certainty),
        )
    lacking = [
        each if each.message is None else replace(each, message=speaker.any_finding(each.message)) for each in pooled.lacking
    ]
    return replace(pooled, home=home, ambulatory=recording, lacking=lacking)
