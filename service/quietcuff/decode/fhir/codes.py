"""Codes of incoming FHIR resources that are understood, with their meaning and source.

Sources: [R4] FHIR 4.0.1 definitions; [USC] US Core 9.0.0; [VIT] HL7 "Vital Signs with Qualifying Elements"; [PHD] HL7
Personal Health Device guide, after ISO/IEEE 11073-10101; [SCT] SNOMED CT concepts as public guides use them; [M] from memory,
no published source read. What is in none of these tables is not guessed at.
"""

from __future__ import annotations

from quietcuff.core.model.fields import Attendance, DeviceFlag, Method, Position, Setting, Site, YesNo
from quietcuff.terminology import loinc, mdc, snomed
from quietcuff.terminology.systems import IEEE_11073, LOINC, SNOMED, STATUS_BITS, UCUM
from quietcuff.terminology.units import BEATS_PER_MINUTE_CODE, KPA, KPA_CODE, MMHG, MMHG_CODE, PER_MINUTE, PER_MINUTE_CODE

SETTING_EXTENSION = "http://hl7.org/fhir/us/vitals/StructureDefinition/MeasurementSettingExt"  # [VIT]

Code = tuple[str, str]

PANELS = frozenset({(LOINC, loinc.BP_PANEL), (IEEE_11073, mdc.BP_PANEL)})  # [R4] bp; [PHD]
# Means of several readings: [USC] the average panel; [VIT] the means of 24 hours.
AVERAGES = frozenset(
    (LOINC, code)
    for code in (
        loinc.MEAN_PANEL,
        loinc.MEAN_SYSTOLIC,
        loinc.MEAN_DIASTOLIC,
        loinc.MEAN_PANEL_24_HOURS,
        loinc.MEAN_SYSTOLIC_24_HOURS,
        loinc.MEAN_DIASTOLIC_24_HOURS,
    )
)
PULSES = frozenset({(LOINC, loinc.HEART_RATE), (IEEE_11073, mdc.PULSE_RATE)})  # [R4] heartrate; [PHD]
DEVICE_STATUS = frozenset({(IEEE_11073, mdc.DEVICE_STATUS)})  # [PHD]

# What a component of a panel is. Some LOINC codes name the body position as well.
COMPONENTS: dict[Code, str] = {
    (LOINC, loinc.SYSTOLIC): "systolic",  # [R4] bp
    (LOINC, loinc.DIASTOLIC): "diastolic",  # [R4] bp
    (LOINC, loinc.MEAN_ARTERIAL): "mean",  # [R4] vital sign results
    (LOINC, loinc.SYSTOLIC_SITTING): "systolic",  # public list
    (LOINC, loinc.DIASTOLIC_SITTING): "diastolic",  # public list
    (LOINC, loinc.SYSTOLIC_STANDING): "systolic",  # [M]
    (LOINC, loinc.DIASTOLIC_STANDING): "diastolic",  # [M]
    (LOINC, loinc.SYSTOLIC_SUPINE): "systolic",  # [M]
    (LOINC, loinc.DIASTOLIC_SUPINE): "diastolic",  # [M]
    (LOINC, loinc.SYSTOLIC_NONINVASIVE): "systolic",  # public list, non-invasive
    (LOINC, loinc.DIASTOLIC_NONINVASIVE): "diastolic",  # public list, non-invasive
    (IEEE_11073, mdc.SYSTOLIC): "systolic",  # [PHD]
    (IEEE_11073, mdc.DIASTOLIC): "diastolic",  # [PHD]
    (IEEE_11073, mdc.MEAN_ARTERIAL): "mean",  # [PHD]
    (LOINC, loinc.HEART_RATE): "pulse",  # [R4] heartrate
    (IEEE_11073, mdc.PULSE_RATE): "pulse",  # [PHD]
    (LOINC, loinc.CUFF_SIZE): "cuff",  # [VIT]
}
CUFF_SIZES = {(SNOMED, code): size.replace("-", " ") for size, code in snomed.CUFF_SIZES.items()}
POSITION_OF_COMPONENT: dict[Code, Position] = {
    (LOINC, loinc.SYSTOLIC_SITTING): "sitting",
    (LOINC, loinc.DIASTOLIC_SITTING): "sitting",
    (LOINC, loinc.SYSTOLIC_STANDING): "standing",
    (LOINC, loinc.DIASTOLIC_STANDING): "standing",
    (LOINC, loinc.SYSTOLIC_SUPINE): "supine",
    (LOINC, loinc.DIASTOLIC_SUPINE): "supine",
}
PRESSURES = frozenset(code for code, name in COMPONENTS.items() if name in ("systolic", "diastolic"))

PRESSURE_UNITS: dict[Code, str] = {
    (UCUM, MMHG_CODE): MMHG,  # [R4] bp, fixed
    (UCUM, KPA_CODE): KPA,
    (IEEE_11073, mdc.UNIT_MMHG): MMHG,  # [PHD]
    (IEEE_11073, mdc.UNIT_KPA): KPA,  # [PHD]
}
PULSE_UNITS: dict[Code, str] = {
    (UCUM, PER_MINUTE_CODE): PER_MINUTE,  # [R4] heartrate, fixed
    (UCUM, BEATS_PER_MINUTE_CODE): PER_MINUTE,  # [PHD]
    (IEEE_11073, mdc.UNIT_PER_MINUTE): PER_MINUTE,  # [PHD]
}
# The words of a unit that has no code.
PRESSURE_WORDS = {"mmHg": MMHG, "mm[Hg]": MMHG, "mm Hg": MMHG, "kPa": KPA}
PULSE_WORDS = {"/min": PER_MINUTE, "beats/min": PER_MINUTE, "beats/minute": PER_MINUTE, "bpm": PER_MINUTE}
# Every unit by its words and by its codes as words, in small letters: what a text beside a code may name.
UNIT_WORDS = {
    word.lower(): unit
    for table in (PRESSURE_WORDS, PULSE_WORDS, {code: unit for (_, code), unit in (PRESSURE_UNITS | PULSE_UNITS).items()})
    for word, unit in table.items()
}

BODY_SITES: dict[Code, Site] = {
    (SNOMED, snomed.LEFT_UPPER_ARM): "left-upper-arm",  # [SCT]
    (SNOMED, snomed.RIGHT_UPPER_ARM): "right-upper-arm",  # [SCT]
    (SNOMED, snomed.LEFT_BRACHIAL_ARTERY): "left-upper-arm",  # [VIT] brachial artery
    (SNOMED, snomed.RIGHT_BRACHIAL_ARTERY): "right-upper-arm",  # [VIT]
    (SNOMED, snomed.LEFT_WRIST): "left-wrist",  # [SCT]
    (SNOMED, snomed.RIGHT_WRIST): "right-wrist",  # [SCT]
    (SNOMED, snomed.LEFT_RADIAL_ARTERY): "left-wrist",  # [VIT] radial artery
    (SNOMED, snomed.RIGHT_RADIAL_ARTERY): "right-wrist",  # [VIT]
    (SNOMED, snomed.LEFT_THIGH): "left-thigh",  # [SCT]
    (SNOMED, snomed.RIGHT_THIGH): "right-thigh",  # [SCT]
    (SNOMED, snomed.LEFT_FEMORAL_ARTERY): "left-thigh",  # [VIT] femoral artery
    (SNOMED, snomed.RIGHT_FEMORAL_ARTERY): "right-thigh",  # [VIT]
}
POSITIONS: dict[Code, Position] = {  # [VIT]
    (SNOMED, snomed.SITTING): "sitting",
    (SNOMED, snomed.STANDING): "standing",
    (SNOMED, snomed.SUPINE): "supine",
    (SNOMED, snomed.ALSO_SUPINE): "supine",
}
METHODS: dict[Code, Method] = {  # [VIT]
    (SNOMED, snomed.OSCILLOMETRY): "oscillometric",
    (SNOMED, snomed.AUSCULTATION): "auscultatory",
}
SETTINGS: dict[Code, Setting] = {  # [VIT]
    (SNOMED, snomed.AT_HOME): "home",
    (SNOMED, snomed.IN_OFFICE): "office",
    (SNOMED, snomed.ALSO_IN_OFFICE): "office",
}
FLAGS: dict[Code, DeviceFlag] = {  # [PHD] bits of 8410608
    (STATUS_BITS, mdc.status_bit(bit)): flag for bit, flag in enumerate(mdc.STATUS_FLAGS)
}
DEVICE_KINDS: dict[Code, str] = {
    **{(SNOMED, code): "automatic" for code in snomed.AUTOMATIC_DEVICES},
    **{(SNOMED, code): "auscultatory" for code in snomed.AUSCULTATION_DEVICES},
}

# Why a value is missing, where that means that the device tried and failed. [R4] data-absent-reason
FAILURES = frozenset({"error", "not-a-number", "negative-infinity", "positive-infinity"})
TEST_DATA: Code = ("http://terminology.hl7.org/CodeSystem/v3-ActReason", "HTEST")  # [R4] security label

# What this service's own resources say in words, because no published code says it.
FLAG_WORDS: dict[str, DeviceFlag] = {"Measurement failed": "measurement-failed"}
IRREGULAR_WORDS = "The pulse was irregular."
SETTING_WORDS: dict[str, Setting] = {
    "Taken at home.": "home",
    "Taken by a monitor worn during ordinary life.": "ambulatory",
}
ATTENDANCE_WORDS: dict[str, Attendance] = {"Nobody else was in the room.": "unattended"}
KIND_WORDS = {
    "Automatic blood-pressure monitor": "automatic",
    "Semi-automatic blood-pressure monitor": "semi-automatic",
    "Blood-pressure meter for auscultation": "auscultatory",
    "Cuffless blood-pressure device": "cuffless",
}
DEVICE_SITE_WORDS = {"upper arm": "upper-arm", "wrist": "wrist", "finger": "finger"}
VALIDATED_WORDS: dict[str, YesNo] = {
    "Reported as validated for accuracy.": "yes",
    "Reported as not validated for accuracy.": "no",
}
