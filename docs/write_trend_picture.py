"""Draws docs/trend.svg from invented sittings: ``python docs/write_trend_picture.py``. A test compares the two."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec

from quietcuff.analytics.trend import make_trend
from quietcuff.analytics.trend_picture import finished
from quietcuff.analytics.trend_words import picture_words
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import Facts, ReadingSet
from quietcuff.core.over_visits.history import Remembered, make_history, remember
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.languages import load_languages

PICTURE = Path(__file__).with_name("trend.svg")
FIRST_DAY = datetime.fromisoformat("2025-03-03T09:10:00+01:00")
TREATED_FROM, CHANGED = 70, 240
# Day of the course, and what was measured on it. The person is invented.
OFFICE = [
    (0, 154, 95),
    (21, 149, 93),
    (56, 157, 96),
    (84, 146, 91),
    (126, 141, 88),
    (182, 144, 90),
    (238, 142, 87),
    (270, 133, 84),
    (320, 129, 82),
    (378, 131, 81),
    (430, 127, 80),
]
HOME = [(40, 146, 91), (290, 128, 80)]
RECORDED = [(60, 147, 92)]


def reading(at: datetime, systolic: int, diastolic: int) -> dict[str, Any]:
    return {
        "taken_at": at.isoformat(),
        "systolic_mmhg": systolic,
        "diastolic_mmhg": diastolic,
        "site": "left-upper-arm",
        "position": "sitting",
    }


def bodies() -> list[tuple[int, dict[str, Any]]]:
    """Every sitting with its day, in order of time."""
    found: list[tuple[int, dict[str, Any]]] = []
    for day, systolic, diastolic in OFFICE:
        at = FIRST_DAY + timedelta(days=day)
        taken = [
            reading(at + timedelta(minutes=2 * place), systolic + up, diastolic + up // 2)
            for place, up in enumerate((10, 1, -1))
        ]
        found.append((day, {"protocol": "office-one-arm", "readings": taken}))
    for day, systolic, diastolic in HOME:
        at = FIRST_DAY + timedelta(days=day)
        taken = [
            reading(
                at + timedelta(hours=12 * half, minutes=2 * place), systolic + half % 5 - 2 + place, diastolic + half % 3 - 1
            )
            for half in range(14)
            for place in range(2)
        ]
        found.append((day, {"setting": "home", "protocol": "home-seven-day", "readings": taken}))
    for day, systolic, diastolic in RECORDED:
        times = [FIRST_DAY + timedelta(days=day, minutes=30 * place) for place in range(50)]
        nights = [14 if at.hour >= 23 or at.hour < 7 else 0 for at in times]
        taken = [
            reading(at, systolic - night + at.hour % 7 - 3, diastolic - night + at.hour % 5 - 2)
            for at, night in zip(times, nights, strict=True)
        ]
        found.append((day, {"setting": "ambulatory", "readings": taken}))
    return sorted(found, key=lambda sitting: sitting[0])


def said_on(day: int) -> dict[str, Any]:
    """What is said of the person on a day of the course."""
    changes = [change for change in (TREATED_FROM, CHANGED) if change <= day]
    return {
        "identifier": {"system": "urn:example:person", "value": "nobody"},
        "birth_date": "1968-02-02",
        "antihypertensive_treatment": "yes" if changes else "no",
        "treatment_changed_on": (FIRST_DAY + timedelta(days=changes[-1])).date().isoformat() if changes else None,
    }


def picture() -> bytes:
    """The picture, of sittings that each know the ones before."""
    book, earlier, stored = load_rulebook(), list[Remembered](), list[CurrentSitting]()
    for number, (day, body) in enumerate(bodies()):
        reading_set = msgspec.convert({"subject": said_on(day), "visit": "follow-up", **body}, ReadingSet)
        began = reading_set.readings[0].taken_at
        evaluation = evaluate(reading_set, make_history(earlier, began, reading_set.subject.treatment_changed_on), book)
        earlier.append(remember(reading_set, evaluation, book))
        stored.append(
            CurrentSitting(set_id=f"{number:04d}", status="active", closed=True, reading_set=reading_set, evaluation=evaluation)
        )
    return finished(make_trend(stored, Facts(), book), picture_words(load_languages(book), None))


if __name__ == "__main__":
    PICTURE.write_bytes(picture())
