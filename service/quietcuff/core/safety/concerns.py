"""Concerns of the safety layer: their shape and shared facts, and the concerns of single groups.

The groups: standing up, low pressures, pregnancy and the weeks after birth, children without a table.
"""

from __future__ import annotations

from datetime import datetime

import msgspec

from quietcuff.core.findings.standing_up import endangered
from quietcuff.core.labels.judgement import Judgement
from quietcuff.core.model.evaluation import Action, Level
from quietcuff.core.model.fields import Site
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.person import low_systolic
from quietcuff.core.sitting.severity import ARMS, SevereSeen, is_severe, reaches, screening_value, severe_of
from quietcuff.core.sitting.sitting import Sitting, gave_up_for

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
    result = judged.result
    means: list[tuple[float, float]] = [] if result is None else [(result.systolic_mmhg, result.diastolic_mmhg)]
    if judged.series is not None:
        series = judged.series
        parts = (series.morning, series.evening, series.day, series.night, series.hours_24)
        means += [(part.systolic_mmhg, part.diastolic_mmhg) for part in parts if part is not None]
    return means


def pressure_text(attempt: Attempt) -> str:
    """The pressure of a reading in words: 78/48."""
    return f"{attempt.systolic / 100:g}/{attempt.diastolic / 100:g}"


def watch_standing(sitting: Sitting, judged: Judgement) -> Concern | None:
    """Concern of a low standing pressure, or a fall of 30 or more: down first, then symptoms, then a same-day review."""
    if sitting.protocol.standing is None or judged.orthostatic is None:
        return None
    falling = endangered(sitting, judged.orthostatic.baseline)
    if not falling:
        return None
    ask = unasked(sitting)
    if still_stands(sitting):
        step = SafetyStep(action="sit-or-lie-down", wording="sit-or-lie-down")
    elif ask:
        step = SafetyStep(action="ask-symptoms", wording="ask-symptoms")
    else:
        step = SafetyStep(action="same-day-review", wording="standing-review")
    lowest = min(falling, key=lambda attempt: attempt.systolic)
    return Concern(
        level="same-day",
        text="standing-danger",
        pressure=pressure_text(lowest),
        places=sorted(attempt.index for attempt in falling),
        ask=ask,
        step=step,
        findings=[("standing-danger", attempt.index) for attempt in falling],
    )


def watch_low(sitting: Sitting, seen: SevereSeen, judged: Judgement) -> Concern | None:
    """Concern of low readings: one is repeated, then symptoms are asked; without symptoms the finding stays."""
    low = low_readings(sitting)
    if not low:
        return None
    ask, places = unasked(sitting), sorted(attempt.index for attempt in low)
    step, settled = judge_low(sitting, low, judged, asks=bool(ask))
    findings: Codes = [("low-reading", attempt.index) for attempt in low]
    if settled:
        return Concern(level="none", findings=findings)
    return Concern(
        level="ask" if ask and not seen.severe else "none",
        text="low-reading" if ask else "low-without-symptoms",
        pressure=pressure_text(low[-1]),
        places=places,
        ask=ask,
        step=step,
        findings=findings,
    )


def low_readings(sitting: Sitting) -> list[Attempt]:
    """The valid readings with a systolic that is low at this age; in a test of standing not those on the feet."""
    limit = 100 * low_systolic(sitting.person, sitting.limits)
    upright = sitting.protocol.standing is not None
    return [
        attempt
        for attempt in sitting.attempts
        if attempt.systolic < limit and attempt.sound and not (upright and attempt.reading.position == "standing")
    ]


def judge_low(sitting: Sitting, low: list[Attempt], judged: Judgement, *, asks: bool) -> tuple[SafetyStep | None, bool]:
    """Step after a low reading, and True where a later ordinary reading settles it.

    It is repeated once in its arm, or anywhere where the arm is not known. If it is low again, symptoms are asked; without
    symptoms the person is reviewed before the sitting ends.
    """
    last = low[-1]
    anywhere = last.site == "not-recorded"
    here = [attempt for attempt in sitting.attempts if attempt.sound and (anywhere or attempt.site == last.site)]
    position = here.index(last)
    if position + 1 < len(here):
        return None, True
    repeated = any(earlier in low for earlier in here[:position])
    if not repeated and not sitting.reading_set.closed and can_repeat(sitting):
        same = not anywhere and sitting.person.may_use(last.site)
        return SafetyStep(
            action="take-reading",
            wording="repeat-low" if same else "repeat-low-elsewhere",
            site=last.site if same else None,
            not_before=sitting.not_before,
        ), False
    if asks:
        return SafetyStep(action="ask-symptoms", wording="ask-symptoms"), False
    ends = sitting.protocol.is_one_sitting and is_done(sitting, judged)
    return SafetyStep(action="review", wording="low-review") if ends else None, False


def watch_expecting(sitting: Sitting, judged: Judgement) -> Concern | None:
    """Concern of 140/90 or more in pregnancy or after birth: assessed on the same day, wherever it was measured.

    Outside the office the level says so too, because nobody who can act sees it there. Source: [ACOG222, NG133].
    """
    if not sitting.person.expecting or not is_raised(sitting, judged):
        return None
    outside = sitting.reading_set.setting != "office"
    ask = unasked(sitting)
    wording = "expecting-raised-outside" if outside else "expecting-raised"
    closed = sitting.reading_set.closed
    due = outside or is_done(sitting, judged)
    return Concern(
        level="same-day" if outside else ("ask" if ask else "none"),
        text=wording,
        ask=ask,
        step=SafetyStep(action="same-day-review", wording=wording, alone=closed) if due else None,
        findings=[("expecting-raised", None)],
    )


def is_raised(sitting: Sitting, judged: Judgement) -> bool:
    """True where the reported value is at or above 140/90.

    Before a value is reported, the last two valid readings are compared, or the only one of a closed set.
    """
    edge = sitting.limits.hypertension_expecting
    means = reported(judged)
    if means:
        return any(reaches(edge, *pressures) for pressures in means)
    # Two in a row: one raised reading of an open sitting may be chance.
    last = [attempt for attempt in sitting.attempts if attempt.sound][-2:]
    enough = len(last) == 2 or sitting.reading_set.closed
    return bool(last) and enough and all(is_severe(attempt, edge) for attempt in last)


def watch_possible_pregnancy(sitting: Sitting, judged: Judgement) -> Concern | None:
    """Concern of a high pressure where pregnancy is not recorded: it is asked, because it would change the meaning.

    Source: [DECISION].
    """
    if not sitting.person.may_be_expecting or sitting.person.expecting:
        return None
    edge = sitting.limits.severe_expecting
    high = sorted(attempt.index for attempt in severe_of(sitting.attempts, edge))
    if high:
        return Concern(level="ask", places=high, ask=["pregnancy"], findings=[("pregnancy-not-recorded", None)])
    if not is_raised(sitting, judged):
        return None
    return Concern(level="none", ask=["pregnancy"], findings=[("pregnancy-not-recorded", None)])


def person_findings(sitting: Sitting) -> Codes:
    """Findings of assumptions made for safety's sake, and of facts that contradict each other."""
    facts = sitting.reading_set.subject
    codes: list[str] = []
    if facts.sex == "male" and facts.pregnancy in ("pregnant", "postpartum"):
        codes.append("pregnancy-sex-differ")
    if sitting.person.expecting and facts.pregnancy == "postpartum" and not sitting.person.delivery_day_known:
        codes.append("delivery-day-assumed")
    if sitting.lacking and is_above_screening(sitting):
        codes.append("screening-value-reached")
    return [(code, None) for code in codes] if codes else []


def is_above_screening(sitting: Sitting) -> bool:
    """True where a valid reading of a child whose percentiles are not known reaches the height-free screening value."""
    years = sitting.person.age_years
    if years is None:
        return False
    edge = screening_value(sitting.rulebook, years, sitting.reading_set.subject.sex)
    return any(is_severe(attempt, edge) for attempt in sitting.valid)
