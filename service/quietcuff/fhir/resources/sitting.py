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
from quietcuff.fhir.model.ready import ENCODER, element, ready
from quietcuff.fhir.model.resources import CodeableConcept, Extension, Identifier, Meta
from quietcuff.fhir.resources import notes
from quietcuff.fhir.resources.cuff import cuff_part
from quietcuff.fhir.resources.device import WrittenDevice, written_device
from quietcuff.fhir.resources.own_extensions import setting_extension
from quietcuff.terminology.systems import BODY_POSITION_EXTENSION, LOCATION_EXTENSION


@lru_cache(maxsize=1024)
def instant(moment: datetime) -> str:
    """A FHIR instant: UTC, milliseconds, such as 2026-05-04T07:03:31.120Z. What is stored together shares it."""
    return utc_text(moment)


class SharedElements(msgspec.Struct, frozen=True, gc=False):
    """The elements that the Observations of a sitting share, in JSON: written once, and copied into the line of each.

    ``begin`` and ``identifier`` end where the name of a place follows, and ``extension`` behind the setting. ``devices`` are,
    for each reading, what is contained and what points to it.
    """

    public_url: str
    begin: bytes
    identifier: bytes
    based_on: bytes
    subject: bytes
    performer: bytes
    extension: bytes
    location: bytes
    devices: list[WrittenDevice]
    cuff: bytes
    setting_note: str | None
    interpretations: dict[int, bytes]
    low: set[int]


def frame_of(sitting: SittingVersion, public_url: str) -> SharedElements:
    """The elements that the Observations of a sitting share."""
    reading_set, set_id = sitting.reading_set, sitting.set_id.encode()
    where, visit, order = reading_set.location, reading_set.encounter, reading_set.based_on
    subject = b',"subject":{"reference":"Patient/%b"}' % sitting.subject_id.encode()
    # By place, not by name: that takes half of the time, once for each sitting.
    return SharedElements(
        public_url,
        b'{"resourceType":"Observation","id":"%b-' % set_id,
        b"%b%b/" % (own_identifier(public_url), set_id),
        b"" if order is None else b',"basedOn":[%b]' % elsewhere(order),
        subject if visit is None else b'%b,"encounter":%b' % (subject, elsewhere(visit)),
        b"" if reading_set.observer is None else performer(reading_set.observer),
        setting_extension(reading_set.setting, reading_set.attendance, public_url),
        b"" if where is None else located(where),
        written_devices(sitting),
        cuff_part(reading_set.cuff),
        notes.setting_note(reading_set),
        *interpretations_by_reading(sitting.evaluation),
    )


# Each as it follows another extension.
BODY_POSITION: dict[str, bytes] = {
    position: b"," + ENCODER.encode(Extension(url=BODY_POSITION_EXTENSION, value_codeable_concept=concept))
    for position, concept in codes.BODY_POSITION.items()
} | {"not-recorded": b""}


@lru_cache(maxsize=16)
def own_identifier(public_url: str) -> bytes:
    """The business identifier of an Observation, which a record may use for conditional create, up to the id of its set."""
    return element("identifier", [Identifier(system=f"{public_url}/id/observation", value="")]).removesuffix(b'"}]')


def written_devices(sitting: SittingVersion) -> list[WrittenDevice]:
    """The device of each reading; readings with the device of the whole set share one."""
    common: WrittenDevice | None = None
    written = []
    for reading, device_id in zip(sitting.reading_set.readings, sitting.device_ids, strict=True):
        if reading.device is not None:
            written.append(written_device(reading.device, device_id))
            continue
        if common is None:
            common = written_device(sitting.reading_set.device, device_id)
        written.append(common)
    return written


def interpretations_by_reading(evaluation: Evaluation) -> tuple[dict[int, bytes], set[int]]:
    """Severe or low, by the place of the reading that a rule said it of, and the places of those that are low; one reading
    alone gets no other label."""
    said: dict[int, list[CodeableConcept]] = {}
    low: set[int] = set()
    for finding in evaluation.findings:
        if finding.reading is not None and finding.code in codes.FINDING_INTERPRETATION:
            said.setdefault(finding.reading, []).append(codes.FINDING_INTERPRETATION[finding.code])
            if finding.code == "low-reading":
                low.add(finding.reading)
    return {place: element("interpretation", concepts) for place, concepts in said.items()}, low


def elsewhere(identifier: GivenIdentifier) -> bytes:
    """A reference to a thing of another system, by the identifier that was sent, unchanged."""
    return b'{"identifier":%b}' % ENCODER.encode(identifier)


# A few people measure in a few places.
@lru_cache(maxsize=512)
def performer(observer: GivenIdentifier) -> bytes:
    """Who measured."""
    return b',"performer":[%b]' % elsewhere(observer)


@lru_cache(maxsize=512)
def located(where: GivenIdentifier) -> bytes:
    """The place, as it follows another extension."""
    return b',{"url":"%b","valueReference":%b}' % (LOCATION_EXTENSION.encode(), elsewhere(where))


# The Observations of a sitting were mostly made together, and so share it.
@lru_cache(maxsize=1024)
def meta(stand: ResourceState, profiles: tuple[str, ...] = ()) -> Meta:
    """Version, last change and profiles of one resource."""
    profile = ready(list(profiles)) if profiles else None
    return Meta(version_id=str(stand.version), last_updated=instant(stand.updated_at), profile=profile)
