"""LOINC codes of pressures, pulses and cuffs.

Sources: [R4] FHIR 4.0.1 definitions; [USC] US Core 9.0.0; [VIT] HL7 "Vital Signs with Qualifying Elements"; [M] from memory.
"""

from __future__ import annotations

BP_PANEL = "85354-9"  # [R4] bp, fixed
SYSTOLIC = "8480-6"  # [R4] bp, fixed
DIASTOLIC = "8462-4"  # [R4] bp, fixed
MEAN_ARTERIAL = "8478-0"  # [R4] vital sign results
HEART_RATE = "8867-4"  # [R4] heartrate, fixed
CUFF_SIZE = "8358-4"  # [R4] lists it beside the panel; [VIT]
SYSTOLIC_AND_DIASTOLIC = "55284-4"  # public list

SYSTOLIC_SITTING = "8459-0"  # public list
DIASTOLIC_SITTING = "8453-3"  # public list
SYSTOLIC_STANDING = "8460-8"  # [M]
DIASTOLIC_STANDING = "8454-1"  # [M]
SYSTOLIC_SUPINE = "8461-6"  # [M]
DIASTOLIC_SUPINE = "8455-8"  # [M]
SYSTOLIC_NONINVASIVE = "76534-7"  # public list
DIASTOLIC_NONINVASIVE = "76535-4"  # public list

MEAN_PANEL = "96607-7"  # [USC] pattern
MEAN_SYSTOLIC = "96608-5"  # [USC] pattern
MEAN_DIASTOLIC = "96609-3"  # [USC] pattern
MEAN_PANEL_24_HOURS = "97844-5"  # [VIT]
MEAN_SYSTOLIC_24_HOURS = "8490-5"  # [VIT]
MEAN_DIASTOLIC_24_HOURS = "8472-3"  # [VIT]
