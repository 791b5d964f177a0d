"""The rows below a set, those of its readings, labels and findings; and the row of a device."""

from __future__ import annotations

from quietcuff.analytics.tables.disguise import Disguise
from quietcuff.analytics.tables.set_rows import (
    ANSWERS,
    DecodedSet,
    Row,
    device_name,
    keys_of,
    named,
    recorded,
    sureness_of,
)
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.readings import Device
from quietcuff.core.model.registry import RegisteredDevice, as_in_a_set
from quietcuff.storage.rows.devices import DeviceRow

REGISTERED = DocumentDecoder(RegisteredDevice)
SEEN = DocumentDecoder(Device)


def reading_rows(sitting: DecodedSet, disguise: Disguise) -> list[Row]:
    """The rows of a set in ``readings``, in order of time."""
    reading_set, keys = sitting.reading_set, keys_of(sitting, disguise)
    shift = disguise.shift(sitting.stored.subject_id)
    reasons = {outcome.index: outcome.reason for outcome in sitting.evaluation.readings}
    rows: list[Row] = []
    before = None
    for place, (index, reading) in enumerate(sitting.order, 1):
        offset = reading.taken_at.utcoffset()
        rows.append(
            {
                **keys,
                "place": place,
                "taken_at": reading.taken_at + shift,
                "offset_minutes": 0 if offset is None else round(offset.total_seconds() / 60),
                "seconds_since_previous": None if before is None else round((reading.taken_at - before).total_seconds()),
                "systolic_mmhg": reading.systolic_mmhg,
                "diastolic_mmhg": reading.diastolic_mmhg,
                "pulse_per_min": reading.pulse_per_min,
                "site": recorded(reading.site),
                "position": recorded(reading.position),
                "method": reading.method,
                "rhythm": recorded(reading.rhythm),
                "observer": disguise.name("observer", named(reading.observer or reading_set.observer)),
                "device": disguise.name("device", device_name(reading.device or reading_set.device)),
                "counts": reasons[index] is None,
                "reason": reasons[index],
            }
        )
        before = reading.taken_at
    return rows


def label_rows(sitting: DecodedSet, disguise: Disguise) -> list[Row]:
    """The rows of a set in ``labels``."""
    keys = keys_of(sitting, disguise)
    return [
        {
            **keys,
            "guideline": entry.guideline,
            "guideline_version": entry.version,
            "category": entry.category,
            "label": entry.label,
            "provisional": entry.provisional,
            "provisional_because": " ".join(entry.provisional_because) or None,
            **sureness_of(sitting.evaluation, entry.guideline),
        }
        for entry in sitting.evaluation.categories
    ]


def finding_rows(sitting: DecodedSet, disguise: Disguise) -> list[Row]:
    """The rows of a set in ``findings``."""
    keys = keys_of(sitting, disguise)
    places = {index: place for place, (index, _) in enumerate(sitting.order, 1)}
    rows = []
    for finding in sitting.evaluation.findings:
        error = finding.expected_error
        systolic = None if error is None else error.systolic_mmhg
        diastolic = None if error is None else error.diastolic_mmhg
        rows.append(
            {
                **keys,
                "code": finding.code,
                "severity": finding.severity,
                "place": None if finding.reading is None else places.get(finding.reading),
                "systolic_low_mmhg": systolic and systolic[0],
                "systolic_high_mmhg": systolic and systolic[1],
                "diastolic_low_mmhg": diastolic and diastolic[0],
                "diastolic_high_mmhg": diastolic and diastolic[1],
            }
        )
    return rows


def device_row(row: DeviceRow, disguise: Disguise) -> Row:
    """The row of a device in ``devices``."""
    device = as_in_a_set(REGISTERED.decode(row.document)) if row.registered else SEEN.decode(row.document)
    return {
        "device": disguise.name("device", f"{row.system}|{row.value}"),
        "registered": row.registered,
        "manufacturer": device.manufacturer,
        "model": device.model,
        "kind": device.kind,
        "site": device.site,
        "validated": ANSWERS.get(device.validated),
        "validated_for": " ".join(device.validated_for) or None,
        "last_accuracy_check": device.last_accuracy_check,
        "accuracy_check_months": device.accuracy_check_interval_months,
    }
