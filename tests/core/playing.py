"""Played sittings: invented people, and two nurses. One does just what a step says; the other fails in the same way each time.

Everything is drawn from a seed, so that a sitting that goes wrong can be played again.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec

from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.evaluation import Evaluation, FollowingStep
from quietcuff.core.model.fields import Site
from quietcuff.core.model.readings import (
    ArmRestriction,
    Context,
    Cuff,
    Device,
    Identifier,
    Intake,
    Reading,
    ReadingSet,
    Subject,
)
from quietcuff.core.rulebook.rulebook import Rulebook

OPENED = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
MEASURING = frozenset({"take-reading", "measure-other-arm", "confirm-now", "auscultate", "change-cuff", "change-device"})
TOLD_ONLY = frozenset({"urgent-assessment", "same-day-review", "ask-symptoms"})
ARMS: list[Site] = ["left-upper-arm", "right-upper-arm"]
GOOD_DEVICE = Device(kind="automatic", site="upper-arm", validated="yes")
GOOD = {
    "talking": "no",
    "full_bladder": "no",
    "back_supported": "yes",
    "feet_flat": "yes",
    "legs_crossed": "no",
    "arm_supported": "yes",
    "cuff_fits_two_fingers": "yes",
    "quiet_room": "yes",
    "arm_height": "at",
    "sleeve": "bare",
    "rest_minutes": 30,
}
BAD = {
    "talking": "yes",
    "full_bladder": "yes",
    "back_supported": "no",
    "feet_flat": "no",
    "legs_crossed": "yes",
    "arm_supported": "no",
    "cuff_fits_two_fingers": "no",
    "quiet_room": "no",
    "arm_height": "below",
    "sleeve": "thick",
    "rest_minutes": 1,
    "caffeine_within_30_min": "yes",
    "pain": "yes",
}
DEVICES = [
    GOOD_DEVICE,
    GOOD_DEVICE,
    None,
    Device(kind="automatic", site="wrist"),
    Device(kind="automatic", site="finger"),
    Device(kind="cuffless"),
    Device(kind="automatic", site="upper-arm", validated="no"),
    Device(kind="automatic", site="upper-arm", validated="yes", validated_for=["children"]),
    Device(kind="auscultatory", site="upper-arm", validated="yes"),
]
FAILURES = [
    "device-error",
    "swapped",
    "implausible",
    "sounds-to-zero",
    "sounds-low",
    "wrong-cuff",
    "wrist",
    "finger",
    "cuffless",
    "other-position",
    "no-position",
    "other-arm",
    "thigh",
    "too-soon",
    "never-rests",
    "unstable",
    "rising",
    "severe-then-errors",
    "severe-each-other",
    "severe",
    "severe-wrong-cuff",
    "low",
    "low-then-errors",
    "never-by-ear",
    "irregular",
    "any-fault-in-turn",
]


class Play(msgspec.Struct, kw_only=True):
    """A sitting as it was played: how often it was measured, how many steps were followed, and with which it ended."""

    reading_set: ReadingSet
    evaluation: Evaluation
    steps: list[FollowingStep] = []
    ended_with: FollowingStep | None = None

    @property
    def attempts(self) -> int:
        return len(self.reading_set.readings)


def draw_sitting(dice: random.Random, rulebook: Rulebook) -> ReadingSet:
    """An open set without readings, of an invented person, prepared more or less well."""
    office = [
        name for name, protocol in rulebook.protocols.items() if protocol.series is None and "office" in protocol.settings
    ]
    sides = dice.choice([[], [], [], ["left"], ["right"], ["left", "right"]])
    context: dict[str, Any] = {field: dice.choice([good, BAD[field], None]) for field, good in GOOD.items()}
    context |= {name: dice.choice(["yes", "no", None]) for name in ("auscultation_possible", "acute_symptoms", "pain")}
    context = {name: value for name, value in context.items() if value is not None}
    return ReadingSet(
        subject=Subject(
            identifier=Identifier(system="urn:example:person", value="played"),
            birth_date=dice.choice(["2026-05-01", "2019-06-01", "2012-03", "1991-03-01", "1960", "1971-01-15", None]),
            sex=dice.choice(["female", "male", None]),
            pregnancy=dice.choice(["no", "not-recorded", "not-recorded", "pregnant"]),
            known_irregular_rhythm=dice.choice(["yes", "no", "not-recorded", "not-recorded"]),
            arm_circumference_cm=dice.choice([None, 5, 14, 19, 21.5, 25, 30, 32.5, 37, 48, 60]),
            height_cm=dice.choice([None, 128]),
            arm_restrictions=[ArmRestriction(arm=side, reason="wound") for side in sides],
        ),
        visit=dice.choice(["first", "follow-up", None]),
        attendance=dice.choice(["attended", "attended", "unattended"]),
        protocol=dice.choice([None, None, *office]),
        context=Context(**context),
        device=dice.choice(DEVICES),
        cuff=dice.choice([None, Cuff(mark_within_range="yes"), Cuff(size="adult", range_cm=(22, 32)), Cuff(size="adult")]),
        closed=False,
        readings=[],
        intake=Intake(received_at=OPENED),
    )


def play(seed: int, rulebook: Rulebook, *, fails_by: str | None) -> Play:
    """Follow the steps until one ends the sitting, or too much was asked for it to end well."""
    dice = random.Random(seed)
    reading_set = draw_sitting(dice, rulebook)
    systolic = dice.choice([84, 104, 118, 128, 139, 150, 172, 186])
    played = Play(reading_set=reading_set, evaluation=evaluate(reading_set, None, rulebook))
    for _ in range(40):
        step: FollowingStep = played.evaluation.next_step
        played.steps.append(step)
        answers = {name: dice.choice(["yes", "no"]) for name in step.ask if name != "pregnancy"}
        if answers:
            change(played, rulebook, context=msgspec.structs.replace(played.reading_set.context, **answers))
            continue
        if step.action in TOLD_ONLY or (step.action == "settle-first" and fails_by):
            step = following(played, step)
        if step.action == "settle-first" and not fails_by:
            change(played, rulebook, context=msgspec.structs.replace(played.reading_set.context, **GOOD))
        elif step.action in MEASURING or (step.action == "settle-first" and fails_by):
            measure(played, rulebook, step, systolic + dice.choice([-6, -2, 0, 3, 7, 14]), fails_by)
        else:
            played.ended_with = step
            break
        if played.attempts > 14:
            break
    return played


def following(played: Play, step: FollowingStep) -> FollowingStep:
    """What is done after what is only told."""
    then = played.evaluation.next_step.then
    return step if then is None else then


def measure(played: Play, rulebook: Rulebook, step: FollowingStep, systolic: int, fails_by: str | None) -> None:
    """One reading as the step says, or as the nurse fails at it."""
    before = played.reading_set.readings
    latest = before[-1].taken_at if before else OPENED
    reading = obey(played, rulebook, step, systolic, latest)
    if fails_by is not None:
        reading = spoil(reading, fails_by, len(before), latest)
    change(played, rulebook, readings=[*before, reading])


def obey(played: Play, rulebook: Rulebook, step: FollowingStep, systolic: int, latest: datetime) -> Reading:
    """A reading just as the step says: where, with which cuff, by which method, not before when."""
    reading_set = played.reading_set
    restricted = {restriction.arm for restriction in reading_set.subject.arm_restrictions}
    free: list[Site] = [arm for arm in ARMS if arm.partition("-")[0] not in restricted]
    arm_cm = reading_set.subject.arm_circumference_cm
    changed = [reading for reading in reading_set.readings if reading.cuff is not None]
    cuff = changed[-1].cuff if changed else None
    if step.action == "change-cuff":
        cuff = Cuff(size=step.cuff, range_cm=None if arm_cm is None else (arm_cm - 2, arm_cm + 2), mark_within_range="yes")
    device = next((reading.device for reading in reversed(reading_set.readings) if reading.device is not None), None)
    if step.action == "change-device":
        groups = [group for group in ("adults", "children", "pregnancy", "irregular-rhythm", "large-arms")]
        device = msgspec.structs.replace(GOOD_DEVICE, validated_for=groups)
    protocol = rulebook.protocols[played.evaluation.protocol.id]
    stands = "stand up" in step.reason
    at = max(step.not_before or latest, latest + timedelta(seconds=1))
    return Reading(
        taken_at=at,
        systolic_mmhg=systolic,
        diastolic_mmhg=round(systolic * 0.6),
        site=step.site or (free or ARMS)[0],
        position="standing" if stands else protocol.positions[0],
        stood_at=stood_at(reading_set, latest) if stands else None,
        method=step.method or ("auscultatory" if device is not None and device.kind == "auscultatory" else "oscillometric"),
        cuff=cuff,
        device=device,
    )


def stood_at(reading_set: ReadingSet, latest: datetime) -> datetime:
    """When the person stood up: before the first standing reading, and not again."""
    return next((reading.stood_at for reading in reading_set.readings if reading.stood_at is not None), latest)


def spoil(reading: Reading, how: str, place: int, latest: datetime) -> Reading:
    """The reading as it comes out where each step fails in the same way."""
    wrist, finger = Device(kind="automatic", site="wrist"), Device(kind="automatic", site="finger")
    small, other = Cuff(size="adult", range_cm=(1, 3)), "right" if reading.site.startswith("left") else "left"
    failed: dict[str, Any] = {"systolic_mmhg": None, "diastolic_mmhg": None}
    changes: dict[str, dict[str, Any]] = {
        "device-error": failed,
        "swapped": {"systolic_mmhg": 84, "diastolic_mmhg": 138},
        "implausible": {"systolic_mmhg": 320, "diastolic_mmhg": 10},
        "sounds-to-zero": {"diastolic_mmhg": 0, "method": "auscultatory"},
        "sounds-low": {"diastolic_mmhg": 34, "method": "auscultatory"},
        "wrong-cuff": {"cuff": small},
        "wrist": {"device": wrist, "site": f"{other}-wrist"},
        "finger": {"device": finger},
        "cuffless": {"device": Device(kind="cuffless")},
        "other-position": {"position": "supine" if reading.position == "sitting" else "sitting"},
        "no-position": {"position": "not-recorded"},
        "other-arm": {"site": f"{other}-upper-arm"},
        "thigh": {"site": "left-thigh"} if place else {},
        "too-soon": {"taken_at": latest + timedelta(seconds=3)},
        "unstable": {"systolic_mmhg": 120 + 40 * (place % 2), "diastolic_mmhg": 80 + 20 * (place % 2)},
        "rising": {"systolic_mmhg": 110 + 12 * min(place, 12)},
        "severe-then-errors": failed if place else {"systolic_mmhg": 192, "diastolic_mmhg": 112},
        "severe-each-other": {"systolic_mmhg": 192 - 60 * (place % 2), "diastolic_mmhg": 100},
        "severe": {"systolic_mmhg": 196, "diastolic_mmhg": 118},
        "severe-wrong-cuff": {"systolic_mmhg": 196, "diastolic_mmhg": 118, "cuff": small},
        "low": {"systolic_mmhg": 78, "diastolic_mmhg": 48},
        "low-then-errors": failed if place else {"systolic_mmhg": 78, "diastolic_mmhg": 48},
        "never-by-ear": {"method": "oscillometric", "rhythm": "irregular"},
        "irregular": {"rhythm": "irregular"},
    }
    if how == "any-fault-in-turn":
        turns = ["device-error", "swapped", "wrong-cuff", "finger", "other-position", "sounds-to-zero"]
        how = turns[place % len(turns)]
    return msgspec.structs.replace(reading, **changes.get(how, {}))


def change(played: Play, rulebook: Rulebook, **fields: Any) -> None:
    """The sitting with other fields, evaluated anew."""
    played.reading_set = msgspec.structs.replace(played.reading_set, **fields)
    played.evaluation = evaluate(played.reading_set, None, rulebook)
