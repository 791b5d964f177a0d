"""One reading as Observations: its pressures, its pulse, and what the device flagged.

Sources: [R4] profiles bp, heartrate and vitalsigns; [USC] us-core-blood-pressure and us-core-heart-rate; [PHD] the
measurement status with its bits.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.readings import Identifier
from quietcuff.fhir import codes
from quietcuff.fhir.model.ready import ENCODER, element, ready
from quietcuff.fhir.model.resources import Component, Observation, Quantity
from quietcuff.fhir.resources import notes
from quietcuff.fhir.resources.cuff import cuff_part
from quietcuff.fhir.resources.sitting import (
    BODY_POSITION,
    ResourceState,
    SharedElements,
    SittingVersion,
    instant,
    meta,
    performer,
)
from quietcuff.storage.search.query import Kind
from quietcuff.terminology import units
from quietcuff.terminology.systems import UCUM

MEAN_PROFILES = (codes.US_AVERAGE_BP_PROFILE,)
BP_PROFILES = (codes.BP_PROFILE, codes.US_BP_PROFILE)
HEART_RATE_PROFILES = (codes.HEART_RATE_PROFILE, codes.US_HEART_RATE_PROFILE)
CATEGORY = ready([codes.VITAL_SIGNS])
BP_PANEL, HEART_RATE, DEVICE_STATUS = ready(codes.BP_PANEL), ready(codes.HEART_RATE), ready(codes.DEVICE_STATUS)
BODY_SITE = {name: ready(concept) for name, concept in codes.BODY_SITE.items()}
METHOD = {name: ready(concept) for name, concept in codes.METHOD.items()}
FLAGGED = {flag: ENCODER.encode(Component(code=code, value_boolean=True)) for flag, code in codes.DEVICE_FLAG.items()}
# By the name of a pressure, and of a reason why one is missing.
PRESSURES = {
    "systolic": ready(codes.SYSTOLIC),
    "diastolic": ready(codes.DIASTOLIC),
    "mean-arterial": ready(codes.MEAN_ARTERIAL),
}
BODY_SITE_ELEMENT = {name: element("bodySite", concept) for name, concept in BODY_SITE.items()}
METHOD_ELEMENT = {name: element("method", concept) for name, concept in METHOD.items()}
EFFECTIVE = b',"effectiveDateTime":'
# Of each kind its profiles, and what stands behind its status.
OF_KIND: dict[str, tuple[tuple[str, ...], bytes]] = {
    "reading": (BP_PROFILES, element("category", CATEGORY) + element("code", BP_PANEL)),
    "pulse": (HEART_RATE_PROFILES, element("category", CATEGORY) + element("code", HEART_RATE)),
    "flags": ((), element("code", DEVICE_STATUS)),
    "mean": (MEAN_PROFILES, element("category", CATEGORY) + element("code", codes.MEAN_PANEL)),
    "24-hour mean": (MEAN_PROFILES, element("category", CATEGORY) + element("code", codes.MEAN_PANEL_24_HOURS)),
}
OBSERVATION = DocumentDecoder(Observation)
ABSENT = {"error": ready(codes.ABSENT_ERROR), "unknown": ready(codes.ABSENT_UNKNOWN)}
UNKNOWN = element("dataAbsentReason", ABSENT["unknown"])


def reading_line(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> bytes:
    """The two pressures of one reading, its mean arterial pressure where the device gave one, and the cuff where it is known.

    Both components are always there; a pressure that is missing says why. Source: [R4] bp.
    """
    reading, name, reason = sitting.reading_set.readings[index], f"r{index}".encode(), sitting.evaluation.readings[index].reason
    contained, device = frame.devices[index]
    began, status, issued = stand_elements("reading", stand)
    systolic, diastolic = pressure_components(reading.systolic_mmhg, reading.diastolic_mmhg)
    return b"".join(
        (
            frame.begin,
            name,
            began,
            contained,
            frame.extension,
            BODY_POSITION[reading.position],
            frame.location,
            b"]",
            frame.identifier,
            name,
            own_identifier(reading.identifier) if reading.identifier else ALONE,
            frame.based_on,
            status,
            frame.subject,
            EFFECTIVE,
            ENCODER.encode(reading.taken_at),
            issued,
            frame.performer if reading.observer is None else performer(reading.observer),
            frame.interpretations.get(index, b""),
            remarks_and_place(reason, reading.rhythm, frame.setting_note, reading.site, reading.method),
            device,
            systolic,
            diastolic,
            b"" if reading.mean_arterial_mmhg is None else pressure("mean-arterial", reading.mean_arterial_mmhg, ""),
            frame.cuff if reading.cuff is None else cuff_part(reading.cuff),
            b"]}",
        )
    )


def pulse_line(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> bytes:
    """The pulse that was measured with a reading. Source: [R4] heartrate."""
    reading, name = sitting.reading_set.readings[index], f"p{index}".encode()
    contained, device = frame.devices[index]
    began, status, issued = stand_elements("pulse", stand)
    return b"".join(
        (
            frame.begin,
            name,
            began,
            contained,
            position_and_location(reading.position, frame.location),
            frame.identifier,
            name,
            ALONE,
            frame.based_on,
            status,
            frame.subject,
            EFFECTIVE,
            ENCODER.encode(reading.taken_at),
            issued,
            frame.performer if reading.observer is None else performer(reading.observer),
            pulse_value(reading.pulse_per_min),
            device,
            b"}",
        )
    )


def flags_line(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> bytes:
    """The flags that the device raised while it measured. A flag is what the device said, not a diagnosis. Source: [PHD]."""
    reading, name = sitting.reading_set.readings[index], f"f{index}".encode()
    contained, device = frame.devices[index]
    began, status, issued = stand_elements("flags", stand)
    flagged = b",".join([component for flag, component in FLAGGED.items() if flag in reading.device_flags])
    return b"".join(
        (
            *(frame.begin, name, began, contained, frame.identifier, name, ALONE, frame.based_on),
            *(status, frame.subject, EFFECTIVE, ENCODER.encode(reading.taken_at), issued),
            b"" if flagged else UNKNOWN,
            device,
            f',"derivedFrom":[{{"reference":"Observation/{sitting.set_id}-r{index}"}}]'.encode(),
            b',"component":[%b]}' % flagged if flagged else b"}",
        )
    )


# Behind the name of a place in an identifier, where no other follows.
ALONE = b'"}]'


def own_identifier(own: Identifier) -> bytes:
    """The sender's own name of a reading, as it follows the name of its place in ours."""
    return b'"},%b]' % ENCODER.encode(own)


# The Observations of a sitting were mostly made together, and so share these.
@lru_cache(maxsize=2048)
def stand_elements(kind: str, stand: ResourceState) -> tuple[bytes, bytes, bytes]:
    """What a state says of an Observation: in its ``meta``, in its status with what is always so, and when it was issued."""
    profiles, always = OF_KIND[kind]
    status = element("status", stand.status) + always
    return b'"' + element("meta", meta(stand, profiles)), status, element("issued", instant(stand.updated_at))


@lru_cache(maxsize=1024)
def position_and_location(position: str, location: bytes) -> bytes:
    """Body position and place, as far as they are known."""
    told = BODY_POSITION[position] + location
    return b',"extension":[%b]' % told[1:] if told else b""


@lru_cache(maxsize=2048)
def remarks_and_place(reason: str | None, rhythm: str, setting_note: str | None, site: str, method: str | None) -> bytes:
    """The remarks on a reading, and where and how it was taken."""
    note = element("note", notes.reading_notes(reason, rhythm, setting_note))
    return note + BODY_SITE_ELEMENT.get(site, b"") + METHOD_ELEMENT.get(method or "", b"")


def pressure_components(systolic: float | None, diastolic: float | None) -> tuple[bytes, bytes]:
    """Systolic and diastolic, always both.

    A failed attempt has neither pressure: the reason is an error. One alone missing is unknown.
    """
    absent = "error" if systolic is None and diastolic is None else "unknown"
    return pressure("systolic", systolic, absent), pressure("diastolic", diastolic, absent)


# By type too, as below.
@lru_cache(maxsize=1024, typed=True)
def pulse_value(pulse: float | None) -> bytes:
    """The pulse, or that it is not known."""
    if pulse is None:
        return UNKNOWN
    return element("valueQuantity", quantity(pulse, units.PER_MINUTE, units.PER_MINUTE_CODE))


# By type too: 120 and 120.0 are equal and are written differently.
@lru_cache(maxsize=4096, typed=True)
def pressure(name: str, mmhg: float | None, absent: str) -> bytes:
    """One pressure in mmHg, or why it is missing; the systolic begins the components, the others follow."""
    begin = b',"component":[' if name == "systolic" else b","
    if mmhg is None:
        return begin + ENCODER.encode(Component(code=PRESSURES[name], data_absent_reason=ABSENT[absent]))
    return begin + ENCODER.encode(Component(code=PRESSURES[name], value_quantity=quantity(mmhg, units.MMHG, units.MMHG_CODE)))


@lru_cache(maxsize=4096, typed=True)
def quantity(value: float, unit: str, code: str) -> Quantity:
    """A value with a UCUM unit."""
    return ready(Quantity(value=value, unit=unit, system=UCUM, code=code))


Write = Callable[[SittingVersion, SharedElements, int, ResourceState], bytes]
WRITERS: dict[Kind, Write] = {
    "reading": reading_line,
    "pulse": pulse_line,
    "flags": flags_line,
}
Build = Callable[[SittingVersion, SharedElements, int, ResourceState], Observation]


def built(write: Write) -> Build:
    """The Observation itself instead of its line, for those who read what it holds."""
    return lambda sitting, frame, index, stand: OBSERVATION.decode(write(sitting, frame, index, stand))


BUILDERS: dict[Kind, Build] = {kind: built(write) for kind, write in WRITERS.items()}
