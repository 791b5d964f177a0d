"""A panel with its person, its device, its pulse and its device flags: everything that a payload says of one reading."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime

import msgspec

from quietcuff.core.model.readings import Device, Identifier, Reading, Subject
from quietcuff.decode.fhir import codes as codes
from quietcuff.decode.fhir.bundle import (
    Found,
    Payload,
    as_list,
    check_structure,
    codes_of,
    identifiers_of,
    pointed_at,
    refusal,
)
from quietcuff.decode.fhir.panel import Panel, act_of, read_flags, read_panel, read_pulse
from quietcuff.decode.fhir.parties import Parties
from quietcuff.decode.payload import OwnPlace

GONE = frozenset({"entered-in-error", "cancelled", "registered"})
OWN_SYSTEM = "/id/observation"
OWN_VALUE = re.compile(r"([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})/r(0|[1-9][0-9]{0,2})", re.ASCII)
# What is taken back needs no time; a reading cannot be without one.
NEVER = datetime(1900, 1, 1, tzinfo=UTC)


class Measured(msgspec.Struct, kw_only=True, eq=False):
    """A panel with all that the payload says of it; pulse and flags are added as they are found."""

    found: Found
    panel: Panel
    reading: Reading
    subject: Subject
    device: Device | None
    observer: Identifier | None


def measure(payload: Payload, parties: Parties, found: Found) -> Measured:
    """A panel with its person and device.

    Raises:
        Refusal: what of it cannot be read.
    """
    check_structure(found)
    sources = [payload.resolve(source, found) for source in as_list(found.values.get("derivedFrom"))]
    if any(source is not None and set(codes_of(source.values.get("code"))) & codes.PANELS for source in sources):
        raise refusal(found.at("derivedFrom"), "not-a-reading", "What was measured; a value made of readings is a mean.")
    subject = parties.subject(found)
    if act_of(found) == "retract" and stable_key(found) is not None:
        panel = Panel(reading=Reading(taken_at=NEVER), act="retract", is_verified=True, setting="office", attendance="attended")
    else:
        panel = read_panel(found)
    performers = as_list(found.values.get("performer"))
    return Measured(
        found=found,
        panel=panel,
        reading=panel.reading,
        subject=subject,
        device=parties.device(found),
        observer=pointed_at(payload, performers[0], found) if performers else None,
    )


def add_pulse(payload: Payload, parties: Parties, found: Found, measured: list[Measured]) -> None:
    """Give a pulse to the reading that it was measured with.

    Raises:
        Refusal: it cannot be read, or the reading has another.
    """
    owner = owner_of(payload, parties, found, measured, read_pulse)
    if owner is None:
        return
    one, pulse = owner
    if one.reading.pulse_per_min not in (None, pulse.pulse_per_min):
        raise refusal(found.at("valueQuantity", "value"), "contradiction", "One pulse a reading.")
    one.reading = msgspec.structs.replace(one.reading, pulse_per_min=pulse.pulse_per_min)


def add_flags(payload: Payload, parties: Parties, found: Found, measured: list[Measured]) -> None:
    """Give a device's status to the reading that it is of.

    Raises:
        Refusal: it cannot be read.
    """
    owner = owner_of(payload, parties, found, measured, read_flags)
    if owner is not None:
        one, status = owner
        flags = list(dict.fromkeys([*one.reading.device_flags, *status.device_flags]))
        one.reading = msgspec.structs.replace(one.reading, device_flags=flags)


def owner_of(
    payload: Payload, parties: Parties, found: Found, measured: list[Measured], read: Callable[[Found], Reading]
) -> tuple[Measured, Reading] | None:
    """The reading that an Observation belongs to: one of the two names the other, or person, device and time are the same.

    Raises:
        Refusal: it cannot be read.
    """
    if found.status in GONE or "dataAbsentReason" in found.values:
        return None
    named = [payload.resolve(source, found) for source in as_list(found.values.get("derivedFrom"))]
    linked = [
        one
        for one in measured
        if one.found in named
        or found in [payload.resolve(member, one.found) for member in as_list(one.found.values.get("hasMember"))]
    ]
    if not linked and not measured:
        return None
    check_structure(found)
    said = read(found)
    if not linked:
        person, device = parties.subject(found).identifier, parties.device(found)
        linked = [
            one
            for one in measured
            if one.reading.taken_at == said.taken_at
            and one.subject.identifier == person
            and (device is None or one.device is None or device == one.device)
        ]
    return (linked[0], said) if len(linked) == 1 else None


def stable_key(found: Found) -> str | None:
    """What stays the same when an Observation is corrected: its first identifier, or its address on the sender's server."""
    identifiers = identifiers_of(found.values)
    if identifiers:
        return f"fhir {identifiers[0]['system']}|{identifiers[0]['value']}"
    is_address = found.full_url is not None and found.full_url.startswith(("http://", "https://"))
    return f"fhir {found.full_url}" if is_address else None


def natural_key(one: Measured) -> str:
    """What the same reading is known by when it is sent again without a key: device, time and pressures. Source: [PHD]."""
    device = one.device.identifier if one.device is not None else None
    named = "" if device is None else f"{device.system}|{device.value}"
    reading = one.reading
    return f"fhir {named} {reading.taken_at.astimezone(UTC).isoformat()} {reading.systolic_mmhg} {reading.diastolic_mmhg}"


def own_place(found: Found) -> OwnPlace | None:
    """Where a reading stands in a set of this service, by the identifier that this service gave it when it handed it on."""
    for identifier in identifiers_of(found.values):
        match = OWN_VALUE.fullmatch(str(identifier["value"]))
        if match is not None and str(identifier["system"]).endswith(OWN_SYSTEM):
            return OwnPlace(set_id=match[1], reading=int(match[2]))
    return None
