"""SNOMED CT concepts of places, positions, methods, settings, cuffs and devices.

Sources: [SCT] concepts as FHIR's own examples and public guides use them; [VIT] HL7 "Vital Signs with Qualifying Elements";
[USC] US Core 9.0.0.
"""

from __future__ import annotations

LEFT_UPPER_ARM = "368208006"  # [SCT], as in R4's own blood-pressure examples
RIGHT_UPPER_ARM = "368209003"  # [SCT], as in R4's own blood-pressure examples
LEFT_WRIST = "5951000"  # [SCT]
RIGHT_WRIST = "9736006"  # [SCT]
LEFT_THIGH = "61396006"  # [SCT]
RIGHT_THIGH = "11207009"  # [SCT]
LEFT_BRACHIAL_ARTERY = "723961002"  # [VIT]
RIGHT_BRACHIAL_ARTERY = "723962009"  # [VIT]
LEFT_RADIAL_ARTERY = "368504007"  # [VIT]
RIGHT_RADIAL_ARTERY = "368503001"  # [VIT]
LEFT_FEMORAL_ARTERY = "113270003"  # [VIT]
RIGHT_FEMORAL_ARTERY = "69833005"  # [VIT]

SITTING = "33586001"  # [VIT]
STANDING = "10904000"  # [VIT]
SUPINE = "40199007"  # [VIT]
ALSO_SUPINE = "102538003"  # [VIT]

OSCILLOMETRY = "31813000"  # [VIT]
AUSCULTATION = "37931006"  # [VIT]

AT_HOME = "264362003"  # [VIT]
IN_OFFICE = "257585005"  # [VIT]
ALSO_IN_OFFICE = "285201006"  # [VIT]

MONITOR = "258057004"  # [VIT]
AUTOMATIC_DEVICES = ("466086009", "466093008")  # [VIT]
AUSCULTATION_DEVICES = ("309641003", "309642005")  # [VIT]

# [VIT]; their displays were not read. An extra-large cuff has no published code.
CUFF_SIZES = {
    "pediatric": "720736009",
    "adult": "720737000",
    "large-adult": "720738005",
    "small-adult": "720739002",
    "thigh": "720740000",
}

NUMBER_OF_OCCURRENCES = "246432004"  # [USC] average, guidance text
