"""What a reading was taken with: which devices block a result, and which method they measure by."""

from __future__ import annotations

from typing import Literal

from quietcuff.core.model.readings import Device, Reading

Block = Literal["device-cuffless", "device-finger", "device-wrist", "neonate"]

METHOD_OF_KIND = {"automatic": "oscillometric", "semi-automatic": "oscillometric", "auscultatory": "auscultatory"}


def device_block(device: Device | None, site: str, *, wrist_counts: bool = True) -> Block | None:
    """Why no reading of this device can count, or None. A wrist device counts only when it is known to be validated,
    and where the protocol lets it.

    Source: [AHA25] for cuffless devices; the rest are the project's decisions.
    """
    if device is not None and device.kind == "cuffless":
        return "device-cuffless"
    if device is not None and device.site == "finger":
        return "device-finger"
    if is_wrist(device, site) and (not wrist_counts or device is None or device.validated != "yes"):
        return "device-wrist"
    return None


def is_wrist(device: Device | None, site: str) -> bool:
    """Whether a reading was taken at the wrist."""
    return site.endswith("wrist") or (device is not None and device.site == "wrist")


def method_of(reading: Reading, device: Device | None) -> str:
    """The method as recorded, else as the kind of device tells, else not-recorded."""
    if reading.method is not None:
        return reading.method
    if device is None or device.kind is None:
        return "not-recorded"
    return METHOD_OF_KIND.get(device.kind, "not-recorded")
