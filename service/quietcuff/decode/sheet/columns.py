"""The columns that a sheet of readings may have: the name of each, and the field of the reading set that it fills."""

from __future__ import annotations

from functools import cache
from typing import Literal

import msgspec
from msgspec import inspect

from quietcuff.core.model.readings import Context, ReadingSet
from quietcuff.decode.faults import shape_of

# "row" fields are of a reading, "either" of the sitting where its rows agree, and else of the reading.
Part = Literal["sitting", "row", "either", "helper"]
Path = tuple[str | int, ...]


class SheetColumn(msgspec.Struct, frozen=True, kw_only=True):
    """One column. ``path`` leads from the reading set, or from a reading, to the field; a helper has none of its own."""

    name: str
    part: Part
    path: Path = ()


SUBJECT_FIELDS = (
    *("birth_date", "sex", "pregnancy", "gestation_weeks", "delivered_on", "known_hypertension", "antihypertensive_treatment"),
    *("treatment_changed_on", "known_irregular_rhythm", "arm_circumference_cm", "height_cm"),
)
SITTING: dict[str, Path] = {
    "sitting": ("identifier", "value"),
    "sitting_system": ("identifier", "system"),
    "person": ("subject", "identifier", "value"),
    "person_system": ("subject", "identifier", "system"),
    **{name: ("subject", name) for name in SUBJECT_FIELDS},
    "restricted_arm": ("subject", "arm_restrictions", 0, "arm"),
    "restriction_reason": ("subject", "arm_restrictions", 0, "reason"),
    "restricted_until": ("subject", "arm_restrictions", 0, "until"),
    **{name: (name,) for name in ("setting", "attendance", "visit", "protocol", "guidelines", "closed")},
    **{name: ("context", name) for name in Context.__struct_fields__},
    "average_systolic_mmhg": ("device_average", "systolic_mmhg"),
    "average_diastolic_mmhg": ("device_average", "diastolic_mmhg"),
    "average_readings": ("device_average", "readings"),
    "average_first_dropped": ("device_average", "first_dropped"),
    **{name: (name, "value") for name in ("location", "encounter", "based_on")},
    **{f"{name}_system": (name, "system") for name in ("location", "encounter", "based_on")},
}
EITHER: dict[str, Path] = {
    "device": ("device", "identifier", "value"),
    "device_system": ("device", "identifier", "system"),
    "device_kind": ("device", "kind"),
    "device_site": ("device", "site"),
    "device_validated": ("device", "validated"),
    "device_validated_for": ("device", "validated_for"),
    "device_manufacturer": ("device", "manufacturer"),
    "device_model": ("device", "model"),
    "device_serial_number": ("device", "serial_number"),
    "device_last_accuracy_check": ("device", "last_accuracy_check"),
    "device_accuracy_check_interval_months": ("device", "accuracy_check_interval_months"),
    "device_clock_drift_seconds": ("device", "clock_drift_seconds"),
    "cuff_size": ("cuff", "size"),
    "cuff_from_cm": ("cuff", "range_cm", 0),
    "cuff_to_cm": ("cuff", "range_cm", 1),
    "cuff_mark_within_range": ("cuff", "mark_within_range"),
    "observer": ("observer", "value"),
    "observer_system": ("observer", "system"),
}
ROW_FIELDS = (
    *("taken_at", "systolic_mmhg", "diastolic_mmhg", "mean_arterial_mmhg", "pulse_per_min", "site", "position", "stood_at"),
    *("method", "rhythm", "device_flags", "voided"),
)
ROW: dict[str, Path] = {
    **{name: (name,) for name in ROW_FIELDS},
    "reading": ("identifier", "value"),
    "reading_system": ("identifier", "system"),
}
# What stands for other columns: a day and a time apart, both pressures in one cell, pressures whose unit is stated elsewhere.
PRESSURES = ("systolic", "diastolic", "mean_arterial")
PAIRS = {"pressure": None, "pressure_mmhg": "mmHg", "pressure_kpa": "kPa"}
HELPERS = ("day", "time", "unit", *PAIRS, *PRESSURES, *(f"{name}_kpa" for name in PRESSURES))


def _columns() -> dict[str, SheetColumn]:
    parts: tuple[tuple[Part, dict[str, Path]], ...] = (("sitting", SITTING), ("either", EITHER), ("row", ROW))
    found = {name: SheetColumn(name=name, part=part, path=path) for part, paths in parts for name, path in paths.items()}
    return found | {name: SheetColumn(name=name, part="helper") for name in HELPERS}


COLUMNS = _columns()


@cache
def kind_of(name: str) -> inspect.Type:
    """The type of a column's field, found by its path through the model."""
    column = COLUMNS[name]
    path = ("readings", 0, *column.path) if column.part == "row" else column.path
    kind: inspect.Type = shape_of(ReadingSet)
    for step in path:
        kind = _one_step(plain(kind), step)
    return plain(kind)


def _one_step(kind: inspect.Type, step: str | int) -> inspect.Type:
    if isinstance(kind, inspect.ListType):
        return kind.item_type
    if isinstance(kind, inspect.TupleType) and isinstance(step, int):
        return kind.item_types[step]
    if isinstance(kind, inspect.StructType):
        return next(field.type for field in kind.fields if field.encode_name == step)
    raise KeyError(step)


def plain(kind: inspect.Type) -> inspect.Type:
    """The type without its notes, and without the null that stands for nothing said."""
    if isinstance(kind, inspect.Metadata):
        return plain(kind.type)
    if isinstance(kind, inspect.UnionType):
        said = [each for each in kind.types if not isinstance(each, inspect.NoneType)]
        return plain(said[0])
    return kind


def own_names() -> dict[str, str]:
    """Every name of our own for a column, the path of its field among them: ``subject.birth_date`` for ``birth_date``."""
    names = {name: name for name in COLUMNS}
    for column in COLUMNS.values():
        if column.path:
            path = ("readings", *column.path) if column.part == "row" else column.path
            names[".".join(str(step) for step in path)] = column.name
    return names
