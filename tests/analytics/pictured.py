"""Invented sittings for pictures, evaluated as stored ones are. Nobody is real."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from functools import cache
from typing import Any

import msgspec

from quietcuff.analytics.trend_words import PictureWords, picture_words
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import Facts, ReadingSet
from quietcuff.core.over_visits.history import Remembered, make_history, remember
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.languages import Languages, load_languages

PERSON = {"system": "urn:example:mrn", "value": "hidden-7431"}
START = datetime.fromisoformat("2026-01-05T09:00:00+01:00")


@cache
def book() -> Rulebook:
    return load_rulebook()


@cache
def languages() -> Languages:
    return load_languages(book())


def words(code: str | None = None) -> PictureWords:
    """The words of a picture; without a language as where none was asked for."""
    return picture_words(languages(), None if code is None else languages().speaker(code))


def adult(**more: Any) -> dict[str, Any]:
    return {"identifier": PERSON, "birth_date": "1961-03-04", "sex": "female", **more}


def reading(at: datetime, systolic: float | None, diastolic: float | None, **more: Any) -> dict[str, Any]:
    return {
        "taken_at": at.isoformat(),
        "systolic_mmhg": systolic,
        "diastolic_mmhg": diastolic,
        "site": "right-upper-arm",
        "position": "sitting",
        "method": "oscillometric",
        **more,
    }


def stored(number: int, *readings: dict[str, Any], status: str = "active", **more: Any) -> CurrentSitting:
    body = {"subject": adult(), "visit": "follow-up", "readings": list(readings), **more}
    reading_set = msgspec.convert(body, ReadingSet)
    return CurrentSitting(
        set_id=f"00000000-0000-7000-8000-{number:012d}",
        status="voided" if status == "voided" else "active",
        closed=reading_set.closed,
        reading_set=reading_set,
        evaluation=evaluate(reading_set, None, book()),
    )


def office(number: int, at: datetime, systolic: float, diastolic: float, **more: Any) -> CurrentSitting:
    """Three readings, the first of them higher; of a follow-up in one arm the last two count."""
    minutes = [at + timedelta(minutes=2 * place) for place in range(3)]
    rises = (9, 1, -1)
    taken = [reading(when, systolic + rise, diastolic + rise) for when, rise in zip(minutes, rises, strict=True)]
    return stored(number, *taken, **{"protocol": "office-one-arm", **more})


def home_week(number: int, start: datetime, systolic: float, diastolic: float, **more: Any) -> CurrentSitting:
    taken = []
    for day in range(7):
        for hours in (0, 12):
            for place in range(2):
                when = start + timedelta(days=day, hours=hours, minutes=2 * place)
                taken.append(reading(when, systolic + (day + hours + place) % 5 - 2, diastolic + (day + place) % 3 - 1))
    return stored(number, *taken, **{"setting": "home", "protocol": "home-seven-day", **more})


def recording(number: int, start: datetime, systolic: float, diastolic: float, **more: Any) -> CurrentSitting:
    taken = []
    for place in range(52):
        when = start + timedelta(minutes=30 * place)
        night = 12 if when.hour >= 23 or when.hour < 7 else 0
        taken.append(
            reading(when, systolic - night + place % 7 - 3, diastolic - night + place % 5 - 2, position="not-recorded")
        )
    return stored(number, *taken, **{"setting": "ambulatory", **more})


def course(count: int, days_apart: float, *, seed: int = 7, **more: Any) -> list[CurrentSitting]:
    """Office sittings that fall slowly, with the day's ups and downs."""
    chance = random.Random(seed)
    found = []
    for place in range(count):
        at = START + timedelta(days=days_apart * place, hours=chance.choice((0, 1, 5)))
        systolic = 152 - 18 * place / max(1, count - 1) + chance.gauss(0, 7)
        diastolic = 92 - 8 * place / max(1, count - 1) + chance.gauss(0, 4)
        found.append(office(place, at, round(systolic), round(diastolic), **more))
    return found


def treated_course() -> list[CurrentSitting]:
    """A year: untreated, treated, stopped, treated again with a change."""
    said = ["no", "no", "yes", "yes", "not-recorded", "yes", "no", "no", "yes", "yes", "yes", "yes"]
    changes = {2: "2026-02-20", 6: "2026-06-20", 8: "2026-09-01", 10: "2026-11-02"}
    sittings = course(12, 30, seed=11)
    found, changed = [], None
    for place, (sitting, treated) in enumerate(zip(sittings, said, strict=True)):
        changed = changes.get(place, changed)
        subject = adult(antihypertensive_treatment=treated, treatment_changed_on=changed)
        at = sitting.reading_set.readings[0].taken_at
        first = sitting.reading_set.readings[1]
        found.append(office(place, at, (first.systolic_mmhg or 0) - 1, (first.diastolic_mmhg or 0) - 1, subject=subject))
    return found


def mixed() -> list[CurrentSitting]:
    return [
        office(1, START, 148, 92),
        home_week(2, START + timedelta(days=10), 136, 86),
        office(3, START + timedelta(days=30), 146, 90),
        recording(4, START + timedelta(days=40), 134, 84),
        home_week(5, START + timedelta(days=60), 131, 83),
        office(6, START + timedelta(days=90), 138, 86),
    ]


def known_to_each_other(sittings: list[CurrentSitting]) -> list[CurrentSitting]:
    """Sittings in order of time, each evaluated with what the ones before left."""
    found, before = list[CurrentSitting](), list[Remembered]()
    for sitting in sittings:
        began = sitting.reading_set.readings[0].taken_at
        evaluation = evaluate(sitting.reading_set, make_history(before, began, None), book())
        before.append(remember(sitting.reading_set, evaluation, book()))
        found.append(msgspec.structs.replace(sitting, evaluation=evaluation))
    return found


def in_turn(values: list[tuple[int, int]], days_apart: int, **more: Any) -> list[CurrentSitting]:
    """Office sittings of these values, each knowing the ones before."""
    return known_to_each_other(
        [office(place, START + timedelta(days=days_apart * place), *value, **more) for place, value in enumerate(values)]
    )


def severe() -> list[CurrentSitting]:
    """Three results with something severe: 178/100 and 176/100 only by a first reading of 187 and 185."""
    return in_turn([(150, 92), (178, 100), (186, 112), (165, 98), (142, 88), (176, 100)], 20)


def pregnancy() -> list[CurrentSitting]:
    """Weeks 20 to 38, rising; the last is severe in pregnancy."""
    subject = adult(pregnancy="pregnant", birth_date="1996-03-04")
    rising = [(112, 70), (115, 72), (119, 74), (124, 78), (130, 82), (136, 86), (148, 94), (164, 104)]
    return in_turn(rising, 18, subject=subject, protocol=None)


def newest_apart() -> list[CurrentSitting]:
    """Steady, and the newest far from the others."""
    return in_turn([(131, 82), (138, 79), (127, 84), (135, 86), (129, 78), (133, 81), (158, 95)], 20)


def many_settings() -> list[CurrentSitting]:
    """Office, home and a recording under five guidelines."""
    named = {"guidelines": ["aha-acc-2025", "esc-2024", "esh-2023", "jsh-2019", "nice-2019"]}
    return [
        home_week(1, START, 150, 94, **named),
        recording(2, START + timedelta(days=20), 148, 90, **named),
        office(3, START + timedelta(days=30), 188, 114, **named),
    ]


def child() -> list[CurrentSitting]:
    subject = {"identifier": PERSON, "birth_date": "2017-05-04", "sex": "male", "height_cm": 135}
    return [
        office(place, START + timedelta(days=60 * place), 108 + 3 * place, 66 + 2 * place, subject=subject, protocol=None)
        for place in range(4)
    ]


def voided_only() -> list[CurrentSitting]:
    first = office(1, START, 144, 90, status="voided")
    second = stored(2, *(reading(START + timedelta(days=3, minutes=2 * place), 150, 90, voided=True) for place in range(2)))
    return [first, second]


def open_only() -> list[CurrentSitting]:
    return [stored(1, reading(START, 150, 92), closed=False)]


def unusable() -> list[CurrentSitting]:
    """One reading each, so that nothing comes of it; and attempts that failed or cannot be."""
    return [
        stored(1, reading(START, 150, 92), protocol="office-one-arm"),
        stored(2, reading(START + timedelta(days=9), None, None), reading(START + timedelta(days=9, minutes=3), 90, 140)),
    ]


def many_guidelines() -> list[CurrentSitting]:
    named = ["aha-acc-2025", "esc-2024", "esh-2023", "jsh-2019", "nice-2019"]
    return course(6, 20, guidelines=named)


@cache
def cases() -> dict[str, list[CurrentSitting]]:
    """Every picture that is looked at."""
    return {
        "one": course(1, 1),
        "three": course(3, 25),
        "one-guideline": course(8, 20, guidelines=["jsh-2019"]),
        "forty": course(40, 17),
        "four-hundred": course(400, 4),
        "same-day": course(5, 0.05),
        "ten-years": course(20, 190),
        "treated": treated_course(),
        "mixed": mixed(),
        "child": child(),
        "many-guidelines": many_guidelines(),
        "severe": severe(),
        "pregnancy": pregnancy(),
        "newest-apart": newest_apart(),
        "many-settings": many_settings(),
        "voided-only": voided_only(),
        "empty": [],
        "open-only": open_only(),
        "unusable": unusable(),
    }


NOBODYS_FACTS = Facts()
