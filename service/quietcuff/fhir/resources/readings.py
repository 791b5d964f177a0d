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

from quietcuff.core.model.readings import Cuff, Reading
from quietcuff.core.record.sitting_version import cuff_text, named_size
from quietcuff.fhir import codes
from quietcuff.fhir.model.ready import ready
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
ABSENT = {"error": ready(codes.ABSENT_ERROR), "unknown": ready(codes.ABSENT_UNKNOWN)}


def reading_observation(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> Observation:
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
        extension=[frame.setting, *(frame.extensions[reading.position] or [])],
        identifier=[*frame.identifier(name), *own_identifier(reading)],
        based_on=frame.based_on,
        status=stand.status,
        category=CATEGORY,
        code=BP_PANEL,
        subject=frame.subject,
        encounter=frame.encounter,
        effective_date_time=reading.taken_at,
        issued=instant(stand.updated_at),
        performer=elsewhere_list(reading.observer) or frame.observer,
        interpretation=frame.interpretations.get(index),
        note=notes.reading_notes(reading, sitting.evaluation.readings[index], frame.setting_note),
        body_site=BODY_SITE.get(reading.site),
        method=METHOD.get(reading.method or ""),
        device=device,
        component=pressure_components(reading) + cuff_component(sitting.cuff_of(reading)),
    )


def pulse_observation(sitting: SittingVersion, frame: SharedElements, index: int, stand: ResourceState) -> Observation:
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
        code=HEART_RATE,
        subject=frame.subject,
        encounter=frame.encounter,
        effective_date_time=reading.taken_at,
        issued=instant(stand.updated_at),
        performer=elsewhere_list(reading.observer) or frame.observer,
        value_quantity=None if pulse is None else quantity(pulse, units.PER_MINUTE, units.PER_MINUTE_CODE),
        data_absent_reason=ABSENT["unknown"] if pulse is None else None,
        device=device,
    )


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


def own_identifier(reading: Reading) -> list[Identifier]:
    """The sender's own name of a reading, where it has one."""
    own = reading.identifier or None
    return [] if own is None else [Identifier(system=own.system, value=own.value)]


def pressure_components(reading: Reading) -> list[Component]:
    """Systolic and diastolic, always both; mean arterial where there is one.

    A failed attempt has neither pressure: the reason is an error. One alone missing is unknown.
    """
    systolic, diastolic = reading.systolic_mmhg, reading.diastolic_mmhg
    absent = "error" if systolic is None and diastolic is None else "unknown"
    components = [pressure("systolic", systolic, absent), pressure("diastolic", diastolic, absent)]
    if reading.mean_arterial_mmhg is not None:
        components.append(pressure("mean-arterial", reading.mean_arterial_mmhg, absent))
    return components


# By type too: 120 and 120.0 are equal and are written differently.
@lru_cache(maxsize=4096, typed=True)
def pressure(name: str, mmhg: float | None, absent: str) -> Component:
    """One pressure in mmHg, or why it is missing."""
    if mmhg is None:
        return Component(code=PRESSURES[name], data_absent_reason=ABSENT[absent])
    return Component(code=PRESSURES[name], value_quantity=quantity(mmhg, units.MMHG, units.MMHG_CODE))


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
