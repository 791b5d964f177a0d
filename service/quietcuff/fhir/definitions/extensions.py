"""Extensions that the service defines: what it knows of a sitting and FHIR R4 has no element for.

Each is a table here; the resources and the StructureDefinitions are made from the same names.
"""

from __future__ import annotations

from typing import Any

import msgspec

from quietcuff.fhir.definitions.code_systems import camel

EXTENSION = "http://hl7.org/fhir/StructureDefinition/Extension"


class ExtensionPart(msgspec.Struct, frozen=True, kw_only=True):
    """A value, or a part of an extension: its url there, the type of its value, and how many there may be."""

    url: str
    type: str
    short: str
    at_least: int = 1
    at_most: str = "1"


class OwnExtension(msgspec.Struct, frozen=True, kw_only=True):
    """One extension, of Observation where nothing else is said: of one value, or made of parts."""

    id: str
    title: str
    description: str
    at_most: str = "1"
    value: str | None = None
    parts: tuple[ExtensionPart, ...] = ()
    on: str = "Observation"


SETTING = OwnExtension(
    id="sitting-setting",
    title="Setting of the sitting",
    description="Where the sitting was, and whether anybody else was in the room. On readings and results.",
    parts=(
        ExtensionPart(url="setting", type="CodeableConcept", short="office, home or ambulatory"),
        ExtensionPart(url="attendance", type="CodeableConcept", short="attended or unattended"),
    ),
)
PROTOCOL = OwnExtension(
    id="result-protocol",
    title="Protocol of the result",
    description="The protocol by whose rules readings were selected and the result worked out, with its version.",
    value="CodeableConcept",
)
STATE = OwnExtension(
    id="sitting-state",
    title="State of the sitting",
    description="How far the sitting had come when the result was worked out.",
    value="CodeableConcept",
)
FINDING = OwnExtension(
    id="sitting-finding",
    title="Finding of the sitting",
    description="Something worth knowing about the sitting or one of its readings, by its code.",
    at_most="*",
    value="CodeableConcept",
)
NO_RESULT = OwnExtension(
    id="no-result-reason",
    title="Reason why there is no result",
    description="Why a sitting that is over has no result. On Observations of results that have a dataAbsentReason.",
    at_most="*",
    value="CodeableConcept",
)
PROVISIONAL = OwnExtension(
    id="label-provisional",
    title="Label that is provisional",
    description="A guideline whose label of this result is provisional, and why.",
    at_most="*",
    parts=(
        ExtensionPart(url="guideline", type="string", short="The guideline, by its id"),
        ExtensionPart(url="reason", type="CodeableConcept", short="Why its label is provisional", at_least=0, at_most="*"),
    ),
)
CERTAINTY = OwnExtension(
    id="label-certainty",
    title="Certainty of a label",
    description="How sure the label of one guideline is for the usual pressure of this person in this arm, measured this way.",
    at_most="*",
    parts=(
        ExtensionPart(url="guideline", type="string", short="The guideline, by its id"),
        ExtensionPart(url="label-probability", type="decimal", short="The chance that the usual pressure has this label"),
        ExtensionPart(url="label-probability-flat", type="decimal", short="The same without any prior"),
        ExtensionPart(url="settled", type="boolean", short="Whether the label is settled"),
        ExtensionPart(url="interval-95-systolic", type="Range", short="Where the usual systolic pressure is, 95 %"),
        ExtensionPart(url="interval-95-diastolic", type="Range", short="Where the usual diastolic pressure is, 95 %"),
        ExtensionPart(url="reason", type="CodeableConcept", short="Why it is not settled", at_least=0),
        ExtensionPart(url="prior", type="string", short="The prior that it rests on"),
        ExtensionPart(url="visits-used", type="integer", short="How many visits it rests on"),
    ),
)
MEASURE_FILTER = OwnExtension(
    id="measure-filter",
    title="Filter of a measure",
    description="What narrowed a measure beside its period: only the sittings of this observer, device or the like count.",
    at_most="*",
    parts=(
        ExtensionPart(url="name", type="string", short="location, observer, device, protocol or setting"),
        ExtensionPart(url="value", type="string", short="As it was asked for"),
    ),
    on="MeasureReport",
)
OWN_EXTENSIONS = (SETTING, PROTOCOL, STATE, NO_RESULT, FINDING, PROVISIONAL, CERTAINTY, MEASURE_FILTER)


def extension_url(public_url: str, extension: OwnExtension) -> str:
    """The address of an extension, which is published there."""
    return f"{public_url}/fhir/R4/StructureDefinition/{extension.id}"


def structure_definitions(public_url: str) -> list[dict[str, Any]]:
    return [structure_definition(public_url, one) for one in OWN_EXTENSIONS]


def structure_definition(public_url: str, own: OwnExtension) -> dict[str, Any]:
    """The definition of an extension, as a differential over Extension."""
    url = extension_url(public_url, own)
    root = {"id": "Extension", "path": "Extension", "short": own.title, "definition": own.description}
    limits = {"min": 0, "max": own.at_most}
    slicing = {"discriminator": [{"type": "value", "path": "url"}], "rules": "closed"}
    sliced = {"id": "Extension.extension", "path": "Extension.extension", "slicing": slicing}
    parts = [element for part in own.parts for element in part_elements(part)]
    elements = [
        root | limits,
        *([sliced, *parts] if own.parts else [{"id": "Extension.extension", "path": "Extension.extension", "max": "0"}]),
        {"id": "Extension.url", "path": "Extension.url", "fixedUri": url},
        value_element("Extension", own.value),
    ]
    return {
        "resourceType": "StructureDefinition",
        "id": own.id,
        "url": url,
        "name": camel(own.id),
        "title": own.title,
        "status": "active",
        "description": own.description,
        "fhirVersion": "4.0.1",
        "kind": "complex-type",
        "abstract": False,
        "context": [{"type": "element", "expression": own.on}],
        "type": "Extension",
        "baseDefinition": EXTENSION,
        "derivation": "constraint",
        "differential": {"element": elements},
    }


def part_elements(part: ExtensionPart) -> list[dict[str, Any]]:
    """The slice of one part: how often, its url and its value."""
    id = f"Extension.extension:{part.url}"
    limits = {"short": part.short, "min": part.at_least, "max": part.at_most}
    return [
        {"id": id, "path": "Extension.extension", "sliceName": part.url, **limits},
        {"id": f"{id}.extension", "path": "Extension.extension.extension", "max": "0"},
        {"id": f"{id}.url", "path": "Extension.extension.url", "fixedUri": part.url},
        {"id": f"{id}.value[x]", "path": "Extension.extension.value[x]", "min": 1, "type": [{"code": part.type}]},
    ]


def value_element(path: str, type: str | None) -> dict[str, Any]:
    """The value of an extension; none where it is made of parts."""
    place = {"id": f"{path}.value[x]", "path": f"{path}.value[x]"}
    return place | ({"max": "0"} if type is None else {"min": 1, "type": [{"code": type}]})
