"""The monitor as a FHIR Device, and the service itself as one."""

from __future__ import annotations

import msgspec

from quietcuff.core.findings.findings import groups_in_words
from quietcuff.core.model.readings import Device as GivenDevice
from quietcuff.core.record.sitting_version import is_described
from quietcuff.fhir import codes
from quietcuff.fhir.model.ready import element
from quietcuff.fhir.model.resources import (
    Annotation,
    CodeableConcept,
    Device,
    DeviceName,
    DeviceVersion,
    Identifier,
    Meta,
    Reference,
)

SERVICE_ID = "quietcuff"
SERVICE_NAME = "Quietcuff"
CONTAINED_ID = "device"
CONTAINED = element("device", Reference(reference=f"#{CONTAINED_ID}"))
KIND_TEXT = {
    "automatic": "Automatic blood-pressure monitor",
    "semi-automatic": "Semi-automatic blood-pressure monitor",
    "auscultatory": "Blood-pressure meter for auscultation",
    "cuffless": "Cuffless blood-pressure device",
}
SITE_TEXT = {"upper-arm": "upper arm", "wrist": "wrist", "finger": "finger"}
VALIDATED_TEXT = {
    "yes": "Reported as validated for accuracy.",
    "no": "Reported as not validated for accuracy.",
}


# In JSON: what is contained, and the device that points to it or to one of its own.
WrittenDevice = tuple[bytes, bytes]


class Study(msgspec.Struct, frozen=True, kw_only=True):
    """A study of accuracy that a registered device passed."""

    standard: str
    population_groups: list[str]


class DeviceDocument(msgspec.Struct, frozen=True, kw_only=True):
    """The part of a stored device's document that a Device can show."""

    kind: str | None = None
    site: str | None = None
    validated: str = "not-recorded"
    manufacturer: str | None = None
    model: str | None = None
    serial_number: str | None = None
    validated_for: list[str] = []
    validation_evidence: list[Study] = []


def written_device(given: GivenDevice | None, device_id: str | None) -> WrittenDevice:
    """The device of a reading: a reference to a Device here; or, for one that was described without an identifier, a
    contained Device and a reference into the Observation itself; or nothing."""
    if device_id is not None:
        return b"", b',"device":{"reference":"Device/%b"}' % device_id.encode()
    if given is None or not is_described(given):
        return b"", b""
    return element("contained", [described_device(given, CONTAINED_ID)]), CONTAINED


def described_device(
    given: GivenDevice | DeviceDocument,
    device_id: str,
    identifier: Identifier | None = None,
    meta: Meta | None = None,
) -> Device:
    """A monitor as it was described. What it was not said to be stays out."""
    return Device(
        id=device_id,
        meta=meta,
        identifier=None if identifier is None else [identifier],
        manufacturer=given.manufacturer,
        serial_number=given.serial_number,
        device_name=None if given.model is None else [DeviceName(name=given.model, type="model-name")],
        model_number=given.model,
        type=device_type(given),
        note=[Annotation(text=text) for text in validation_notes(given)] or None,
    )


def validation_notes(given: GivenDevice | DeviceDocument) -> list[str]:
    """Notes on the device's reported accuracy: no element of a Device has a place for it."""
    notes = [VALIDATED_TEXT[given.validated]] if given.validated in VALIDATED_TEXT else []
    if given.validated_for:
        notes.append(f"Reported as validated for: {groups_in_words(given.validated_for)}.")
    studies = given.validation_evidence if isinstance(given, DeviceDocument) else []
    return notes + [
        f"Reported to have passed {study.standard} in: {groups_in_words(study.population_groups)}." for study in studies
    ]


def device_type(given: GivenDevice | DeviceDocument) -> CodeableConcept:
    """A non-invasive monitor, with its kind and place in words: no published code says both."""
    kind = KIND_TEXT.get(given.kind or "")
    text = ", ".join(part for part in (kind, SITE_TEXT.get(given.site or "")) if part)
    return CodeableConcept(coding=[codes.MONITOR], text=text or None)


def service_device(engine_version: str) -> Device:
    """The service as the Device that assembles results, with the version of its engine."""
    return Device(
        id=SERVICE_ID,
        status="active",
        device_name=[DeviceName(name=SERVICE_NAME, type="user-friendly-name")],
        type=CodeableConcept(text="Software that evaluates blood-pressure readings"),
        version=[DeviceVersion(value=engine_version)],
    )
