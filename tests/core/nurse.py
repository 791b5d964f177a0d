"""A simulated nurse: follows every next step of an open sitting to the letter, with pressures drawn from outside."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import msgspec

from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.evaluation import Evaluation, FollowingStep
from quietcuff.core.model.fields import Method, Site
from quietcuff.core.model.readings import Cuff, Device, Reading, ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook

MEASURING = ("take-reading", "measure-other-arm", "confirm-now", "auscultate", "change-cuff", "change-device")
GOOD_CUFF = Cuff(mark_within_range="yes")
LOOKED_AT = ("urgent-assessment", "same-day-review", "review", "sit-or-lie-down")
STEPS_AT_MOST = 60
SETTLED: dict[str, Any] = {
    "rest_minutes": 30,
    "talking": "no",
    "full_bladder": "no",
    "back_supported": "yes",
    "feet_flat": "yes",
    "legs_crossed": "no",
    "arm_supported": "yes",
    "arm_height": "at",
    "cuff_fits_two_fingers": "yes",
}


class Round(msgspec.Struct, kw_only=True):
    """A sitting as the nurse carries it on: ``taken`` readings by her, ``steps`` followed, ``ended`` when told to close."""

    reading_set: ReadingSet
    evaluation: Evaluation
    taken: int = 0
    steps: list[str] = []
    ended: bool = False


def carry_on(
    reading_set: ReadingSet,
    rulebook: Rulebook,
    pressures: Callable[[], tuple[float, float, str]],
    answer: Callable[[str], str],
    free_arms: list[Site],
) -> Round:
    """Follow the steps of an open sitting until it says close, or until the nurse gives up."""
    state = Round(reading_set=reading_set, evaluation=evaluate(reading_set, reading_set.history, rulebook))
    while len(state.steps) < STEPS_AT_MOST:
        step: FollowingStep = state.evaluation.next_step
        asked = [name for name in step.ask if name != "pregnancy"]
        if asked:
            given = {name: answer(name) for name in asked}
            change(state, rulebook, context=msgspec.structs.replace(state.reading_set.context, **given))
            state.steps.append("ask")
            continue
        if state.evaluation.next_step.then is not None and step.action in LOOKED_AT:
            step = state.evaluation.next_step.then
        state.steps.append(step.action)
        if step.action == "close":
            state.ended = True
            return state
        if step.action == "settle-first":
            change(state, rulebook, context=msgspec.structs.replace(state.reading_set.context, **SETTLED))
        elif step.action in MEASURING:
            measure(state, rulebook, step, pressures(), free_arms)
        else:
            return state
    return state


def measure(
    state: Round, rulebook: Rulebook, step: FollowingStep, drawn: tuple[float, float, str], free_arms: list[Site]
) -> None:
    """Take one good reading as the step says: where, not before when, with which method."""
    systolic, diastolic, rhythm = drawn
    latest = max(reading.taken_at for reading in state.reading_set.readings)
    at: datetime = max(step.not_before or latest, latest + timedelta(seconds=1))
    method: Method = "auscultatory" if step.method == "auscultatory" else "oscillometric"
    site = step.site or place_without_advice(state, free_arms)
    reading = Reading(
        taken_at=at,
        systolic_mmhg=systolic,
        diastolic_mmhg=diastolic,
        site=site,
        position="sitting",
        method=method,
        rhythm="irregular" if rhythm == "irregular" else "regular",
        cuff=GOOD_CUFF,
        device=good_device(site, method),
    )
    state.taken += 1
    change(state, rulebook, readings=[*state.reading_set.readings, reading])


def place_without_advice(state: Round, free_arms: list[Site]) -> Site:
    """Where to measure when the step names no place: a free arm, else where it was measured before, legs last."""
    before = {reading.site for reading in state.reading_set.readings}
    elsewhere: list[Site] = ["not-recorded", "left-thigh", "right-thigh"]
    places: list[Site] = [*free_arms, *(site for site in elsewhere if site in before), "left-thigh"]
    return places[0]


def good_device(site: Site, method: Method) -> Device:
    """A validated device for that place and method."""
    if site.endswith("wrist"):
        return Device(kind="automatic", site="wrist", validated="yes")
    return Device(kind="auscultatory" if method == "auscultatory" else "automatic", site="upper-arm", validated="yes")


def change(state: Round, rulebook: Rulebook, **fields: Any) -> None:
    """The sitting with other fields, evaluated anew."""
    state.reading_set = msgspec.structs.replace(state.reading_set, **fields)
    state.evaluation = evaluate(state.reading_set, state.reading_set.history, rulebook)
