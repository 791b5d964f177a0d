"""One reading as Observations: its pressures, its pulse, and what the device flagged.

Sources: [R4] profiles bp, heartrate and vitalsigns; [USC] us-core-blood-pressure and us-core-heart-rate; [PHD] the
measurement status with its bits.

The cuff that a reading was taken with, as a component: the name of its size and the range that is printed on it.

Base R4 binds the component values of vital signs to units, so that validators warn of any concept there; it is the form that
readers of such panels look for. Sources: [R4] bp; [VIT] the codes of sizes.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.readings import Cuff, Reading
from quietcuff.core.record.sitting_version import cuff_text, named_size
from quietcuff.fhir import codes
from quietcuff.fhir.model.ready import ENCODER, element, ready
from quietcuff.fhir.model.resources import CodeableConcept, Component, Identifier, Observation, Quantity, Reference
from quietcuff.fhir.resources import notes
from quietcuff.fhir.resources.sitting import ResourceState, SharedElements, SittingVersion, elsewhere_list, instant, meta
from quietcuff.storage.search.query import Kind
from quietcuff.terminology import units
from quietcuff.terminology.systems import UCUM


@lru_cache(maxsize=1024)
def cuff_component(cuff: Cuff | None) -> list[Component]:
    """The size of a cuff; nothing where neither its name nor its range are known."""
    text = cuff_text(cuff)
    if cuff is None or text is None:
        return []
    coding = codes.CUFF_SIZES.get(named_size(cuff) or "")
    value = CodeableConcept(coding=None if coding is None else [coding], text=text)
    return [Component(code=codes.CUFF_SIZE, value_codeable_concept=value)]


BP_PROFILES = (codes.BP_PROFILE, codes.US_BP_PROFILE)
HEART_RATE_PROFILES = (codes.HEART_RATE_PROFILE, codes.US_HEART_RATE_PROFILE)
CATEGORY = ready([codes.VITAL_SIGNS])
BP_PANEL, HEART_RATE, DEVICE_STATUS = ready(codes.BP_PANEL), ready(codes.HEART_RATE), ready(codes.DEVICE_STATUS)
BODY_SITE = {name: ready(concept) for name, concept in codes.BODY_SITE.items()}
METHOD = {name: ready(concept) for name, concept in codes.METHOD.items()}
FLAGGED = {flag: Component(code=ready(code), value_boolean=True) for flag, code in codes.DEVICE_FLAG.items()}
# By the name of a pressure, and of a reason why one is missing.
PRESSURES = {
    "systolic": ready(codes.SYSTOLIC),
    "diastolic": ready(codes.DIASTOLIC),
    "mean-arterial": ready(codes.MEAN_ARTERIAL),
}
BODY_SITE_ELEMENT = {name: element("bodySite", concept) for name, concept in BODY_SITE.items()}
METHOD_ELEMENT = {name: element("method", concept) for name, concept in METHOD.items()}
EFFECTIVE = b',"effectiveDateTime":'
OF_KIND: dict[Kind, tuple[tuple[str, ...], CodeableConcept]] = {
    "reading": (BP_PROFILES, BP_PANEL),
    "pulse": (HEART_RATE_PROFILES, HEART_RATE),
}
OBSERVATION = DocumentDecoder(Observation)
ABSENT = {"error": ready(codes.ABSENT_ERROR), "unknown": ready(codes.ABSENT_UNKNOWN)}


def reading_line(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> bytes:
    """The two pressures of one reading, its mean arterial pressure where the device gave one, and the cuff where it is known.

    Both components are always there; a pressure that is missing says why. Source: [R4] bp.
    """
    reading, shared, name = sitting.reading_set.readings[index], frame.written, b"r%d" % index
    contained, device = shared.devices[index]
    began, status, issued = stand_elements("reading", stand)
    return b"".join(
        (
            *(shared.begin, name, began, contained, extension(frame, reading.position, has_setting=True)),
            *(shared.identifier, name, b'"}', own_identifier(reading), b"]", shared.based_on),
            *(status, shared.subject, EFFECTIVE, ENCODER.encode(reading.taken_at), issued),
            element("performer", elsewhere_list(reading.observer)) if reading.observer else shared.performer,
            element("interpretation", frame.interpretations.get(index)),
            element("note", notes.reading_notes(reading, sitting.evaluation.readings[index], frame.setting_note)),
            *(BODY_SITE_ELEMENT.get(reading.site, b""), METHOD_ELEMENT.get(reading.method or "", b""), device),
            *(pressure_components(reading), cuff_part(sitting.cuff_of(reading)), b"]}"),
        )
    )


def pulse_line(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> bytes:
    """The pulse that was measured with a reading. Source: [R4] heartrate."""
    reading, shared, name = sitting.reading_set.readings[index], frame.written, b"p%d" % index
    contained, device = shared.devices[index]
    began, status, issued = stand_elements("pulse", stand)
    return b"".join(
        (
            *(shared.begin, name, began, contained, extension(frame, reading.position, has_setting=False)),
            *(shared.identifier, name, b'"}]', shared.based_on),
            *(status, shared.subject, EFFECTIVE, ENCODER.encode(reading.taken_at), issued),
            element("performer", elsewhere_list(reading.observer)) if reading.observer else shared.performer,
            *(pulse_value(reading.pulse_per_min), device, b"}"),
        )
    )


def flags_line(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> bytes:
    return ENCODER.encode(flags_observation(sitting, frame, index, stand))


def reading_observation(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> Observation:
    """The Observation of one reading, for those who read what it holds."""
    return OBSERVATION.decode(reading_line(sitting, frame, index, stand))


def pulse_observation(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> Observation:
    """The Observation of one pulse, for those who read what it holds."""
    return OBSERVATION.decode(pulse_line(sitting, frame, index, stand))


def flags_observation(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> Observation:
    """The flags that the device raised while it measured. A flag is what the device said, not a diagnosis. Source: [PHD]."""
    reading = sitting.reading_set.readings[index]
    contained, device = frame.devices[index]
    stood, name = meta(stand), f"f{index}"
    flagged = [component for flag, component in FLAGGED.items() if flag in reading.device_flags]
    return Observation(
        id=f"{frame.set_id}-{name}",
        meta=stood,
        contained=contained,
        identifier=frame.identifier(name),
        based_on=frame.based_on,
        status=stand.status,
        code=DEVICE_STATUS,
        subject=frame.subject,
        encounter=frame.encounter,
        effective_date_time=reading.taken_at,
        issued=instant(stand.updated_at),
        data_absent_reason=None if flagged else ABSENT["unknown"],
        device=device,
        derived_from=[Reference(reference=f"Observation/{frame.set_id}-r{index}")],
        component=flagged or None,
    )


def own_identifier(reading: Reading) -> bytes:
    """The sender's own name of a reading, where it has one, as it follows ours."""
    own = reading.identifier or None
    return b"" if own is None else b"," + ENCODER.encode(Identifier(system=own.system, value=own.value))


# The Observations of a sitting were mostly made together, and so share these.
@lru_cache(maxsize=2048)
def stand_elements(kind: Kind, stand: ResourceState) -> tuple[bytes, bytes, bytes]:
    """What a state says of an Observation: in its ``meta``, in its status with what is always so, and when it was issued."""
    profiles, code = OF_KIND[kind]
    status = element("status", stand.status) + element("category", CATEGORY) + element("code", code)
    return b'"' + element("meta", meta(stand, profiles)), status, element("issued", instant(stand.updated_at))


def extension(frame: SharedElements, position: str, *, has_setting: bool) -> bytes:
    """Body position and place, behind the setting of the sitting where it is told."""
    known = frame.written.extension.get((position, has_setting))
    if known is None:
        told = [*([frame.setting] if has_setting else []), *(frame.extensions[position] or [])]
        known = frame.written.extension[position, has_setting] = element("extension", told or None)
    return known


def pressure_components(reading: Reading) -> bytes:
    """Systolic and diastolic, always both; mean arterial where there is one.

    A failed attempt has neither pressure: the reason is an error. One alone missing is unknown.
    """
    systolic, diastolic, arterial = reading.systolic_mmhg, reading.diastolic_mmhg, reading.mean_arterial_mmhg
    absent = "error" if systolic is None and diastolic is None else "unknown"
    found = b',"component":[%b,%b' % (pressure("systolic", systolic, absent), pressure("diastolic", diastolic, absent))
    return found if arterial is None else b"%b,%b" % (found, pressure("mean-arterial", arterial, absent))


@lru_cache(maxsize=1024)
def cuff_part(cuff: Cuff | None) -> bytes:
    """The size of a cuff as a component that follows the pressures."""
    return b"".join(b"," + ENCODER.encode(component) for component in cuff_component(cuff))


# By type too, as below.
@lru_cache(maxsize=1024, typed=True)
def pulse_value(pulse: float | None) -> bytes:
    """The pulse, or that it is not known."""
    if pulse is None:
        return element("dataAbsentReason", ABSENT["unknown"])
    return element("valueQuantity", quantity(pulse, units.PER_MINUTE, units.PER_MINUTE_CODE))


# By type too: 120 and 120.0 are equal and are written differently.
@lru_cache(maxsize=4096, typed=True)
def pressure(name: str, mmhg: float | None, absent: str) -> bytes:
    """One pressure in mmHg, or why it is missing."""
    if mmhg is None:
        return ENCODER.encode(Component(code=PRESSURES[name], data_absent_reason=ABSENT[absent]))
    return ENCODER.encode(Component(code=PRESSURES[name], value_quantity=quantity(mmhg, units.MMHG, units.MMHG_CODE)))


@lru_cache(maxsize=4096, typed=True)
def quantity(value: float, unit: str, code: str) -> Quantity:
    """A value with a UCUM unit."""
    return ready(Quantity(value=value, unit=unit, system=UCUM, code=code))


Build = Callable[[SittingVersion, SharedElements, int, ResourceState], Observation]
BUILDERS: dict[Kind, Build] = {
    "reading": reading_observation,
    "pulse": pulse_observation,
    "flags": flags_observation,
}
Write = Callable[[SittingVersion, SharedElements, int, ResourceState], bytes]
WRITERS: dict[Kind, Write] = {
    "reading": reading_line,
    "pulse": pulse_line,
    "flags": flags_line,
}
