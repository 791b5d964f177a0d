"""Invented home series and ambulatory recordings, as the bodies that clients send."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

SUBJECT = {"identifier": {"system": "urn:example:series", "value": "person"}, "birth_date": "1966-01-15", "sex": "female"}
START = datetime.fromisoformat("2026-05-04T00:00:00+02:00")
Pressures = Callable[[datetime], tuple[float, float]]


def reading(at: datetime, pressures: tuple[float, float] | None, **more: Any) -> dict[str, Any]:
    """One reading; a failed attempt where there are no pressures."""
    fields: dict[str, Any] = {"taken_at": at.isoformat(), "site": "left-upper-arm", "position": "sitting"}
    if pressures is not None:
        fields |= {"systolic_mmhg": pressures[0], "diastolic_mmhg": pressures[1]}
    return fields | {"method": "oscillometric"} | more


def home_series(days: int, pressures: Pressures, *, start: datetime = START, times: int = 2) -> list[dict[str, Any]]:
    """``times`` readings at 8 in the morning and at 20 in the evening of each day."""
    moments = [
        start + timedelta(days=day, hours=hour, minutes=minute)
        for day in range(days)
        for hour in (8, 20)
        for minute in range(times)
    ]
    return [reading(moment, pressures(moment)) for moment in moments]


def home_body(readings: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    return {
        "subject": SUBJECT,
        "setting": "home",
        "protocol": "home-seven-day",
        "guidelines": ["esh-2023"],
        "visit": "follow-up",
        "readings": readings,
    } | more


def recording(
    pressures: Pressures,
    *,
    start: datetime = START + timedelta(hours=9),
    hours: float = 24,
    day_every: int = 20,
    night_every: int = 30,
) -> list[dict[str, Any]]:
    """A recording with a reading every ``day_every`` minutes from 6 to 22 and every ``night_every`` minutes else."""
    readings, moment = [], start
    while moment < start + timedelta(hours=hours):
        readings.append(reading(moment, pressures(moment), position="not-recorded"))
        moment += timedelta(minutes=day_every if 6 <= moment.hour < 22 else night_every)
    return readings


def ambulatory_body(readings: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    return {
        "subject": SUBJECT,
        "setting": "ambulatory",
        "guidelines": ["esh-2023"],
        "visit": "follow-up",
        "readings": readings,
    } | more


def by_hours(day: tuple[float, float], night: tuple[float, float]) -> Pressures:
    """The same pressures through the day from 6 to 22, and others through the night."""
    return lambda moment: day if 6 <= moment.hour < 22 else night
