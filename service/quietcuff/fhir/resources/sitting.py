"""The elements that all Observations of one sitting share, worked out once."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache

import msgspec

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.fields import utc_text
from quietcuff.core.model.readings import Identifier as GivenIdentifier
from quietcuff.core.record.sitting_version import ResourceState as ResourceState
from quietcuff.core.record.sitting_version import SittingVersion as SittingVersion
from quietcuff.fhir import codes
from quietcuff.fhir.model.ready import element, ready
from quietcuff.fhir.model.resources import CodeableConcept, Extension, Identifier, Meta, Reference
from quietcuff.fhir.resources import notes
from quietcuff.fhir.resources.device import DeviceLink, device_link
from quietcuff.fhir.resources.own_extensions import setting_extension
from quietcuff.terminology.systems import BODY_POSITION_EXTENSION, LOCATION_EXTENSION


@lru_cache(maxsize=1024)
def instant(moment: datetime) -> str:
    """A FHIR instant: UTC, milliseconds, such as 2026-05-04T07:03:31.120Z. What is stored together shares it."""
    return utc_text(moment)


class WrittenElements(msgspec.Struct, frozen=True, kw_only=True):
    """The elements that the readings of a sitting share, in JSON: written once, and copied into the line of each.

    ``device`` of a reading is what is contained, and what points to it. ``extension`` is filled as positions come, with the
    setting first and without it.
    """

    begin: bytes
    identifier: bytes
    based_on: bytes
    subject: bytes
    performer: bytes
    devices: list[tuple[bytes, bytes]]
    extension: dict[tuple[str, bool], bytes]


class SharedElements(msgspec.Struct, frozen=True, kw_only=True):
    """The person, visit, order and place of a sitting, and the system of our own Observation identifiers."""

    set_id: str
    public_url: str
    identifier_system: str
    subject: Reference
    encounter: Reference | None
    based_on: list[Reference] | None
    observer: list[Reference] | None
    extensions: dict[str, list[Extension] | None]
    setting: Extension
    devices: list[DeviceLink]
    interpretations: dict[int, list[CodeableConcept]]
    setting_note: str | None
    written: WrittenElements

    def identifier(self, name: str) -> list[Identifier]:
        """The business identifier of one Observation, which a record may use for conditional create."""
        return [Identifier(system=self.identifier_system, value=f"{self.set_id}/{name}")]


def frame_of(sitting: SittingVersion, public_url: str) -> SharedElements:
    """The elements that the Observations of a sitting share."""
    reading_set = sitting.reading_set
    system, devices = f"{public_url}/id/observation", links_of_devices(sitting)
    subject, encounter = Reference(reference=f"Patient/{sitting.subject_id}"), elsewhere(reading_set.encounter)
    based_on, observer = elsewhere_list(reading_set.based_on), elsewhere_list(reading_set.observer)
    written = WrittenElements(
        begin=b'{"resourceType":"Observation","id":"%b-' % sitting.set_id.encode(),
        # Up to the name of the place, which ends the value.
        identifier=element("identifier", [Identifier(system=system, value=f"{sitting.set_id}/")]).removesuffix(b'"}]'),
        based_on=element("basedOn", based_on),
        subject=element("subject", subject) + element("encounter", encounter),
        performer=element("performer", observer),
        devices=written_links(devices),
        extension={},
    )
    return SharedElements(
        set_id=sitting.set_id,
        public_url=public_url,
        identifier_system=system,
        subject=subject,
        encounter=encounter,
        based_on=based_on,
        observer=observer,
        extensions=extensions_by_position(reading_set.location),
        setting=setting_extension(reading_set.setting, reading_set.attendance, public_url),
        devices=devices,
        interpretations=interpretations_by_reading(sitting.evaluation),
        setting_note=notes.setting_note(reading_set),
        written=written,
    )


def written_links(links: list[DeviceLink]) -> list[tuple[bytes, bytes]]:
    """The device of each reading in JSON; most readings have the link of their set."""
    known = {id(link): link for link in links}
    written = {key: (element("contained", link[0]), element("device", link[1])) for key, link in known.items()}
    return [written[id(link)] for link in links]


POSITION_ALONE: dict[str, list[Extension] | None] = {
    position: [Extension(url=BODY_POSITION_EXTENSION, value_codeable_concept=ready(concept))]
    for position, concept in codes.BODY_POSITION.items()
} | {"not-recorded": None}


def links_of_devices(sitting: SittingVersion) -> list[DeviceLink]:
    """The device of each reading; readings with the device of the whole set share one link."""
    common = sitting.reading_set.device
    shared: dict[str | None, DeviceLink] = {}
    links = []
    for reading, device_id in zip(sitting.reading_set.readings, sitting.device_ids, strict=True):
        if reading.device is not None:
            links.append(device_link(reading.device, device_id))
            continue
        if device_id not in shared:
            shared[device_id] = device_link(common, device_id)
        links.append(shared[device_id])
    return links


def extensions_by_position(location: GivenIdentifier | None) -> dict[str, list[Extension] | None]:
    """Body position and place, as far as they are known, for each position that a reading may have."""
    where = elsewhere(location)
    if where is None:
        return POSITION_ALONE
    place = Extension(url=LOCATION_EXTENSION, value_reference=where)
    return {position: [*(alone or ()), place] for position, alone in POSITION_ALONE.items()}


def interpretations_by_reading(evaluation: Evaluation) -> dict[int, list[CodeableConcept]]:
    """Severe or low, by the place of the reading that a rule said it of; one reading alone gets no other label."""
    said: dict[int, list[CodeableConcept]] = {}
    for finding in evaluation.findings:
        concept = codes.FINDING_INTERPRETATION.get(finding.code)
        if concept is not None and finding.reading is not None:
            said.setdefault(finding.reading, []).append(concept)
    return said


def elsewhere(identifier: GivenIdentifier | None) -> Reference | None:
    """A thing of another system, pointed to by the identifier that was sent, unchanged."""
    if identifier is None:
        return None
    return Reference(identifier=Identifier(system=identifier.system, value=identifier.value))


def elsewhere_list(identifier: GivenIdentifier | None) -> list[Reference] | None:
    """The same as a list of one; None rather than an empty list."""
    reference = elsewhere(identifier)
    return None if reference is None else [reference]


# The Observations of a sitting were mostly made together, and so share it.
@lru_cache(maxsize=1024)
def meta(stand: ResourceState, profiles: tuple[str, ...] = ()) -> Meta:
    """Version, last change and profiles of one resource."""
    profile = ready(list(profiles)) if profiles else None
    return Meta(version_id=str(stand.version), last_updated=instant(stand.updated_at), profile=profile)
