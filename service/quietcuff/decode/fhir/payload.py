"""FHIR R4 resources as sittings: panels with the pulses and device flags that belong to them, by person and device.

A reading is a panel of two pressures. Means of several readings are never readings. What is no blood pressure is left aside;
what is one and cannot be read is refused with its place. The whole payload stays kept, so that nothing of it is lost.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import msgspec

from quietcuff.core.model.readings import Cuff, Identifier
from quietcuff.decode.fhir import codes as codes
from quietcuff.decode.fhir.bundle import (
    Found,
    PayloadResources,
    RefusedEntry,
    as_list,
    as_object,
    codes_of,
    not_acceptable,
    pointed_at,
    refusal,
)
from quietcuff.decode.fhir.panel import MeasuredPanel, add_flags, add_pulse, measure, natural_key, own_place, stable_key
from quietcuff.decode.fhir.parties import KnownIdentifiers, Parties, own_patient
from quietcuff.decode.fhir.values import extensions_of
from quietcuff.decode.payload import IncomingReading, Intended, IntendedSitting, RefusedPart
from quietcuff.terminology.systems import LOCATION_EXTENSION

T = TypeVar("T")
FINAL = frozenset({"final", "amended", "corrected"})


class SortedObservations(msgspec.Struct, frozen=True, kw_only=True):
    """The Observations of a payload by what they are."""

    panels: list[Found] = []
    pulses: list[Found] = []
    statuses: list[Found] = []
    averages: list[Found] = []


def patients_named(payload: PayloadResources) -> set[str]:
    """Ids of Patients that are referred to and not in the payload: people of this service, perhaps."""
    references = [(found, found.values.get("subject")) for found in payload.resources if found.kind == "Observation"]
    missing = [own_patient(reference) for found, reference in references if payload.resolve(reference, found) is None]
    return {named for named in missing if named is not None}


def intend(payload: PayloadResources, known: KnownIdentifiers) -> Intended:
    """The readings that a payload is meant to store. ``known`` are people of this service, by their id.

    Raises:
        NotAcceptable: there is no blood pressure in it.
    """
    refused = list(payload.refused)
    observations = sort_out(payload, refused)
    parties = Parties(payload, known)
    measured = list(each(observations.panels, lambda found: measure(payload, parties, found), refused))
    for add, beside in ((add_pulse, observations.pulses), (add_flags, observations.statuses)):
        for found in beside:
            try:
                add(payload, parties, found, measured)
            except RefusedEntry as reasons:
                refused += reasons.parts
    # A mean beside its readings is no fault: it only closes their sitting.
    if not observations.panels:
        detail = "The readings that a mean is of: a mean by itself is not stored."
        refused += [RefusedPart(place=found.at("code"), code="not-a-reading", detail=detail) for found in observations.averages]
    sittings = list(sittings_of(payload, measured, closed_by(payload, observations.averages), refused))
    if not sittings and not refused:
        raise not_acceptable("", "no-reading", "An Observation of code 85354-9 (LOINC) with both pressures as components.")
    return Intended(sittings=sittings, refused=list(dict.fromkeys(refused)))


def sort_out(payload: PayloadResources, refused: list[RefusedPart]) -> SortedObservations:
    """The Observations by what they are; a blood pressure of another form is refused, everything else left aside."""
    found = SortedObservations()
    for one in payload.resources:
        if one.kind != "Observation":
            continue
        said = set(codes_of(one.values.get("code")))
        parts = {code for part in as_list(one.values.get("component")) for code in codes_of(as_object(part).get("code"))}
        if said & codes.AVERAGES:
            found.averages.append(one)
        elif said & codes.PANELS:
            found.panels.append(one)
        elif said & codes.PULSES:
            found.pulses.append(one)
        elif said & codes.DEVICE_STATUS:
            found.statuses.append(one)
        elif (said | parts) & codes.PRESSURES:
            detail = "A panel: 85354-9 (LOINC) or 150020 (IEEE 11073), with both pressures as components."
            refused.append(RefusedPart(place=one.at("code"), code="not-a-panel", detail=detail))
    return found


def each(found: Iterable[Found], read: Callable[[Found], MeasuredPanel], refused: list[RefusedPart]) -> Iterable[MeasuredPanel]:
    """The panels that can be read; refusals of the others are collected."""
    for one in found:
        try:
            yield read(one)
        except RefusedEntry as reasons:
            refused += reasons.parts


def closed_by(payload: PayloadResources, averages: list[Found]) -> set[Found]:
    """The readings of which the sender made a final mean: nothing more comes of their sittings."""
    final = [found for found in averages if found.status in FINAL]
    sources = [payload.resolve(source, found) for found in final for source in as_list(found.values.get("derivedFrom"))]
    return {source for source in sources if source is not None}


def sittings_of(
    payload: PayloadResources, measured: list[MeasuredPanel], closed: set[Found], refused: list[RefusedPart]
) -> Iterable[IntendedSitting]:
    """The readings by person, device, place and visit."""
    groups: dict[bytes, list[tuple[MeasuredPanel, IncomingReading]]] = defaultdict(list)
    shared: dict[bytes, dict[str, Any]] = {}
    for one in measured:
        try:
            keyed = keyed_reading(one)
        except RefusedEntry as reasons:
            refused += reasons.parts
            continue
        common = common_to(payload, one)
        key = msgspec.json.encode({**common, "subject": one.subject.identifier})
        groups[key].append((one, keyed))
        shared.setdefault(key, common)
    for key, group in groups.items():
        observer = value_of_most([one.observer for one, _ in group])
        cuff = value_of_most([keyed.reading.cuff for _, keyed in group])
        yield IntendedSitting(
            **shared[key],
            observer=observer,
            cuff=cuff,
            closed=any(one.found in closed for one, _ in group),
            readings=[with_its_own(keyed, one.observer, observer, cuff) for one, keyed in group],
        )


def value_of_most(values: list[T | None]) -> T | None:
    """The value given for most of the readings; None where one reading has none."""
    told = [value for value in values if value is not None]
    return max(told, key=told.count) if told and len(told) == len(values) else None


def with_its_own(
    keyed: IncomingReading, own: Identifier | None, observer: Identifier | None, cuff: Cuff | None
) -> IncomingReading:
    """A reading with who took it and its cuff, where they are not those of its sitting."""
    reading = keyed.reading
    said = {"observer": None if own == observer else own, "cuff": None if reading.cuff == cuff else reading.cuff}
    return msgspec.structs.replace(keyed, reading=msgspec.structs.replace(reading, **said))


def common_to(payload: PayloadResources, one: MeasuredPanel) -> dict[str, Any]:
    """The values that the readings of one sitting have in common."""
    places = [extension.get("valueReference") for extension in extensions_of(one.found, LOCATION_EXTENSION)]
    orders = as_list(one.found.values.get("basedOn"))
    return {
        "subject": one.subject,
        "device": one.device,
        "setting": one.panel.setting,
        "attendance": one.panel.attendance,
        "encounter": pointed_at(payload, one.found.values.get("encounter"), one.found),
        "based_on": pointed_at(payload, orders[0], one.found) if orders else None,
        "location": pointed_at(payload, places[0], one.found) if places else None,
    }


def keyed_reading(one: MeasuredPanel) -> IncomingReading:
    """A reading with the key by which its sender knows it.

    Raises:
        Refusal: a correction without an identifier, which could not find what it corrects.
    """
    key = stable_key(one.found)
    if key is None and one.panel.act == "correct":
        detail = "An identifier (system and value) of the Observation, which finds the reading that is corrected."
        raise refusal(one.found.at("identifier"), "missing", detail)
    return IncomingReading(
        place=one.found.place,
        source_key=key or natural_key(one),
        reading=one.reading,
        act=one.panel.act,
        notes=() if one.panel.is_verified else ("not-verified",),
        own=own_place(one.found),
    )
