"""Time of measurement of a Bluetooth value: the device's own time, put right by what is known of its clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import Annotated
from zoneinfo import ZoneInfo

import msgspec
from msgspec import Meta

from quietcuff.core.model.fields import Instant, check_instant
from quietcuff.core.model.readings import Identifier
from quietcuff.core.rulebook.rulebook import Limits
from quietcuff.decode.gatt.values import CuffMeasurement, Unreadable
from quietcuff.decode.local_times import PlacedTime, is_fit, is_plausible, place, shifted

LOCAL_TIME = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}:[0-9]{2}(?![\s\S])"


class GattClock(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The device's clock and the gateway's, read at the same moment. ``synced``: the device's was set from a true one."""

    device_now: Annotated[str, Meta(pattern=LOCAL_TIME, examples=["2026-03-14T07:05:20"])] | None = None
    gateway_now: Instant | None = None
    synced: bool | None = None

    def __post_init__(self) -> None:
        if self.gateway_now is not None:
            check_instant(self.gateway_now)
        if self.device_now is not None:
            datetime.fromisoformat(self.device_now)


class KnownDevice(msgspec.Struct, frozen=True, kw_only=True):
    """Registry facts of a device: the zone of its clock, by how many seconds that is ahead, and by the number of a
    user's place in its memory, who that is."""

    zone: ZoneInfo | None = None
    drift_seconds: int | None = None
    users: dict[int, Identifier] = {}


def placed_time(
    compared: GattClock | None, measured: CuffMeasurement, known: KnownDevice, received_at: datetime, limits: Limits
) -> PlacedTime:
    """Time of measurement: by the device's true time, by its local time and zone, else when it arrived.

    Raises:
        Unreadable: a time that cannot be, also once it is put right by what is known of the device's clock.
    """
    local = measured.time.local if measured.time is not None else None
    if measured.utc is None and local is None:
        return PlacedTime(at=received_at, notes=("time-of-arrival",))
    try:
        placed = (
            placed_utc(compared, measured.utc, known, received_at, limits)
            if measured.utc is not None
            else placed_local(compared, local or received_at, known, received_at)
        )
    except OverflowError as error:
        raise Unreadable("no_such_time", "timestamp") from error
    if not is_fit(placed.at):
        raise Unreadable("no_such_time", "timestamp")
    if not is_plausible(placed.at, received_at, limits.device_clock_past_days, limits):
        raise Unreadable("clock_implausible", "timestamp")
    return placed


def placed_utc(
    compared: GattClock | None, utc: datetime, known: KnownDevice, received_at: datetime, limits: Limits
) -> PlacedTime:
    """The device's true time; by both clocks at one moment where it cannot be true."""
    shown = timezone(received_at.utcoffset() or timedelta())
    placed = corrected(PlacedTime(at=utc.replace(tzinfo=UTC).astimezone(shown)), known)
    ahead = clock_ahead(compared, received_at.astimezone(UTC))
    if ahead is None or is_plausible(placed.at, received_at, limits.device_clock_past_days, limits):
        return placed
    return shifted(PlacedTime(at=utc.replace(tzinfo=UTC).astimezone(shown)), -ahead)


def placed_local(compared: GattClock | None, local: datetime, known: KnownDevice, received_at: datetime) -> PlacedTime:
    """The device's local time, in the zone that is known or has to be assumed."""
    gateway = received_at if compared is None or compared.gateway_now is None else compared.gateway_now
    zone = timezone(gateway.utcoffset() or timedelta())
    ahead = clock_ahead(compared, gateway)
    if ahead is not None:
        # What the gateway saw of both clocks tells the offset with the error.
        return shifted(PlacedTime(at=local.replace(tzinfo=zone)), -ahead)
    if known.zone is not None:
        return corrected(place(local, known.zone, is_assumed=False), known)
    return corrected(place(local, zone, is_assumed=True), known)


def clock_ahead(compared: GattClock | None, gateway: datetime) -> timedelta | None:
    """The lead of the device's clock, by both clocks at one moment; None where nobody saw them, or it was set right."""
    if compared is None or compared.device_now is None or compared.synced:
        return None
    if compared.gateway_now is not None:
        gateway = compared.gateway_now.astimezone(gateway.tzinfo)
    return datetime.fromisoformat(compared.device_now) - gateway.replace(tzinfo=None)


def corrected(placed: PlacedTime, known: KnownDevice) -> PlacedTime:
    """A moment put right by how far the registry knows the clock to be off."""
    return shifted(placed, -timedelta(seconds=known.drift_seconds)) if known.drift_seconds else placed
