"""Codes of ISO/IEEE 11073-10101 (MDC), after the HL7 Personal Health Device guide [PHD].

The numbers are whole codes: the partition, times 65,536, and the term within it.
"""

from __future__ import annotations

from quietcuff.core.model.fields import DeviceFlag

BP_PROFILE = "528391"
BP_PANEL = "150020"
SYSTOLIC = "150021"
DIASTOLIC = "150022"
MEAN_ARTERIAL = "150023"
CUFF_SYSTOLIC = "150301"
CUFF_DIASTOLIC = "150302"
CUFF_MEAN_ARTERIAL = "150303"
PULSE_RATE = "149546"
# Pressures that do not say whether a cuff or a catheter measured them.
ANY_ROUTE_PANEL = "150016"
ANY_ROUTE_SYSTOLIC = "150017"
ANY_ROUTE_DIASTOLIC = "150018"
ANY_ROUTE_MEAN_ARTERIAL = "150019"

DEVICE_STATUS = "8410608"
DEVICE_STATUS_NAME = "MDC_BLOOD_PRESSURE_MEASUREMENT_STATUS"
# By the bits of ``DEVICE_STATUS``, from bit 0. A failed measurement has no bit.
STATUS_FLAGS: tuple[DeviceFlag, ...] = (
    "body-movement",
    "cuff-loose",
    "irregular-pulse",
    "pulse-too-high",
    "pulse-too-low",
    "improper-position",
)

UNIT_MMHG = "266016"
UNIT_KPA = "265987"
UNIT_PER_MINUTE = "264864"


def status_bit(bit: int) -> str:
    """The code of one bit of the device status: 0 gives 8410608.0."""
    return f"{DEVICE_STATUS}.{bit}"
