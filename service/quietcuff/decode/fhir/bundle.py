"""The resources of a FHIR payload, each with where it stands, and what refers to what.

Base FHIR is R4. ``fhir.resources`` has R4B, which for these resources has the same structure; it checks structure and nothing
else. References are resolved within the payload, as FHIR R4 says of Bundles (2.36.4): by full URL, or relative to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import Identifier
from quietcuff.decode.faults import LONGEST_NAMED_FIELD, step_into
from quietcuff.decode.fhir.codes import Code
from quietcuff.decode.own_json import plain_values
from quietcuff.decode.payload import RefusedPart

MOST_FAULTS = 10
NEWEST_FIRST = "history"
Values = dict[str, Any]


class RefusedEntry(Exception):
    """A part of the payload that cannot be read: every reason, each with its place."""

    def __init__(self, *parts: RefusedPart) -> None:
        super().__init__(f"{len(parts)} fault(s)")
        self.parts = list(parts)


def refusal(place: str, code: str, detail: str) -> RefusedEntry:
    """One reason."""
    return RefusedEntry(RefusedPart(place=place, code=code, detail=detail))


class Found(msgspec.Struct, frozen=True, kw_only=True, eq=False):
    """A resource of the payload: its place as a JSON pointer, its absolute address if it has one, and its values."""

    place: str
    full_url: str | None
    values: Values

    @property
    def kind(self) -> str:
        """The type of the resource."""
        return str(self.values.get("resourceType"))

    @property
    def status(self) -> str:
        """The status of an Observation."""
        return str(self.values.get("status"))

    def at(self, *steps: str | int) -> str:
        """The place of an element."""
        pointer = self.place
        for step in steps:
            pointer = step_into(pointer, step)
        return pointer


class PayloadResources:
    """The resources of one payload, and those of its parts that hold none."""

    def __init__(self, resources: list[Found], refused: list[RefusedPart]) -> None:
        self.resources = resources
        self.refused = refused
        self._by_address: dict[str, list[Found]] = {}
        for found in resources:
            for address in addresses(found):
                self._by_address.setdefault(address, []).append(found)

    def resolve(self, reference: object, source: Found) -> Found | None:
        """The resource that a Reference points to; None where it is not in the payload, or not the only one."""
        said = as_object(reference).get("reference")
        if not isinstance(said, str):
            return None
        if said.startswith("#"):
            return contained(source, said[1:])
        address = said.partition("/_history/")[0]
        base = source.full_url.rsplit("/", 2)[0] + "/" if source.full_url and "://" in source.full_url else ""
        candidates = self._by_address.get(base + address) or self._by_address.get(address, [])
        return candidates[0] if len({msgspec.json.encode(found.values) for found in candidates}) == 1 else None


def addresses(found: Found) -> set[str]:
    """Every way in which a resource can be referred to."""
    own = found.values.get("id")
    named = {f"{found.kind}/{own}"} if isinstance(own, str) else set()
    return named | ({found.full_url} if found.full_url else set())


def contained(source: Found, wanted: str) -> Found | None:
    """A resource within another one."""
    for number, values in enumerate(as_list(source.values.get("contained"))):
        if isinstance(values, dict) and values.get("id") == wanted:
            return Found(place=source.at("contained", number), full_url=None, values=values)
    return None


def read_payload(body: bytes) -> PayloadResources:
    """The resources of an Observation or a Bundle.

    Raises:
        NotReadable: not JSON that is fit to be read.
        NotAcceptable: another resource, or a Bundle without entries.
    """
    value = plain_values(body)
    kind = value.get("resourceType") if isinstance(value, dict) else None
    if not isinstance(value, dict) or kind not in ("Bundle", "Observation"):
        raise not_acceptable("/resourceType", "unknown-code", "Accepted: Bundle, Observation.")
    if kind == "Observation":
        return PayloadResources([Found(place="", full_url=None, values=value)], [])
    entries = value.get("entry")
    if not isinstance(entries, list) or not entries:
        raise not_acceptable("/entry", "too-few" if entries == [] else "missing", "A list of entries with resources.")
    refused: list[RefusedPart] = []
    resources = list(resources_of(entries, refused))
    return PayloadResources(resources[::-1] if value.get("type") == NEWEST_FIRST else resources, refused)


def not_acceptable(pointer: str, code: str, detail: str) -> NotAcceptable:
    """A fault of the payload as a whole."""
    return NotAcceptable.of(pointer=pointer, code=code, detail=detail)


def resources_of(entries: list[Any], refused: list[RefusedPart]) -> Iterator[Found]:
    """The resource of each entry. An entry that says something else is refused, so that it is seen."""
    for number, entry in enumerate(entries):
        place = f"/entry/{number}"
        resource = as_object(entry).get("resource")
        if isinstance(resource, dict) and isinstance(resource.get("resourceType"), str):
            if resource["resourceType"] == "Bundle":
                detail = "A resource; a Bundle is sent by itself."
                refused.append(RefusedPart(place=f"{place}/resource", code="not-supported", detail=detail))
                continue
            full_url = entry.get("fullUrl")
            yield Found(place=f"{place}/resource", full_url=full_url if isinstance(full_url, str) else None, values=resource)
        elif not isinstance(entry, dict) or "resource" in entry:
            refused.append(RefusedPart(place=f"{place}/resource", code="wrong-type", detail="A resource with its type."))
        elif as_object(entry.get("request")).get("method") == "DELETE":
            detail = "An Observation with status entered-in-error takes a reading back."
            refused.append(RefusedPart(place=f"{place}/request/method", code="not-supported", detail=detail))


def check_structure(found: Found) -> None:
    """Refuse a resource that is not built as FHIR has it.

    Raises:
        Refusal: every fault of its structure, none quoting a value.
    """
    # Only where they are used: importing them takes a third of a second.
    from fhir.resources.R4B.device import Device
    from fhir.resources.R4B.observation import Observation
    from fhir.resources.R4B.patient import Patient
    from pydantic import ValidationError

    shape: Any = {"Observation": Observation, "Patient": Patient, "Device": Device}[found.kind]
    try:
        shape.model_validate(found.values)
    except ValidationError as error:
        parts = [structural(found, fault["loc"], fault["type"]) for fault in error.errors()[:MOST_FAULTS]]
        raise RefusedEntry(*parts) from error
    if "implicitRules" in found.values or "modifierExtension" in found.values:
        name = "implicitRules" if "implicitRules" in found.values else "modifierExtension"
        raise refusal(found.at(name), "not-supported", "Nothing that changes the meaning of the rest.")


def structural(found: Found, location: tuple[int | str, ...], kind: str) -> RefusedPart:
    """A fault that the library found, in our words."""
    steps = [step for step in location if step not in ("root", "resource_type")]
    if kind == "extra_forbidden":
        fit = steps if len(str(steps[-1])) <= LONGEST_NAMED_FIELD else steps[:-1]
        return RefusedPart(place=found.at(*fit), code="unknown-field", detail=f"An element of {found.kind} in FHIR R4.")
    if kind.endswith("missing"):
        return RefusedPart(place=found.at(*steps), code="missing", detail="Needed.")
    return RefusedPart(place=found.at(*steps), code="not-fhir", detail=f"As FHIR R4 has it in {found.kind}.")


def as_object(value: object) -> Values:
    """The value where it is an object, else an empty one."""
    return value if isinstance(value, dict) else {}


def as_list(value: object) -> list[Any]:
    """The value where it is a list, else an empty one."""
    return value if isinstance(value, list) else []


def codes_of(concept: object) -> list[Code]:
    """The codes of a CodeableConcept, in their order."""
    codings = [as_object(coding) for coding in as_list(as_object(concept).get("coding"))]
    return [(str(coding.get("system")), str(coding.get("code"))) for coding in codings]


def identifiers_of(values: Values) -> list[Values]:
    """The identifiers of a resource that are in use and whole."""
    found = [as_object(one) for one in as_list(values.get("identifier"))]
    return [one for one in found if one.get("use") != "old" and one.get("system") and one.get("value")]


def pointed_at(payload: PayloadResources, reference: object, source: Found) -> Identifier | None:
    """The identifier of what a Reference points to: its own, or that of the resource; None where neither is fit."""
    own = as_object(as_object(reference).get("identifier"))
    target = payload.resolve(reference, source)
    for said in [own, *(identifiers_of(target.values) if target is not None else [])]:
        try:
            return msgspec.convert({"system": said.get("system"), "value": said.get("value")}, Identifier)
        except msgspec.ValidationError:
            continue
    return None
