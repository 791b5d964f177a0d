"""The intended content of a payload: readings, each with the key by which its sender knows it."""

from __future__ import annotations

from datetime import timedelta
from typing import Literal

import msgspec

from quietcuff.core.model.fields import Attendance, IntakeCode, Setting
from quietcuff.core.model.readings import Context, Cuff, Device, Identifier, Reading, Subject

Act = Literal["add", "correct", "retract"]


class OwnPlace(msgspec.Struct, frozen=True):
    """The place of a reading in a set of this service, as its sender had it from here."""

    set_id: str
    reading: int


class IncomingReading(msgspec.Struct, frozen=True, kw_only=True):
    """One reading, where it stands in its payload, and its sender's own key of it.

    The same key of the same person is the same reading: added again it is not doubled, ``correct`` puts right what was stored,
    ``retract`` voids it. ``notes`` say what had to be assumed. ``own`` where this service handed the reading on: in the tenant
    that has it, it is known already. ``says`` names the fields that a correction speaks of, where it
    does not speak of all: the others stay, and there is nothing to store where the key is not known. ``alike`` are other keys
    of the same reading, as long as what is stored under them was taken less than ``alike_within`` before or after.
    """

    place: str
    source_key: str
    reading: Reading
    notes: tuple[IntakeCode, ...] = ()
    act: Act = "add"
    own: OwnPlace | None = None
    says: tuple[str, ...] | None = None
    alike: tuple[str, ...] = ()
    alike_within: timedelta = timedelta()


class IntendedSitting(msgspec.Struct, frozen=True, kw_only=True):
    """Readings of one person with one device. ``set_id`` where the sender names the set that they belong to, ``user`` the
    number of the device's user, where it tells one.

    They join an open set or open new ones, so they need not be of one sitting.
    """

    subject: Subject
    readings: list[IncomingReading]
    device: Device | None = None
    cuff: Cuff | None = None
    context: Context | None = None
    setting: Setting = "office"
    attendance: Attendance = "attended"
    observer: Identifier | None = None
    location: Identifier | None = None
    encounter: Identifier | None = None
    based_on: Identifier | None = None
    set_id: str | None = None
    closed: bool = False
    user: int | None = None


class RefusedPart(msgspec.Struct, frozen=True, kw_only=True):
    """A part of a payload that cannot be read: where, why, and what would be accepted."""

    place: str
    code: str
    detail: str


class Intended(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a payload says. What is neither here nor refused was counted and named by its decoder as of no concern."""

    sittings: list[IntendedSitting]
    refused: list[RefusedPart] = []
