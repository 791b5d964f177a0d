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
    "85354-9": Measure("container"),
    "8480-6": Measure("systolic"),
    "8462-4": Measure("diastolic"),
    "8478-0": Measure("mean"),
    "8867-4": Measure("pulse"),
    "55284-4": Measure("both"),
    "8459-0": Measure("systolic", "sitting"),
    "8453-3": Measure("diastolic", "sitting"),
    "8460-8": Measure("systolic", "standing"),
    "8454-1": Measure("diastolic", "standing"),
    "8461-6": Measure("systolic", "supine"),
    "8455-8": Measure("diastolic", "supine"),
    "76534-7": Measure("systolic"),
    "76535-4": Measure("diastolic"),
    "96607-7": SEVERAL,
    "96608-5": SEVERAL,
    "96609-3": SEVERAL,
}
MDC = {
    "528391": Measure("container", name="MDC_DEV_SPEC_PROFILE_BP"),
    "150020": Measure("container", name="MDC_PRESS_BLD_NONINV"),
    "150021": Measure("systolic", name="MDC_PRESS_BLD_NONINV_SYS"),
    "150022": Measure("diastolic", name="MDC_PRESS_BLD_NONINV_DIA"),
    "150023": Measure("mean", name="MDC_PRESS_BLD_NONINV_MEAN"),
    "150301": Measure("systolic", name="MDC_PRESS_CUFF_SYS"),
    "150302": Measure("diastolic", name="MDC_PRESS_CUFF_DIA"),
    "150303": Measure("mean", name="MDC_PRESS_CUFF_MEAN"),
    "149546": Measure("pulse", name="MDC_PULS_RATE_NON_INV"),
    "8410608": Measure("bits", name="MDC_BLOOD_PRESSURE_MEASUREMENT_STATUS"),
    "150016": msgspec.structs.replace(ANY_ROUTE, name="MDC_PRESS_BLD"),
    "150017": msgspec.structs.replace(ANY_ROUTE, name="MDC_PRESS_BLD_SYS"),
    "150018": msgspec.structs.replace(ANY_ROUTE, name="MDC_PRESS_BLD_DIA"),
    "150019": msgspec.structs.replace(ANY_ROUTE, name="MDC_PRESS_BLD_MEAN"),
}
SYSTEMS = {"LN": LOINC, "LOINC": LOINC, "LNC": LOINC, "MDC": MDC}
# The text beside a LOINC code is free, but it may not name the other pressure.
OTHER_WORD = {"systolic": "diastol", "diastolic": "systol"}
PRESSURE_WORDS = ("systol", "diastol", "blood pressure", "press_bld", "press_cuff")

MMHG_PER_KPA = Decimal(1000) / Decimal("133.322387415")
MMHG, KPA, PER_MINUTE = "mmHg", "kPa", "/min"
UNITS = {
    "mm[hg]": MMHG,
    "mmhg": MMHG,
    "mm(hg)": MMHG,
    "mm hg": MMHG,
    "266016": MMHG,
    "mdc_dim_mmhg": MMHG,
    "kpa": KPA,
    "265987": KPA,
    "mdc_dim_kilo_pascal": KPA,
    "/min": PER_MINUTE,
    "1/min": PER_MINUTE,
    "{beats}/min": PER_MINUTE,
    "beats/min": PER_MINUTE,
    "{beats}/minute": PER_MINUTE,
    "bpm": PER_MINUTE,
    "{bpm}": PER_MINUTE,
    "264864": PER_MINUTE,
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
    "368208006": "left-upper-arm",
    "368209003": "right-upper-arm",
    "LUA": "left-upper-arm",
    "RUA": "right-upper-arm",
}
STATUS_BITS: tuple[DeviceFlag, ...] = (
    "body-movement",
    "cuff-loose",
    "irregular-pulse",
    "pulse-too-high",
    "pulse-too-low",
    "improper-position",
)
EUI_64 = "urn:oid:1.2.840.10004.1.1.1.0.0.1.0.0.1.2680"
