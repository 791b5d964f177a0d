"""Rows of an HL7 v2 order put together to readings: which belong to one measurement, and what is to be done with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from typing import TypeVar

import msgspec

from quietcuff.core.model.fields import IntakeCode, Method
from quietcuff.core.model.readings import Reading
from quietcuff.decode.hl7v2 import codes as codes
from quietcuff.decode.hl7v2.observation import ObservationRow
from quietcuff.decode.hl7v2.syntax import part
from quietcuff.decode.payload import Act

T = TypeVar("T")
LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)
PRESSURES = ("systolic", "diastolic", "both")
MEASURED = (*PRESSURES, "mean", "pulse")
FIELDS = {
    "systolic": "systolic_mmhg",
    "diastolic": "diastolic_mmhg",
    "mean": "mean_arterial_mmhg",
    "pulse": "pulse_per_min",
}


class OrderMeasurement(msgspec.Struct, frozen=True, kw_only=True):
    """The rows of one measurement, and its key among those of the order."""

    key: str
    rows: list[ObservationRow]

    def used(self, *kinds: str) -> list[ObservationRow]:
        """Its rows that are used, of some kinds, or of any."""
        return [row for row in self.rows if row.fate == "used" and (not kinds or row.kind in kinds)]


class ReportedReading(msgspec.Struct, frozen=True, kw_only=True):
    """A reading as its rows say it, what is to be done with it, and which of its fields they speak of."""

    act: Act
    reading: Reading
    says: tuple[str, ...]
    notes: tuple[IntakeCode, ...]


def key_of(row: ObservationRow) -> str:
    """The key of the measurement that a row is of: of a contained sub-id (device, channel, group, metric) without its end."""
    numbers = row.sub_id.split(".")
    return ".".join(numbers[:3]) if len(numbers) > 3 else row.sub_id


def measurements_of(rows: list[ObservationRow]) -> list[OrderMeasurement]:
    """The measurements of an order, in the order of their first rows; none of its rows is left out but containers."""
    by_key: dict[str, list[ObservationRow]] = {}
    for row in rows:
        if row.kind not in ("container", "other", "refused"):
            by_key.setdefault(key_of(row), []).append(row)
    lone = by_key.get("", [])
    if len(by_key) == 2 and lone and not any(row.kind in PRESSURES for row in lone):
        # A pulse without a sub-id, beside one measurement that has one.
        by_key = {key: [*own, *lone] for key, own in by_key.items() if key}
    found = []
    for key, own in by_key.items():
        found += apart(key, own)
    return found


def apart(key: str, rows: list[ObservationRow]) -> list[OrderMeasurement]:
    """Rows of one key as one measurement; as several, told apart by their times, where a measure comes again."""
    leave_out_twins(rows)
    if not repeated(rows):
        return [OrderMeasurement(key=key, rows=rows)]
    by_time: dict[str, list[ObservationRow]] = {}
    for row in rows:
        by_time.setdefault("" if row.moment is None else row.moment.at.isoformat(), []).append(row)
    for own in by_time.values():
        for row in repeated(own):
            row.refuse(4, "repeated-measure", "A sub-id or a time of its own for each reading.")
    return [OrderMeasurement(key=f"{key}@{at}", rows=own) for at, own in by_time.items()]


def leave_out_twins(rows: list[ObservationRow]) -> None:
    """Ignore rows that say the same again."""
    seen = set()
    for row in rows:
        said = (row.kind, row.status, tuple(row.numbers), None if row.moment is None else row.moment.at)
        if row.fate == "used" and row.kind in MEASURED:
            if said in seen:
                row.ignore("repeated")
            seen.add(said)


def repeated(rows: list[ObservationRow]) -> list[ObservationRow]:
    """The rows whose measure another row of them has too."""
    used = [row for row in rows if row.fate == "used"]
    counts = Counter(kind for row in used for kind in kinds_of(row))
    return [row for row in used if any(counts[kind] > 1 for kind in kinds_of(row))]


def kinds_of(row: ObservationRow) -> tuple[str, ...]:
    return ("systolic", "diastolic") if row.kind == "both" else (row.kind,) if row.kind in FIELDS else ()


def put_together(measurement: OrderMeasurement) -> ReportedReading | None:
    """The reading that the rows say; None where they say none, and then each of them is ignored or refused."""
    pressures, rest = measurement.used(*PRESSURES), measurement.used("mean", "pulse", "bits")
    taken_back = any(row.action == "retract" for row in pressures)
    act: Act = "add"
    if taken_back:
        act = "retract"
    elif any(row.action in ("replace", "retract") for row in (*pressures, *rest)):
        act = "correct"
    if not pressures and act != "correct":
        return pulse_alone(rest)
    kinds = {kind for row in pressures for kind in kinds_of(row)}
    if act == "add" and len(kinds) == 1:
        refuse_all(pressures, rest, 5, "one-pressure-missing", "Systolic and diastolic, both with a value.")
        return None
    if len({row.position for row in (*pressures, *rest)} - {"not-recorded"}) > 1:
        refuse_all(pressures, rest, 3, "positions-differ", "One position in a reading.")
        return None
    return with_values(act, pressures, rest)


def pulse_alone(rest: list[ObservationRow]) -> ReportedReading | None:
    """A pulse that comes by itself: it may be that of a reading that came before."""
    for row in rest:
        if row.kind == "mean":
            row.refuse(5, "one-pressure-missing", "Systolic and diastolic beside it.")
        elif row.kind != "pulse":
            row.ignore("no-pressure-beside")
    pulses = [row for row in rest if row.kind == "pulse"]
    found = with_values("add", [], pulses) if pulses else None
    return None if found is None else msgspec.structs.replace(found, says=(FIELDS["pulse"],), notes=())


def refuse_all(pressures: list[ObservationRow], rest: list[ObservationRow], field: int, code: str, detail: str) -> None:
    """Refuse the pressures of a measurement, and leave out what stands beside them."""
    for row in pressures:
        row.refuse(field, code, detail)
    for row in rest:
        row.ignore("no-pressure-beside")


def with_values(act: Act, pressures: list[ObservationRow], rest: list[ObservationRow]) -> ReportedReading | None:
    """The reading with what its rows say of it."""
    rows = [*pressures, *rest]
    times = [row.moment for row in pressures if row.moment is not None] or [row.moment for row in rows if row.moment]
    if not times:
        if act == "retract":
            # What is taken back is known by its key; its time says nothing.
            return ReportedReading(act=act, reading=Reading(taken_at=LONG_AGO), says=(), notes=())
        refuse_all(rows, [], 14, "time-missing", "A time in OBX-14 or OBR-7.")
        return None
    last = max(times, key=lambda moment: moment.at)
    values = {FIELDS[kind]: number for row in rows for kind, number in values_of(row)}
    described = {
        "site": first(rows, lambda row: codes.SITES.get(row.site.upper())),
        "position": first(rows, lambda row: None if row.position == "not-recorded" else row.position),
        "method": first(rows, method_of),
        "device_flags": sorted({bit for row in rows for bit in row.bits}) or None,
    }
    said = {name: value for name, value in described.items() if value is not None}
    reading = msgspec.convert({"taken_at": last.at, **values, **said}, Reading)
    says = ("taken_at", *values, *said) if pressures else (*values, *said)
    return ReportedReading(act=act, reading=reading, says=says, notes=notes_of(rows, {moment.zone for moment in times}))


def values_of(row: ObservationRow) -> list[tuple[str, float | None]]:
    """The measures of a row with their values; what is taken back has none."""
    numbers: list[Decimal | None] = [*row.numbers] or [None] * len(kinds_of(row))
    return [
        (kind, None if number is None else plain_number(number)) for kind, number in zip(kinds_of(row), numbers, strict=False)
    ]


def plain_number(number: Decimal) -> float:
    return int(number) if number == number.to_integral_value() else float(number)


def first(rows: list[ObservationRow], of: Callable[[ObservationRow], T | None]) -> T | None:
    """The first value that a row gives."""
    return next((found for row in rows if (found := of(row)) is not None), None)


def method_of(row: ObservationRow) -> Method | None:
    """The method by its words, since codes of methods are the sender's own."""
    words = f"{part(row.method, 1)} {part(row.method, 2)}".lower()
    if "oscillom" in words:
        return "oscillometric"
    return "auscultatory" if "auscult" in words else None


def notes_of(rows: list[ObservationRow], zones: set[str]) -> tuple[IntakeCode, ...]:
    """Notes on assumptions, and on doubts of the sender."""
    notes: tuple[tuple[IntakeCode, bool], ...] = (
        ("not-verified", any(row.status == "R" for row in rows)),
        ("questionable", any(codes.DOUBTFUL & set(row.flags) for row in rows)),
        ("clock-zone-assumed", "assumed" in zones or "unclear" in zones),
        ("clock-hour-unclear", "unclear" in zones),
        ("status-unclear", any(row.has_unclear_bits for row in rows)),
    )
    return tuple(code for code, is_so in notes if is_so)
