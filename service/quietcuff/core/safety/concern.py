"""A concern of the safety layer: its level, text, questions and step; and the facts that concerns share."""

from __future__ import annotations

from datetime import datetime

import msgspec

from quietcuff.core.labels.judgement import Judgement
from quietcuff.core.model.evaluation import Action, Level
from quietcuff.core.model.fields import Site
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.severity import ARMS
from quietcuff.core.sitting.sitting import Sitting
from quietcuff.core.sitting.trouble import gave_up_for

Codes = list[tuple[str, int | None]]


class SafetyStep(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The next step for safety, which comes before the plan's own.

    ``wording`` names the sentence; with ``alone`` a closed sitting has no other step behind it.
    """

    action: Action
    wording: str
    site: Site | None = None
    not_before: datetime | None = None
    not_after: datetime | None = None
    alone: bool = False


class Concern(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One concern that must not wait.

    ``text`` names its sentence, ``places`` its readings; ``findings`` are codes with the place of their reading, or None.
    """

    level: Level
    text: str | None = None
    pressure: str = ""
    places: list[int] = []
    ask: list[str] = []
    step: SafetyStep | None = None
    findings: Codes = []


def unasked(sitting: Sitting) -> list[str]:
    """The question about acute symptoms, where it is not answered yet."""
    return ["acute_symptoms"] if sitting.reading_set.context.acute_symptoms == "not-recorded" else []


def review_step(ask: list[str], wording: str) -> SafetyStep:
    """Ask about symptoms where that is not answered, else review on the same day."""
    if ask:
        return SafetyStep(action="ask-symptoms", wording="ask-symptoms")
    return SafetyStep(action="same-day-review", wording=wording)


def can_repeat(sitting: Sitting) -> bool:
    """True where a reading may still be asked for.

    An arm may be used, and an open sitting has neither reached its limit of readings nor been given up.
    """
    enough = not sitting.reading_set.closed and len(sitting.valid) >= sitting.limits.most_readings_asked
    return not enough and gave_up_for(sitting) is None and any(sitting.person.may_use(arm) for arm in ARMS)


def is_done(sitting: Sitting, judged: Judgement) -> bool:
    """True where the sitting is closed, or open with nothing more due."""
    return sitting.reading_set.closed or (judged.selection.due is None and judged.selection.other_arm is None)


def still_stands(sitting: Sitting) -> bool:
    """True where the sitting is open and the last attempt was made standing."""
    return not sitting.reading_set.closed and sitting.last is not None and sitting.last.reading.position == "standing"


def reported(judged: Judgement) -> list[tuple[float, float]]:
    """Every mean that is reported: the result's, and those of the parts of a series."""
    means: list[tuple[float, float]] = []
    if judged.result is not None:
        means.append((judged.result.systolic_mmhg, judged.result.diastolic_mmhg))
    if judged.series is not None:
        series = judged.series
        parts = (series.morning, series.evening, series.day, series.night, series.hours_24)
        means += [(part.systolic_mmhg, part.diastolic_mmhg) for part in parts if part is not None]
    return means


def pressure_text(attempt: Attempt) -> str:
    """The pressure of a reading in words: 78/48."""
    return f"{attempt.systolic / 100:g}/{attempt.diastolic / 100:g}"
