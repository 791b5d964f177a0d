"""Codes by which HL7 v2 senders name pressures, pulses, units, statuses, sites and positions.

Codes of LOINC and of ISO/IEEE 11073-10101 (MDC). Only what is listed is taken; a code and its name must agree.
Sources: [PHD] for MDC codes, units and bits; LOINC codes from public lists, the standing and supine ones and the cuff's
from memory; result statuses [HL7-0085].
"""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

import msgspec

from quietcuff.core.model.fields import DeviceFlag, Position, Site
from quietcuff.terminology import loinc, mdc, snomed
from quietcuff.terminology.units import KPA, MMHG, PASCALS_PER_MMHG, PER_MINUTE

Kind = Literal["systolic", "diastolic", "mean", "pulse", "both", "bits", "container", "refused"]
Action = Literal["store", "replace", "retract", "no-value", "pass"]


class Measure(msgspec.Struct, frozen=True):
    """The meaning of a code: ``name`` is its MDC reference id, ``reason`` why it is never taken."""

    kind: Kind
    position: Position = "not-recorded"
    name: str = ""
    reason: str = ""


SEVERAL = Measure("refused", reason="mean-of-several")
ANY_ROUTE = Measure("refused", reason="route-not-stated")
LOINC = {
    loinc.BP_PANEL: Measure("container"),
    loinc.SYSTOLIC: Measure("systolic"),
    loinc.DIASTOLIC: Measure("diastolic"),
    loinc.MEAN_ARTERIAL: Measure("mean"),
    loinc.HEART_RATE: Measure("pulse"),
    loinc.SYSTOLIC_AND_DIASTOLIC: Measure("both"),
    loinc.SYSTOLIC_SITTING: Measure("systolic", "sitting"),
    loinc.DIASTOLIC_SITTING: Measure("diastolic", "sitting"),
    loinc.SYSTOLIC_STANDING: Measure("systolic", "standing"),
    loinc.DIASTOLIC_STANDING: Measure("diastolic", "standing"),
    loinc.SYSTOLIC_SUPINE: Measure("systolic", "supine"),
    loinc.DIASTOLIC_SUPINE: Measure("diastolic", "supine"),
    loinc.SYSTOLIC_NONINVASIVE: Measure("systolic"),
    loinc.DIASTOLIC_NONINVASIVE: Measure("diastolic"),
    loinc.MEAN_PANEL: SEVERAL,
    loinc.MEAN_SYSTOLIC: SEVERAL,
    loinc.MEAN_DIASTOLIC: SEVERAL,
}
MDC = {
    mdc.BP_PROFILE: Measure("container", name="MDC_DEV_SPEC_PROFILE_BP"),
    mdc.BP_PANEL: Measure("container", name="MDC_PRESS_BLD_NONINV"),
    mdc.SYSTOLIC: Measure("systolic", name="MDC_PRESS_BLD_NONINV_SYS"),
    mdc.DIASTOLIC: Measure("diastolic", name="MDC_PRESS_BLD_NONINV_DIA"),
    mdc.MEAN_ARTERIAL: Measure("mean", name="MDC_PRESS_BLD_NONINV_MEAN"),
    mdc.CUFF_SYSTOLIC: Measure("systolic", name="MDC_PRESS_CUFF_SYS"),
    mdc.CUFF_DIASTOLIC: Measure("diastolic", name="MDC_PRESS_CUFF_DIA"),
    mdc.CUFF_MEAN_ARTERIAL: Measure("mean", name="MDC_PRESS_CUFF_MEAN"),
    mdc.PULSE_RATE: Measure("pulse", name="MDC_PULS_RATE_NON_INV"),
    mdc.DEVICE_STATUS: Measure("bits", name=mdc.DEVICE_STATUS_NAME),
    mdc.ANY_ROUTE_PANEL: msgspec.structs.replace(ANY_ROUTE, name="MDC_PRESS_BLD"),
    mdc.ANY_ROUTE_SYSTOLIC: msgspec.structs.replace(ANY_ROUTE, name="MDC_PRESS_BLD_SYS"),
    mdc.ANY_ROUTE_DIASTOLIC: msgspec.structs.replace(ANY_ROUTE, name="MDC_PRESS_BLD_DIA"),
    mdc.ANY_ROUTE_MEAN_ARTERIAL: msgspec.structs.replace(ANY_ROUTE, name="MDC_PRESS_BLD_MEAN"),
}
SYSTEMS = {"LN": LOINC, "LOINC": LOINC, "LNC": LOINC, "MDC": MDC}
# The text beside a LOINC code is free, but it may not name the other pressure.
OTHER_WORD = {"systolic": "diastol", "diastolic": "systol"}
PRESSURE_WORDS = ("systol", "diastol", "blood pressure", "press_bld", "press_cuff")

MMHG_PER_KPA = Decimal(1000) / PASCALS_PER_MMHG
UNITS = {
    "mm[hg]": MMHG,
    "mmhg": MMHG,
    "mm(hg)": MMHG,
    "mm hg": MMHG,
    mdc.UNIT_MMHG: MMHG,
    "mdc_dim_mmhg": MMHG,
    "kpa": KPA,
    mdc.UNIT_KPA: KPA,
    "mdc_dim_kilo_pascal": KPA,
    "/min": PER_MINUTE,
    "1/min": PER_MINUTE,
    "{beats}/min": PER_MINUTE,
    "beats/min": PER_MINUTE,
    "{beats}/minute": PER_MINUTE,
    "bpm": PER_MINUTE,
    "{bpm}": PER_MINUTE,
    mdc.UNIT_PER_MINUTE: PER_MINUTE,
    "mdc_dim_beat_per_min": PER_MINUTE,
}

# A: amended (2.8). V and B bring no other value; known, they change nothing. The rest: ignored, each by its reason.
ACTIONS: dict[str, Action] = {
    **dict.fromkeys(("F", "R", "V", "B"), "store"),
    **dict.fromkeys(("C", "A"), "replace"),
    **dict.fromkeys(("D", "W"), "retract"),
    "X": "no-value",
    **dict.fromkeys(("P", "I", "N", "O", "S", "U"), "pass"),
}
PASSED = {
    "P": "preliminary",
    "I": "pending",
    "N": "not-asked",
    "O": "order-detail",
    "S": "partial",
    "U": "status-only",
}
# OBX-8: these say that the value must not be used; the rest say nothing that changes it.
FLAG_REASONS = {
    "TEST": "test-data",
    "DEMO": "test-data",
    "INV": "invalid",
    "NAV": "not-available",
    "BUSY": "still-measuring",
    "EARLY": "preliminary",
}
OFF_SCALE = frozenset("<>")
DOUBTFUL = frozenset(("QUES", "CAL"))

SITES: dict[str, Site] = {
    snomed.LEFT_UPPER_ARM: "left-upper-arm",
    snomed.RIGHT_UPPER_ARM: "right-upper-arm",
    "LUA": "left-upper-arm",
    "RUA": "right-upper-arm",
}
STATUS_BITS: tuple[DeviceFlag, ...] = mdc.STATUS_FLAGS
EUI_64 = "urn:oid:1.2.840.10004.1.1.1.0.0.1.0.0.1.2680"
