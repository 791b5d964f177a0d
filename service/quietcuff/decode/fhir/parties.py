"""People and devices of a FHIR payload: Patient and Device as the person and the device of a sitting."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

from quietcuff.core.model.readings import Device, Identifier, Subject
from quietcuff.decode.faults import find_faults
from quietcuff.decode.fhir import codes as codes
from quietcuff.decode.fhir.bundle import (
    Found,
    PayloadResources,
    RefusedEntry,
    Values,
    as_list,
    as_object,
    check_structure,
    codes_of,
    identifiers_of,
    pointed_at,
    refusal,
)
from quietcuff.decode.payload import RefusedPart

S = TypeVar("S", bound=msgspec.Struct)
KnownIdentifiers = Mapping[str, Identifier]


def struct_of(shape: type[S], values: Values, places: Mapping[str, str]) -> S:
    """A struct of the values; ``places`` says by field where each came from.

    Raises:
        Refusal: every value that the struct does not take, each with where it came from.
    """
    try:
        return msgspec.convert(values, shape)
    except (msgspec.ValidationError, OverflowError) as error:
        faults = find_faults(values, shape)
        parts = [
            RefusedPart(
                place=places.get((fault.pointer or "/").split("/")[1], places[""]), code=fault.code, detail=fault.detail
            )
            for fault in faults
        ]
        whole = RefusedPart(place=places[""], code="not-acceptable", detail="Values of the documented shape.")
        raise RefusedEntry(*(parts or [whole])) from error


class Parties:
    """People and devices of a payload, each read once. ``known`` are people of this service by their id here."""

    def __init__(self, payload: PayloadResources, known: KnownIdentifiers) -> None:
        self._payload = payload
        self._known = known
        self._people: dict[Found, Subject | RefusedEntry] = {}
        self._devices: dict[Found, Device | RefusedEntry] = {}

    def subject(self, observation: Found) -> Subject:
        """The person of an Observation, with what its Patient says.

        Raises:
            Refusal: nobody that could be told apart by an identifier.
        """
        reference = observation.values.get("subject")
        own = as_object(as_object(reference).get("identifier"))
        patient = self._payload.resolve(reference, observation)
        known = self._known.get(own_patient(reference) or "")
        said = None if known is None else Subject(identifier=known)
        if patient is not None and patient.kind == "Patient":
            said = self._person(patient)
        if own.get("system") and own.get("value"):
            place = observation.at("subject", "identifier")
            identifier = struct_of(Identifier, {name: own[name] for name in ("system", "value")}, {"": place})
            return Subject(identifier=identifier) if said is None else msgspec.structs.replace(said, identifier=identifier)
        if said is None:
            detail = "A Patient in the payload or of this service, or subject.identifier, with system and value."
            raise refusal(observation.at("subject"), "not-identified", detail)
        return said

    def _person(self, patient: Found) -> Subject:
        if patient not in self._people:
            self._people[patient] = outcome(read_patient, patient)
        return settled(self._people[patient])

    def device(self, observation: Found) -> Device | None:
        """The device of an Observation, as far as it is told; None where it is not.

        Raises:
            Refusal: a Device that is not built as FHIR has it.
        """
        reference = observation.values.get("device")
        device = self._payload.resolve(reference, observation)
        if device is None or device.kind != "Device":
            identifier = pointed_at(self._payload, reference, observation)
            return None if identifier is None else Device(identifier=identifier)
        if device not in self._devices:
            self._devices[device] = outcome(read_device, device)
        return settled(self._devices[device])


def outcome(read: Any, found: Found) -> Any:
    """The struct of a resource, or the refusal where it cannot be read."""
    try:
        check_structure(found)
        return read(found)
    except RefusedEntry as refused:
        return refused


def settled(found: S | RefusedEntry) -> S:
    """The struct.

    Raises:
        Refusal: it could not be read.
    """
    if isinstance(found, RefusedEntry):
        raise RefusedEntry(*found.parts)
    return found


def own_patient(reference: object) -> str | None:
    """The id in a reference to a Patient, wherever that is."""
    said = as_object(reference).get("reference")
    parts = said.partition("/_history/")[0].split("/") if isinstance(said, str) else []
    return parts[-1] if len(parts) > 1 and parts[-2] == "Patient" else None


def read_patient(patient: Found) -> Subject:
    """A person: the first identifier in use, sex and date of birth.

    Raises:
        Refusal: no identifier, or one that cannot be stored.
    """
    identifiers = identifiers_of(patient.values)
    if not identifiers:
        raise refusal(patient.at("identifier"), "not-identified", "An identifier with system and value.")
    said = {
        "identifier": {name: identifiers[0][name] for name in ("system", "value")},
        "sex": patient.values.get("gender"),
        "birth_date": patient.values.get("birthDate"),
    }
    places = {
        "": patient.place,
        "identifier": patient.at("identifier"),
        "sex": patient.at("gender"),
        "birth_date": patient.at("birthDate"),
    }
    return struct_of(Subject, {name: value for name, value in said.items() if value is not None}, places)


def read_device(device: Found) -> Device:
    """A monitor: its identifier, what it is, and where it is worn, as far as codes or words say it.

    Raises:
        Refusal: a text that cannot be stored.
    """
    values, identifiers = device.values, identifiers_of(device.values)
    names = [as_object(name) for name in as_list(values.get("deviceName"))]
    models = [name.get("name") for name in names if name.get("type") == "model-name"]
    remarks = [as_object(note).get("text") for note in as_list(values.get("note"))]
    kind, site = kind_and_site(values.get("type"))
    said = {
        "identifier": {name: identifiers[0][name] for name in ("system", "value")} if identifiers else None,
        "kind": kind,
        "site": site,
        "validated": next((codes.VALIDATED_WORDS[text] for text in remarks if text in codes.VALIDATED_WORDS), None),
        "manufacturer": values.get("manufacturer"),
        "model": values.get("modelNumber") or next(iter(models), None),
        "serial_number": values.get("serialNumber"),
    }
    places = {
        "": device.place,
        "identifier": device.at("identifier"),
        "manufacturer": device.at("manufacturer"),
        "model": device.at("modelNumber" if values.get("modelNumber") else "deviceName"),
        "serial_number": device.at("serialNumber"),
    }
    return struct_of(Device, {name: value for name, value in said.items() if value is not None}, places)


def kind_and_site(concept: object) -> tuple[str | None, str | None]:
    """The kind and site of a monitor that a type names, by its code or by our own words."""
    coded = next((codes.DEVICE_KINDS[code] for code in codes_of(concept) if code in codes.DEVICE_KINDS), None)
    text = as_object(concept).get("text")
    words = text.split(", ") if isinstance(text, str) else []
    kind = next((codes.KIND_WORDS[word] for word in words if word in codes.KIND_WORDS), coded)
    return kind, next((codes.DEVICE_SITE_WORDS[word] for word in words if word in codes.DEVICE_SITE_WORDS), None)
