"""Local times of devices and messages that have no zone, put into time: which offset is taken, and what had to be assumed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import msgspec

from quietcuff.core.model.fields import FIRST_YEAR, LAST_YEAR, IntakeCode
from quietcuff.core.rulebook.rulebook import Limits

# Below this a device's clock is as good as anybody's.
BORNE_SECONDS = 60


class PlacedTime(msgspec.Struct, frozen=True, kw_only=True):
    """A moment with its offset, and what had to be assumed of it."""

    at: datetime
    notes: tuple[IntakeCode, ...] = ()


def place(local: datetime, zone: tzinfo, *, is_assumed: bool) -> PlacedTime:
    """A local time in a zone. Of an hour that comes twice the earlier offset is taken, and so it is of one that never was.

    Example: 2026-10-25 02:30 in Europe/Vienna comes twice: 02:30+02:00 is taken, with ``clock-hour-unclear``.
    """
    notes: list[IntakeCode] = ["clock-zone-assumed"] if is_assumed else []
    early, late = local.replace(tzinfo=zone, fold=0), local.replace(tzinfo=zone, fold=1)
    offset = early.utcoffset() or timedelta()
    if late.utcoffset() != offset:
        notes.append("clock-hour-unclear")
    at = local.replace(tzinfo=timezone(offset))
    # Local mean times of long ago have seconds in their offsets, which cannot be written.
    return PlacedTime(at=at if offset.seconds % 60 == 0 else at.astimezone(UTC), notes=tuple(notes))


def is_in_gap(local: datetime, zone: ZoneInfo) -> bool:
    """True for a local time that never was, because clocks were put forward over it."""
    there_and_back = local.replace(tzinfo=zone).astimezone(UTC).astimezone(zone)
    return there_and_back.replace(tzinfo=None) != local


def shifted(placed: PlacedTime, by: timedelta) -> PlacedTime:
    """A moment put right by how far its clock was off."""
    if abs(by.total_seconds()) < BORNE_SECONDS:
        return msgspec.structs.replace(placed, at=placed.at + by)
    return PlacedTime(at=placed.at + by, notes=(*placed.notes, "clock-shifted"))


def is_fit(moment: datetime) -> bool:
    """True for a moment within the years that are stored."""
    return FIRST_YEAR < moment.year < LAST_YEAR


def is_plausible(moment: datetime, received_at: datetime, past_days: int, limits: Limits) -> bool:
    """True where the moment of measurement fits the time of arrival: neither so far ahead nor so long ago as only a
    clock that lost its time tells. Source: [PHD], unusable time stamps; how far is a [DECISION]."""
    late = timedelta(hours=limits.device_clock_future_hours)
    return received_at - timedelta(days=past_days) <= moment <= received_at + late
