"""Invented sittings of every shape, from a seed: whatever a caller may send, as far as it is one sitting."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from typing import Any

import msgspec

from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook

SYSTEMS = ["urn:example:mrn", "https://example.org/mrn", "urn:oid:1.2.3", "Krankenhaus-Süd", "病院"]
VALUES = ["p-0001", "Ö 17/b", "a|b", "x" * 255, "\\,$", "0"]
SITES = ["left-upper-arm", "right-upper-arm"]
RARE_SITES = ["left-wrist", "right-wrist", "left-thigh", "right-thigh", "not-recorded"]
FLAGS = [
    "body-movement",
    "cuff-loose",
    "irregular-pulse",
    "pulse-too-high",
    "pulse-too-low",
    "improper-position",
    "measurement-failed",
]
ANSWERS = ["yes", "no", "not-recorded"]
QUESTIONS = [
    "talking",
    "caffeine_within_30_min",
    "full_bladder",
    "pain",
    "anxiety_or_stress",
    "legs_crossed",
    "arm_supported",
    "acute_symptoms",
]
GUIDELINES = ["aha-acc-2017", "aha-acc-2025", "esc-2024", "esh-2023", "ish-2020", "nice-2019", "jsh-2019", "acog-2020"]
OFFSETS = [0, 120, -300, 345, 840, -570]


def generated_bodies(seed: int) -> Iterator[dict[str, Any]]:
    """Bodies without end, the same for the same seed."""
    rng = random.Random(seed)
    while True:
        yield body(rng)


def generated_sets(seed: int, count: int, rulebook: Rulebook) -> Iterator[tuple[ReadingSet, Any]]:
    """``count`` sets with their evaluations; bodies that are no one sitting are passed over."""
    made = 0
    for raw in generated_bodies(seed):
        reading_set = msgspec.convert(raw, ReadingSet)
        try:
            evaluation = evaluate(reading_set, reading_set.history, rulebook)
        except NotAcceptable:
            continue
        yield reading_set, evaluation
        made += 1
        if made == count:
            return


def body(rng: random.Random) -> dict[str, Any]:
    """One sitting as a caller might send it; two in three are done as they should be."""
    return orderly(rng) if rng.random() < 0.67 else untidy(rng)


def orderly(rng: random.Random) -> dict[str, Any]:
    """A sitting of one arm, or of both and then one, one position and one method, a minute and more apart."""
    raw = untidy(rng)
    arms = rng.choice([SITES[:1] * 7, SITES[1:] * 7, [SITES[0]] + SITES[1:] * 6])
    method, position = rng.choice(["oscillometric", "auscultatory", None]), rng.choice(["sitting"] * 6 + ["standing"])
    start = datetime.fromisoformat(raw["readings"][0]["taken_at"])
    level = rng.choice([(84, 52), (112, 70), (124, 78), (134, 84), (146, 92), (164, 104), (188, 116)])
    for place, made in enumerate(raw["readings"]):
        made |= {"taken_at": (start + timedelta(seconds=70 * place)).isoformat(), "site": arms[place]}
        made |= {"position": position, "systolic_mmhg": level[0] + rng.randint(-5, 5), "diastolic_mmhg": level[1]}
        made |= {} if method is None else {"method": method}
        for name in ("device", "voided", "device_flags") if rng.random() < 0.9 else ():
            made.pop(name, None)
    for name in ("arm_restrictions", "pregnancy"):
        raw["subject"].pop(name, None)
    raw["context"] = {"acute_symptoms": rng.choice(ANSWERS)}
    return {name: value for name, value in raw.items() if name not in ("device", "cuff") or rng.random() < 0.3}


CUFFS: list[dict[str, Any]] = [
    {"size": "adult", "range_cm": [22.5, 32]},
    {"size": "Large Adult"},
    {"size": "child"},
    {"range_cm": [27, 34]},
    {"size": "the blue one"},
    {},
]


def untidy(rng: random.Random) -> dict[str, Any]:
    """A sitting in which anything may be odd."""
    zone = timezone(timedelta(minutes=rng.choice(OFFSETS)))
    start = datetime(2026, 5, rng.randint(1, 28), rng.randint(6, 19), rng.randint(0, 59), tzinfo=zone)
    level = rng.choice([(84, 52), (112, 70), (124, 78), (134, 84), (146, 92), (164, 104), (188, 116)])
    readings = []
    for place in range(rng.choice([1, 2, 2, 3, 3, 4, 4, 5, 6, 7])):
        start += timedelta(seconds=rng.choice([30, 60, 61, 70, 90, 300]))
        readings.append(reading(rng, start, level, place))
    optional = {
        "visit": rng.choice(["first", "follow-up"]),
        "guidelines": rng.sample(GUIDELINES, rng.randint(1, 4)),
        "context": {name: rng.choice(ANSWERS) for name in rng.sample(QUESTIONS, 3)} | {"rest_minutes": rng.choice([0, 3, 5])},
        "device": device(rng),
        "cuff": rng.choice(CUFFS) | {"mark_within_range": rng.choice(ANSWERS)},
        "observer": identifier(rng),
        "location": identifier(rng),
        "encounter": identifier(rng),
        "based_on": identifier(rng),
        "setting": rng.choice(["office", "home"]),
        "attendance": rng.choice(["attended", "unattended"]),
    }
    chosen = {name: value for name, value in optional.items() if rng.random() < 0.5}
    return {"subject": subject(rng), "closed": rng.random() < 0.7, "readings": readings, **chosen}


def subject(rng: random.Random) -> dict[str, Any]:
    optional = {
        "birth_date": rng.choice(["1971-01-15", "1960", "1985-06", "2011-03-02", "2024-01-01"]),
        "sex": rng.choice(["female", "male", "other", "unknown"]),
        "pregnancy": rng.choice(["no", "pregnant", "postpartum", "not-recorded"]),
        "known_irregular_rhythm": rng.choice(ANSWERS),
        "antihypertensive_treatment": rng.choice(ANSWERS),
        "arm_circumference_cm": rng.choice([20.5, 31, 44]),
        "arm_restrictions": [{"arm": rng.choice(["left", "right"]), "reason": "lymphoedema"}],
    }
    chosen = {name: value for name, value in optional.items() if rng.random() < 0.4}
    return {"identifier": identifier(rng), **chosen}


def reading(rng: random.Random, taken_at: datetime, level: tuple[int, int], place: int) -> dict[str, Any]:
    made: dict[str, Any] = {"taken_at": taken_at.isoformat(), "site": SITES[place % 2 if rng.random() < 0.4 else 0]}
    if rng.random() < 0.9:
        made |= pressures(rng, level)
    if rng.random() < 0.08:
        made["site"] = rng.choice(RARE_SITES)
    optional = {
        "mean_arterial_mmhg": 106.25,
        "pulse_per_min": rng.choice([41, 72, 72.5, 131]),
        "position": rng.choice(["sitting", "sitting", "standing", "supine", "not-recorded"]),
        "method": rng.choice(["oscillometric", "oscillometric", "auscultatory"]),
        "rhythm": rng.choice(["regular", "irregular", "not-recorded"]),
        "device_flags": rng.sample(FLAGS, rng.randint(0, 3)),
        "device": device(rng),
        "observer": identifier(rng),
        "voided": True,
    }
    odds = {"device": 0.1, "observer": 0.1, "voided": 0.05, "device_flags": 0.2, "mean_arterial_mmhg": 0.3}
    return made | {name: value for name, value in optional.items() if rng.random() < odds.get(name, 0.7)}


def pressures(rng: random.Random, level: tuple[int, int]) -> dict[str, Any]:
    systolic, diastolic = level[0] + rng.randint(-9, 9), level[1] + rng.randint(-6, 6)
    if rng.random() < 0.05:
        systolic, diastolic = rng.choice([(80, 120), (0, 0), (400, 399), (142, 0), (310, 100)])
    hundredths = rng.choice([0, 0, 0, 0.5, 0.25, 0.01])
    return {"systolic_mmhg": min(systolic + hundredths, 400), "diastolic_mmhg": diastolic}


def device(rng: random.Random) -> dict[str, Any]:
    optional = {
        "identifier": {"system": "urn:example:device", "value": rng.choice(["SN-0007", "SN-0008"])},
        "kind": rng.choice(["automatic", "semi-automatic", "auscultatory", "cuffless"]),
        "site": rng.choice(["upper-arm", "wrist"]),
        "validated": rng.choice(ANSWERS),
        "manufacturer": "Example Maker",
        "model": "Example 1",
        "serial_number": "SN-0007",
    }
    return {name: value for name, value in optional.items() if rng.random() < 0.5}


def identifier(rng: random.Random) -> dict[str, str]:
    return {"system": rng.choice(SYSTEMS), "value": rng.choice(VALUES)}
