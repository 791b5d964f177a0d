"""Codes of incoming FHIR resources that are understood, with their meaning and source.

Sources: [R4] FHIR 4.0.1 definitions; [USC] US Core 9.0.0; [VIT] HL7 "Vital Signs with Qualifying Elements"; [PHD] HL7
Personal Health Device guide, after ISO/IEEE 11073-10101; [SCT] SNOMED CT concepts as public guides use them; [M] from memory,
no published source read. What is in none of these tables is not guessed at.
"""

from __future__ import annotations

from quietcuff.core.model.fields import Attendance, DeviceFlag, Method, Position, Setting, Site, YesNo

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
IEEE_11073 = "urn:iso:std:iso:11073:10101"
STATUS_BITS = "http://terminology.hl7.org/CodeSystem/ASN1ToHL7"
BODY_POSITION_EXTENSION = "http://hl7.org/fhir/StructureDefinition/observation-bodyPosition"  # [R4]
LOCATION_EXTENSION = "http://hl7.org/fhir/StructureDefinition/event-location"  # [R4]
SETTING_EXTENSION = "http://hl7.org/fhir/us/vitals/StructureDefinition/MeasurementSettingExt"  # [VIT]

Code = tuple[str, str]

PANELS = frozenset({(LOINC, "85354-9"), (IEEE_11073, "150020")})  # [R4] bp; [PHD]
# Means of several readings: [USC] the average panel; [VIT] the means of 24 hours.
AVERAGES = frozenset((LOINC, code) for code in ("96607-7", "96608-5", "96609-3", "97844-5", "8490-5", "8472-3"))
PULSES = frozenset({(LOINC, "8867-4"), (IEEE_11073, "149546")})  # [R4] heartrate; [PHD]
DEVICE_STATUS = frozenset({(IEEE_11073, "8410608")})  # [PHD]

# What a component of a panel is. Some LOINC codes name the body position as well.
COMPONENTS: dict[Code, str] = {
    (LOINC, "8480-6"): "systolic",  # [R4] bp
    (LOINC, "8462-4"): "diastolic",  # [R4] bp
    (LOINC, "8478-0"): "mean",  # [R4] vital sign results
    (LOINC, "8459-0"): "systolic",  # public list
    (LOINC, "8453-3"): "diastolic",  # public list
    (LOINC, "8460-8"): "systolic",  # [M]
    (LOINC, "8454-1"): "diastolic",  # [M]
    (LOINC, "8461-6"): "systolic",  # [M]
    (LOINC, "8455-8"): "diastolic",  # [M]
    (LOINC, "76534-7"): "systolic",  # public list, non-invasive
    (LOINC, "76535-4"): "diastolic",  # public list, non-invasive
    (IEEE_11073, "150021"): "systolic",  # [PHD]
    (IEEE_11073, "150022"): "diastolic",  # [PHD]
    (IEEE_11073, "150023"): "mean",  # [PHD]
    (LOINC, "8867-4"): "pulse",  # [R4] heartrate
    (IEEE_11073, "149546"): "pulse",  # [PHD]
    (LOINC, "8358-4"): "cuff",  # [VIT]
}
CUFF_SIZES: dict[Code, str] = {  # [VIT]
    (SNOMED, "720736009"): "pediatric",
    (SNOMED, "720737000"): "adult",
    (SNOMED, "720738005"): "large adult",
    (SNOMED, "720739002"): "small adult",
    (SNOMED, "720740000"): "thigh",
}
POSITION_OF_COMPONENT: dict[Code, Position] = {
    (LOINC, "8459-0"): "sitting",
    (LOINC, "8453-3"): "sitting",
    (LOINC, "8460-8"): "standing",
    (LOINC, "8454-1"): "standing",
    (LOINC, "8461-6"): "supine",
    (LOINC, "8455-8"): "supine",
}
PRESSURES = frozenset(code for code, name in COMPONENTS.items() if name in ("systolic", "diastolic"))

PRESSURE_UNITS: dict[Code, str] = {
    (UCUM, "mm[Hg]"): "mmHg",  # [R4] bp, fixed
    (UCUM, "kPa"): "kPa",
    (IEEE_11073, "266016"): "mmHg",  # [PHD]
    (IEEE_11073, "265987"): "kPa",  # [PHD]
}
PULSE_UNITS: dict[Code, str] = {
    (UCUM, "/min"): "/min",  # [R4] heartrate, fixed
    (UCUM, "{beats}/min"): "/min",  # [PHD]
    (IEEE_11073, "264864"): "/min",  # [PHD]
}
# The words of a unit that has no code.
PRESSURE_WORDS = {"mmHg": "mmHg", "mm[Hg]": "mmHg", "mm Hg": "mmHg", "kPa": "kPa"}
PULSE_WORDS = {"/min": "/min", "beats/min": "/min", "beats/minute": "/min", "bpm": "/min"}
# Every unit by its words and by its codes as words, in small letters: what a text beside a code may name.
UNIT_WORDS = {
    word.lower(): unit
    for table in (PRESSURE_WORDS, PULSE_WORDS, {code: unit for (_, code), unit in (PRESSURE_UNITS | PULSE_UNITS).items()})
    for word, unit in table.items()
}

BODY_SITES: dict[Code, Site] = {
    (SNOMED, "368208006"): "left-upper-arm",  # [SCT]
    (SNOMED, "368209003"): "right-upper-arm",  # [SCT]
    (SNOMED, "723961002"): "left-upper-arm",  # [VIT] brachial artery
    (SNOMED, "723962009"): "right-upper-arm",  # [VIT]
    (SNOMED, "5951000"): "left-wrist",  # [SCT]
    (SNOMED, "9736006"): "right-wrist",  # [SCT]
    (SNOMED, "368504007"): "left-wrist",  # [VIT] radial artery
    (SNOMED, "368503001"): "right-wrist",  # [VIT]
    (SNOMED, "61396006"): "left-thigh",  # [SCT]
    (SNOMED, "11207009"): "right-thigh",  # [SCT]
    (SNOMED, "113270003"): "left-thigh",  # [VIT] femoral artery
    (SNOMED, "69833005"): "right-thigh",  # [VIT]
}
POSITIONS: dict[Code, Position] = {  # [VIT]
    (SNOMED, "33586001"): "sitting",
    (SNOMED, "10904000"): "standing",
    (SNOMED, "40199007"): "supine",
    (SNOMED, "102538003"): "supine",
}
METHODS: dict[Code, Method] = {  # [VIT]
    (SNOMED, "31813000"): "oscillometric",
    (SNOMED, "37931006"): "auscultatory",
}
SETTINGS: dict[Code, Setting] = {  # [VIT]
    (SNOMED, "264362003"): "home",
    (SNOMED, "257585005"): "office",
    (SNOMED, "285201006"): "office",
}
FLAGS: dict[Code, DeviceFlag] = {  # [PHD] bits of 8410608
    (STATUS_BITS, "8410608.0"): "body-movement",
    (STATUS_BITS, "8410608.1"): "cuff-loose",
    (STATUS_BITS, "8410608.2"): "irregular-pulse",
    (STATUS_BITS, "8410608.3"): "pulse-too-high",
    (STATUS_BITS, "8410608.4"): "pulse-too-low",
    (STATUS_BITS, "8410608.5"): "improper-position",
}
DEVICE_KINDS: dict[Code, str] = {  # [VIT]
    (SNOMED, "466086009"): "automatic",
    (SNOMED, "466093008"): "automatic",
    (SNOMED, "309641003"): "auscultatory",
    (SNOMED, "309642005"): "auscultatory",
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
