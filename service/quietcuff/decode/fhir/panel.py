"""One blood-pressure panel, one pulse, one device status: Observations as what was measured.

Sources: [R4] profiles bp, heartrate and vitalsigns; [PHD] the measurement status with its bits. What of a status is stored, and
what of a missing value is a failed attempt: [DECISION].

A panel with its person, its device, its pulse and its device flags: everything that a payload says of one reading.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime

import msgspec

from quietcuff.core.model.fields import Attendance, DeviceFlag, Position, Rhythm, Setting
from quietcuff.core.model.readings import Cuff, Device, Identifier, Reading, Subject
from quietcuff.decode.fhir import codes as codes
from quietcuff.decode.fhir.bundle import (
    Found,
    PayloadResources,
    Values,
    as_list,
    as_object,
    check_structure,
    codes_of,
    identifiers_of,
    pointed_at,
    refusal,
)
from quietcuff.decode.fhir.codes import Code
from quietcuff.decode.fhir.parties import Parties, struct_of
from quietcuff.decode.fhir.values import extensions_of, first_of, pressure_of, pulse_of, remarks_of, time_of
from quietcuff.decode.payload import Act, OwnPlace
from quietcuff.terminology.systems import BODY_POSITION_EXTENSION

STORED: dict[str, Act] = {
    "final": "add",
    "preliminary": "add",
    "unknown": "add",
    "amended": "correct",
    "corrected": "correct",
    "entered-in-error": "retract",
    "cancelled": "add",
}
NOT_VERIFIED = frozenset({"preliminary", "unknown"})


class Panel(msgspec.Struct, frozen=True, kw_only=True):
    """A panel as read: the reading, what is to be done with it, and what it says of its sitting."""

    reading: Reading
    act: Act
    is_verified: bool
    setting: Setting
    attendance: Attendance


def act_of(found: Found) -> Act:
    """The act that the status of a reading asks for.

    Raises:
        Refusal: a status of something that was not measured, or data of a test.
    """
    if found.status not in STORED:
        raise refusal(found.at("status"), "unknown-code", f"Accepted: {', '.join(sorted(STORED))}.")
    for number, label in enumerate(as_list(as_object(found.values.get("meta")).get("security"))):
        if (as_object(label).get("system"), as_object(label).get("code")) == codes.TEST_DATA:
            raise refusal(found.at("meta", "security", number), "test-data", "Measurements of people, not of tests.")
    return STORED[found.status]


def read_panel(found: Found) -> Panel:
    """A reading out of a panel. What was taken back needs no values.

    Raises:
        Refusal: what is wrong with it.
    """
    act, remarks = act_of(found), remarks_of(found)
    parts = components_of(found)
    measured = pressures_of(found, parts, act)
    position = position_of(found, parts)
    place_of_time, taken_at = time_of(found)
    values: Values = {
        "taken_at": taken_at,
        **measured,
        "site": first_of(codes.BODY_SITES, found.values.get("bodySite"), "not-recorded"),
        "position": position,
        "method": first_of(codes.METHODS, found.values.get("method"), None),
        "cuff": cuff_of(found, parts),
        "rhythm": rhythm_of(remarks),
    }
    places = {"": found.place, "taken_at": place_of_time}
    for name, field in FIELDS.items():
        if name in parts:
            places[field] = found.at("component", parts[name], "valueQuantity", "value")
    return Panel(
        reading=struct_of(Reading, {name: value for name, value in values.items() if value is not None}, places),
        act=act,
        is_verified=found.status not in NOT_VERIFIED,
        setting=setting_of(found, remarks),
        attendance=next((codes.ATTENDANCE_WORDS[text] for text in remarks if text in codes.ATTENDANCE_WORDS), "attended"),
    )


PRINTED_RANGE = re.compile(r"(?:(?P<size>.+), )?(?P<low>\d{1,3}(?:\.\d+)?)-(?P<high>\d{1,3}(?:\.\d+)?) cm")
FIELDS = {
    "systolic": "systolic_mmhg",
    "diastolic": "diastolic_mmhg",
    "mean": "mean_arterial_mmhg",
    "pulse": "pulse_per_min",
}


def components_of(found: Found) -> dict[str, int]:
    """The places of the components that are understood, by what they are.

    Raises:
        Refusal: one that is two things by its codes, one that is there twice, or one whose meaning something changes.
    """
    places: dict[str, int] = {}
    for number, component in enumerate(as_list(found.values.get("component"))):
        names = {codes.COMPONENTS[code] for code in codes_of(component.get("code")) if code in codes.COMPONENTS}
        if len(names) > 1:
            raise refusal(found.at("component", number, "code"), "contradiction", "Codes of one measure.")
        if not names:
            continue
        if "modifierExtension" in component:
            detail = "Nothing that changes the meaning of the rest."
            raise refusal(found.at("component", number, "modifierExtension"), "not-supported", detail)
        (name,) = names
        if name in places:
            raise refusal(found.at("component", number, "code"), "named-twice", "Each measure once.")
        places[name] = number
    return places


def pressures_of(found: Found, parts: dict[str, int], act: Act) -> dict[str, float]:
    """The values of the components, by the fields of a reading: both pressures, or neither after a failed attempt.

    Raises:
        Refusal: a value that cannot be read, one pressure alone, or none without a failure.
    """
    components = as_list(found.values.get("component"))
    given: dict[str, float] = {}
    for name, number in parts.items():
        if name not in FIELDS:
            continue
        quantity = components[number].get("valueQuantity")
        if quantity is not None:
            read = pulse_of if name == "pulse" else pressure_of
            given[FIELDS[name]] = read(as_object(quantity), found, "component", number, "valueQuantity")
    missing = [name for name in ("systolic", "diastolic") if FIELDS[name] not in given]
    if found.status == "cancelled" and given:
        raise refusal(found.at("status"), "contradiction", "No values, for what was not completed.")
    if act == "retract" or not missing:
        return given
    place = found.at("component", parts[missing[0]]) if missing[0] in parts else found.at("component")
    if len(missing) == 1:
        raise refusal(place, "one-pressure-missing", "Both pressures, or neither after a failure.")
    reasons = {code for _, code in absent_reasons(found, [components[number] for number in parts.values()])}
    if found.status == "cancelled" or reasons & codes.FAILURES:
        return given
    raise refusal(place, "no-pressures", "Two pressures; after a failed attempt a dataAbsentReason of error.")


def absent_reasons(found: Found, components: list[Values]) -> list[Code]:
    """Reasons why values are missing: of the whole, and of its components."""
    concepts = [found.values.get("dataAbsentReason"), *(component.get("dataAbsentReason") for component in components)]
    return [code for concept in concepts for code in codes_of(concept)]


def position_of(found: Found, parts: dict[str, int]) -> Position:
    """Body position: by the extension, and by codes of components that name it.

    Raises:
        Refusal: the two contradict each other.
    """
    said: set[Position] = set()
    for extension in extensions_of(found, BODY_POSITION_EXTENSION):
        position: Position = first_of(codes.POSITIONS, extension.get("valueCodeableConcept"), "not-recorded")
        said.add(position)
    components = as_list(found.values.get("component"))
    for number in parts.values():
        said |= {
            codes.POSITION_OF_COMPONENT[code]
            for code in codes_of(components[number].get("code"))
            if code in codes.POSITION_OF_COMPONENT
        }
    said.discard("not-recorded")
    if len(said) > 1:
        raise refusal(found.at("extension"), "contradiction", "One body position.")
    return said.pop() if said else "not-recorded"


def cuff_of(found: Found, parts: dict[str, int]) -> Cuff | None:
    """The cuff: the size that its code names, else its words as they stand. The range behind them is read as we write it."""
    if "cuff" not in parts:
        return None
    concept = as_object(as_list(found.values.get("component"))[parts["cuff"]].get("valueCodeableConcept"))
    words = concept.get("text")
    printed = PRINTED_RANGE.fullmatch(str(words or ""))
    said, range_cm = (printed["size"], (float(printed["low"]), float(printed["high"]))) if printed else (words, None)
    size = first_of(codes.CUFF_SIZES, concept, said)
    try:
        return msgspec.convert({"size": size, "range_cm": range_cm}, Cuff) if size or range_cm else None
    except msgspec.ValidationError:
        # No reading is refused for the words on its cuff. The payload keeps them.
        return None


def setting_of(found: Found, remarks: set[str]) -> Setting:
    """The setting, as far as it is given; else the office."""
    for extension in extensions_of(found, codes.SETTING_EXTENSION):
        coded: Setting | None = first_of(codes.SETTINGS, extension.get("valueCodeableConcept"), None)
        if coded is not None:
            return coded
    return next((codes.SETTING_WORDS[text] for text in sorted(remarks) if text in codes.SETTING_WORDS), "office")


def rhythm_of(remarks: set[str]) -> Rhythm:
    """Irregular where a remark says so."""
    return "irregular" if codes.IRREGULAR_WORDS in remarks else "not-recorded"


def read_pulse(found: Found) -> Reading:
    """The rate of a pulse and when it was taken, as a reading without pressures.

    Raises:
        Refusal: none that can be stored.
    """
    quantity = as_object(found.values.get("valueQuantity"))
    place_of_time, taken_at = time_of(found)
    places = {"": found.place, "pulse_per_min": found.at("valueQuantity", "value"), "taken_at": place_of_time}
    rate = pulse_of(quantity, found, "valueQuantity")
    return struct_of(Reading, {"taken_at": taken_at, "pulse_per_min": rate}, places)


def read_flags(found: Found) -> Reading:
    """The flags that a device raised while it measured, and the time, as a reading without pressures: the bits that are set.

    Raises:
        Refusal: no time.
    """
    flagged: list[DeviceFlag] = []
    for component in as_list(found.values.get("component")):
        if component.get("valueBoolean") is True:
            text = as_object(component.get("code")).get("text")
            flagged.append(first_of(codes.FLAGS, component.get("code"), codes.FLAG_WORDS.get(str(text))))
    flags = [flag for flag in dict.fromkeys(flagged) if flag is not None]
    place_of_time, taken_at = time_of(found)
    return struct_of(Reading, {"taken_at": taken_at, "device_flags": flags}, {"": found.place, "taken_at": place_of_time})


GONE = frozenset({"entered-in-error", "cancelled", "registered"})
OWN_SYSTEM = "/id/observation"
OWN_VALUE = re.compile(r"([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})/r(0|[1-9][0-9]{0,2})", re.ASCII)
# What is taken back needs no time; a reading cannot be without one.
NEVER = datetime(1900, 1, 1, tzinfo=UTC)


class MeasuredPanel(msgspec.Struct, kw_only=True, eq=False):
    """A panel with all that the payload says of it; pulse and flags are added as they are found."""

    found: Found
    panel: Panel
    reading: Reading
    subject: Subject
    device: Device | None
    observer: Identifier | None


def measure(payload: PayloadResources, parties: Parties, found: Found) -> MeasuredPanel:
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
    return MeasuredPanel(
        found=found,
        panel=panel,
        reading=panel.reading,
        subject=subject,
        device=parties.device(found),
        observer=pointed_at(payload, performers[0], found) if performers else None,
    )


def add_pulse(payload: PayloadResources, parties: Parties, found: Found, measured: list[MeasuredPanel]) -> None:
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


def add_flags(payload: PayloadResources, parties: Parties, found: Found, measured: list[MeasuredPanel]) -> None:
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
    payload: PayloadResources, parties: Parties, found: Found, measured: list[MeasuredPanel], read: Callable[[Found], Reading]
) -> tuple[MeasuredPanel, Reading] | None:
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
    """The key that stays when an Observation is corrected: its first identifier, or its address on the sender's server."""
    identifiers = identifiers_of(found.values)
    if identifiers:
        return f"fhir {identifiers[0]['system']}|{identifiers[0]['value']}"
    is_address = found.full_url is not None and found.full_url.startswith(("http://", "https://"))
    return f"fhir {found.full_url}" if is_address else None


def natural_key(one: MeasuredPanel) -> str:
    """The key of a reading that is sent without one: device, time and pressures. Source: [PHD]."""
    device = one.device.identifier if one.device is not None else None
    named = "" if device is None else device.text
    reading = one.reading
    return f"fhir {named} {reading.taken_at.astimezone(UTC).isoformat()} {reading.systolic_mmhg} {reading.diastolic_mmhg}"


def own_place(found: Found) -> OwnPlace | None:
    """The place of a reading in a set of this service, by the identifier that this service gave it when it handed it on."""
    for identifier in identifiers_of(found.values):
        match = OWN_VALUE.fullmatch(str(identifier["value"]))
        if match is not None and str(identifier["system"]).endswith(OWN_SYSTEM):
            return OwnPlace(set_id=match[1], reading=int(match[2]))
    return None
