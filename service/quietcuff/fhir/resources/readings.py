"""One reading as Observations: its pressures, its pulse, and what the device flagged.

Sources: [R4] profiles bp, heartrate and vitalsigns; [USC] us-core-blood-pressure and us-core-heart-rate; [PHD] the
measurement status with its bits.
"""

from __future__ import annotations

from quietcuff.core.model.readings import Reading
from quietcuff.fhir import codes
from quietcuff.fhir.model.resources import CodeableConcept, Component, Observation, Quantity, Reference
from quietcuff.fhir.resources import notes
from quietcuff.fhir.resources.cuffs import cuff_component
from quietcuff.fhir.resources.frames import Frame, elsewhere_list, meta
from quietcuff.fhir.resources.sitting import Stand, StoredSitting, instant

BP_PROFILES = [codes.BP_PROFILE, codes.US_BP_PROFILE]
HEART_RATE_PROFILES = [codes.HEART_RATE_PROFILE, codes.US_HEART_RATE_PROFILE]
CATEGORY = [codes.VITAL_SIGNS]


def reading_observation(sitting: StoredSitting, frame: Frame, index: int, stand: Stand) -> Observation:
    """The two pressures of one reading, its mean arterial pressure where the device gave one, and the cuff where it is known.

    Both components are always there; a pressure that is missing says why. Source: [R4] bp.
    """
    reading = sitting.reading_set.readings[index]
    contained, device = frame.devices[index]
    stood, name = meta(stand, BP_PROFILES), f"r{index}"
    return Observation(
        id=f"{frame.set_id}-{name}",
        meta=stood,
        contained=contained,
        extension=frame.extensions[reading.position],
        identifier=frame.identifier(name),
        based_on=frame.based_on,
        status=stand.status,
        category=CATEGORY,
        code=codes.BP_PANEL,
        subject=frame.subject,
        encounter=frame.encounter,
        effective_date_time=reading.taken_at,
        issued=instant(stand.updated_at),
        performer=elsewhere_list(reading.observer) or frame.observer,
        interpretation=frame.interpretations.get(index),
        note=notes.reading_notes(reading, sitting.evaluation.readings[index], frame.setting_note),
        body_site=codes.BODY_SITE.get(reading.site),
        method=codes.METHOD.get(reading.method or ""),
        device=device,
        component=pressure_components(reading) + cuff_component(sitting.cuff_of(reading)),
    )


def pulse_observation(sitting: StoredSitting, frame: Frame, index: int, stand: Stand) -> Observation:
    """The pulse that was measured with a reading. Source: [R4] heartrate."""
    reading = sitting.reading_set.readings[index]
    contained, device = frame.devices[index]
    stood, name, pulse = meta(stand, HEART_RATE_PROFILES), f"p{index}", reading.pulse_per_min
    return Observation(
        id=f"{frame.set_id}-{name}",
        meta=stood,
        contained=contained,
        extension=frame.extensions[reading.position],
        identifier=frame.identifier(name),
        based_on=frame.based_on,
        status=stand.status,
        category=CATEGORY,
        code=codes.HEART_RATE,
        subject=frame.subject,
        encounter=frame.encounter,
        effective_date_time=reading.taken_at,
        issued=instant(stand.updated_at),
        performer=elsewhere_list(reading.observer) or frame.observer,
        value_quantity=None if pulse is None else quantity(pulse, codes.PER_MINUTE_UNIT, codes.PER_MINUTE_CODE),
        data_absent_reason=codes.ABSENT_UNKNOWN if pulse is None else None,
        device=device,
    )


def flags_observation(sitting: StoredSitting, frame: Frame, index: int, stand: Stand) -> Observation:
    """What the device flagged while it measured. A flag is what the device said, not a diagnosis. Source: [PHD]."""
    reading = sitting.reading_set.readings[index]
    contained, device = frame.devices[index]
    stood, name = meta(stand), f"f{index}"
    flagged = [
        Component(code=code, value_boolean=True) for flag, code in codes.DEVICE_FLAG.items() if flag in reading.device_flags
    ]
    return Observation(
        id=f"{frame.set_id}-{name}",
        meta=stood,
        contained=contained,
        identifier=frame.identifier(name),
        based_on=frame.based_on,
        status=stand.status,
        code=codes.DEVICE_STATUS,
        subject=frame.subject,
        encounter=frame.encounter,
        effective_date_time=reading.taken_at,
        issued=instant(stand.updated_at),
        data_absent_reason=None if flagged else codes.ABSENT_UNKNOWN,
        device=device,
        derived_from=[Reference(reference=f"Observation/{frame.set_id}-r{index}")],
        component=flagged or None,
    )


def pressure_components(reading: Reading) -> list[Component]:
    """Systolic and diastolic, always both; mean arterial where there is one.

    A failed attempt has neither pressure: the reason is an error. One alone missing is unknown.
    """
    systolic, diastolic = reading.systolic_mmhg, reading.diastolic_mmhg
    absent = codes.ABSENT_ERROR if systolic is None and diastolic is None else codes.ABSENT_UNKNOWN
    components = [pressure(codes.SYSTOLIC, systolic, absent), pressure(codes.DIASTOLIC, diastolic, absent)]
    if reading.mean_arterial_mmhg is not None:
        components.append(pressure(codes.MEAN_ARTERIAL, reading.mean_arterial_mmhg, absent))
    return components


def pressure(code: CodeableConcept, mmhg: float | None, absent: CodeableConcept) -> Component:
    """One pressure in mmHg, or why it is missing."""
    if mmhg is None:
        return Component(code=code, data_absent_reason=absent)
    return Component(code=code, value_quantity=quantity(mmhg, codes.MMHG_UNIT, codes.MMHG_CODE))


def quantity(value: float, unit: str, code: str) -> Quantity:
    """A value with a UCUM unit."""
    return Quantity(value=value, unit=unit, system=codes.UCUM, code=code)
