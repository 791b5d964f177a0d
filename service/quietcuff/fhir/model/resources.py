"""The FHIR R4 shapes that the service writes, as plain structs: only the elements it fills, absent when empty.

FHIR forbids empty strings, lists and objects; every optional element therefore defaults to None and is left out. The
structs are made once and encoded once, so they are not tracked by the garbage collector. [R4]
"""

from __future__ import annotations

from datetime import datetime

import msgspec


class Shape(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, rename="camel", gc=False):
    """The base of all shapes: frozen, camelCase on the wire, absent rather than null."""


class Coding(Shape, frozen=True, kw_only=True, gc=False):
    """A code with the system it belongs to."""

    system: str
    version: str | None = None
    code: str
    display: str | None = None


class CodeableConcept(Shape, frozen=True, kw_only=True, gc=False):
    """A meaning: codes, or text where no code exists, or both."""

    coding: list[Coding] | None = None
    text: str | None = None


class Identifier(Shape, frozen=True, kw_only=True, gc=False):
    """A business identifier."""

    system: str
    value: str


class Reference(Shape, frozen=True, kw_only=True, gc=False):
    """A pointer to a resource here, or to a thing elsewhere by its identifier."""

    reference: str | None = None
    identifier: Identifier | None = None
    display: str | None = None


class Quantity(Shape, frozen=True, kw_only=True, gc=False):
    """A measured amount with its UCUM unit."""

    value: int | float
    unit: str
    system: str
    code: str


class Period(Shape, frozen=True, kw_only=True, gc=False):
    """From and to, both included."""

    start: datetime
    end: datetime


class Range(Shape, frozen=True, kw_only=True, gc=False):
    """From a lowest to a highest amount."""

    low: Quantity
    high: Quantity


class Annotation(Shape, frozen=True, kw_only=True, gc=False):
    """A remark for the reader."""

    text: str


class Meta(Shape, frozen=True, kw_only=True, gc=False):
    """The version of a resource, its last change, its profiles and its tags."""

    version_id: str | None = None
    last_updated: str | None = None
    profile: list[str] | None = None
    tag: list[Coding] | None = None


class Extension(Shape, frozen=True, kw_only=True, gc=False):
    """An element that base FHIR R4, or this service, defines outside the resource."""

    url: str
    extension: list[Extension] | None = None
    value_boolean: bool | None = None
    value_decimal: int | float | None = None
    value_integer: int | None = None
    value_string: str | None = None
    value_range: Range | None = None
    value_codeable_concept: CodeableConcept | None = None
    value_reference: Reference | None = None


class Component(Shape, frozen=True, kw_only=True, gc=False):
    """One part of an Observation: a value, or the reason why there is none."""

    code: CodeableConcept
    value_quantity: Quantity | None = None
    value_codeable_concept: CodeableConcept | None = None
    value_boolean: bool | None = None
    data_absent_reason: CodeableConcept | None = None


class DeviceName(Shape, frozen=True, kw_only=True, gc=False):
    """A name of a device and what kind of name it is."""

    name: str
    type: str


class DeviceVersion(Shape, frozen=True, kw_only=True, gc=False):
    """A version of a device's software."""

    value: str


class Device(Shape, frozen=True, kw_only=True, gc=False, tag_field="resourceType", tag="Device"):
    """The monitor, or the service itself."""

    id: str
    meta: Meta | None = None
    identifier: list[Identifier] | None = None
    status: str | None = None
    manufacturer: str | None = None
    serial_number: str | None = None
    device_name: list[DeviceName] | None = None
    model_number: str | None = None
    type: CodeableConcept | None = None
    version: list[DeviceVersion] | None = None
    note: list[Annotation] | None = None


class Observation(Shape, frozen=True, kw_only=True, gc=False, tag_field="resourceType", tag="Observation"):
    """A reading, its pulse, its device flags, or the mean of a sitting."""

    id: str
    meta: Meta
    contained: list[Device] | None = None
    extension: list[Extension] | None = None
    identifier: list[Identifier]
    based_on: list[Reference] | None = None
    status: str
    category: list[CodeableConcept] | None = None
    code: CodeableConcept
    subject: Reference
    encounter: Reference | None = None
    effective_date_time: datetime | None = None
    effective_period: Period | None = None
    issued: str
    performer: list[Reference] | None = None
    value_quantity: Quantity | None = None
    data_absent_reason: CodeableConcept | None = None
    interpretation: list[CodeableConcept] | None = None
    note: list[Annotation] | None = None
    body_site: CodeableConcept | None = None
    method: CodeableConcept | None = None
    device: Reference | None = None
    derived_from: list[Reference] | None = None
    component: list[Component] | None = None


class Patient(Shape, frozen=True, kw_only=True, gc=False, tag_field="resourceType", tag="Patient"):
    """The person, with nothing but what was sent."""

    id: str
    meta: Meta
    identifier: list[Identifier]
    gender: str | None = None
    birth_date: str | None = None


class ProvenanceAgent(Shape, frozen=True, kw_only=True, gc=False):
    """A participant in making a version, with the role."""

    type: CodeableConcept
    who: Reference


class ProvenanceEntity(Shape, frozen=True, kw_only=True, gc=False):
    """A thing that was used to make a version."""

    role: str
    what: Reference


class Provenance(Shape, frozen=True, kw_only=True, gc=False, tag_field="resourceType", tag="Provenance"):
    """The rules, the engine and the readings that made one version of a sitting."""

    id: str
    meta: Meta
    target: list[Reference]
    recorded: str
    policy: list[str]
    activity: CodeableConcept
    agent: list[ProvenanceAgent]
    entity: list[ProvenanceEntity] | None = None


class AuditNetwork(Shape, frozen=True, kw_only=True, gc=False):
    """The network address that a request came from."""

    address: str
    type: str


class AuditAgent(Shape, frozen=True, kw_only=True, gc=False):
    """A participant in an action."""

    type: CodeableConcept
    who: Reference
    requestor: bool
    network: AuditNetwork | None = None


class AuditSource(Shape, frozen=True, kw_only=True, gc=False):
    """The recorder of an action."""

    observer: Reference


class AuditDetail(Shape, frozen=True, kw_only=True, gc=False):
    """One more fact about an entity of an action."""

    type: str
    value_string: str


class AuditEntity(Shape, frozen=True, kw_only=True, gc=False):
    """The object of an action with its role, or the name of a query."""

    what: Reference | None = None
    type: Coding
    role: Coding | None = None
    name: str | None = None
    detail: list[AuditDetail] | None = None


class AuditEvent(Shape, frozen=True, kw_only=True, gc=False, tag_field="resourceType", tag="AuditEvent"):
    """One row of the trail: who did what to whose data, when."""

    id: str
    meta: Meta
    type: Coding
    subtype: list[Coding]
    action: str
    recorded: str
    outcome: str
    agent: list[AuditAgent]
    source: AuditSource
    entity: list[AuditEntity] | None = None


Resource = Observation | Patient | Device | Provenance | AuditEvent


class Issue(Shape, frozen=True, kw_only=True, gc=False):
    """One thing that is wrong with a request."""

    severity: str
    code: str
    details: CodeableConcept
    expression: list[str] | None = None


class OperationOutcome(Shape, frozen=True, kw_only=True, gc=False, tag_field="resourceType", tag="OperationOutcome"):
    """The reasons why a request was refused, or answered otherwise than asked."""

    issue: list[Issue]


class SearchMode(Shape, frozen=True, kw_only=True, gc=False):
    """The reason why an entry is in a searchset: match, include or outcome."""

    mode: str


class EntryRequest(Shape, frozen=True, kw_only=True, gc=False):
    """The request that would have made a version of a resource."""

    method: str
    url: str


class EntryResponse(Shape, frozen=True, kw_only=True, gc=False):
    """The response that such a request would have had."""

    status: str
    etag: str | None = None
    last_modified: str | None = None


class Entry(Shape, frozen=True, kw_only=True, gc=False):
    """One resource of a bundle, under its absolute address; or its deletion, which has no resource."""

    full_url: str | None = None
    resource: Resource | OperationOutcome | None = None
    search: SearchMode | None = None
    request: EntryRequest | None = None
    response: EntryResponse | None = None


class Link(Shape, frozen=True, kw_only=True, gc=False):
    """The address of this page or of the next one."""

    relation: str
    url: str


class Bundle(Shape, frozen=True, kw_only=True, gc=False, tag_field="resourceType", tag="Bundle"):
    """Several resources in one answer."""

    id: str | None = None
    identifier: Identifier | None = None
    type: str
    timestamp: str | None = None
    total: int | None = None
    link: list[Link] | None = None
    entry: list[Entry] | None = None


class Group(msgspec.Struct, frozen=True, kw_only=True, tag_field="resourceType", tag="Group", omit_defaults=True):
    """A group of actual people. Its members are given by an export, not here."""

    id: str
    meta: Meta
    type: str
    actual: bool
    name: str
    quantity: int | None = None
