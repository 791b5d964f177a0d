"""A row of a batch as the core's own structs again, for the sets that the core evaluates itself.

What the kernel never tells, a row does not hold: identifiers, and earlier sittings beyond their number. The structs made here
give the same state, readings, result, labels and safety level, but not the same certainty.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, timezone
from typing import Any, get_args

import msgspec

from quietcuff.analytics.columns.batch import ANSWERS, split_names
from quietcuff.core.model.fields import Arm
from quietcuff.core.model.history import History, HistoryPair, HistorySitting
from quietcuff.core.model.readings import (
    ArmRestriction,
    Context,
    Cuff,
    Device,
    DeviceAverage,
    Identifier,
    Intake,
    IntakeNote,
    Reading,
    ReadingSet,
    SleepPeriod,
    Subject,
)

NOBODY = Identifier(system="urn:quietcuff:batch", value="row")
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)


def rebuild(row: dict[str, Any]) -> tuple[ReadingSet, History | None]:
    """A row, as plain values, as structs."""
    history = history_of(row)
    opened = None if row["opened_on"] is None else datetime.combine(row["opened_on"], time(), UTC)
    needs_moment = not row["readings"] and row["received_at"] is None and opened is not None
    average = None
    if row["average_readings"] is not None:
        average = DeviceAverage(
            systolic_mmhg=row["average_systolic_mmhg"],
            diastolic_mmhg=row["average_diastolic_mmhg"],
            readings=row["average_readings"],
            first_dropped=row["average_first_dropped"],
        )
    reading_set = ReadingSet(
        subject=subject_of(row),
        history=History(as_of=opened) if needs_moment and opened is not None else None,
        setting=row["setting"],
        attendance=row["attendance"],
        visit=row["visit"],
        protocol=row["protocol"],
        guidelines=split_names(row["guidelines"]),
        context=Context(rest_minutes=row["rest_minutes"], **{name: row[name] for name in ANSWERS}),
        device=parse(row["device"], Device),
        cuff=parse(row["cuff"], Cuff),
        device_average=average,
        sleep=[] if row["sleep"] is None else msgspec.json.decode(row["sleep"], type=list[SleepPeriod]),
        closed=row["closed"],
        readings=readings_of(row),
        intake=intake_of(row),
    )
    return reading_set, history


def subject_of(row: dict[str, Any]) -> Subject:
    """The person, under nobody's name."""
    arms: tuple[Arm, ...] = get_args(Arm)
    closed = [(arm, row[f"{arm}_arm_closed"]) for arm in arms]
    return Subject(
        identifier=NOBODY,
        birth_date=birth_text(row["born_from"], row["born_to"]),
        sex=row["sex"],
        pregnancy=row["pregnancy"],
        delivered_on=row["delivered_on"],
        known_hypertension=row["known_hypertension"],
        antihypertensive_treatment=row["antihypertensive_treatment"],
        known_irregular_rhythm=row["known_irregular_rhythm"],
        arm_circumference_cm=row["arm_circumference_cm"],
        height_cm=row["height_cm"],
        arm_restrictions=[ArmRestriction(arm=arm, reason=reason) for arm, reason in closed if reason is not None],
    )


def birth_text(born_from: date | None, born_to: date | None) -> str | None:
    """A birth date as it was recorded: a day, a month or a year."""
    if born_from is None or born_to is None:
        return None
    text = born_from.isoformat()
    return text if born_from == born_to else (text[:7] if born_to.month == born_from.month else text[:4])


def history_of(row: dict[str, Any]) -> History | None:
    """Every comparison of the arms; each earlier sitting stands for itself by its number alone."""
    if not row["has_history"]:
        return None
    irregular = row["earlier_irregular"]
    return History(
        as_of=LONG_AGO,
        pairs=[HistoryPair(**pair) for pair in row["earlier_pairs"]],
        sittings=[earlier_sitting(place < irregular) for place in range(row["earlier_sittings"])],
    )


def earlier_sitting(is_irregular: bool) -> HistorySitting:
    """One earlier sitting of which nothing counts but that it was, and whether irregular rhythm stood against it."""
    return HistorySitting(
        taken_from=LONG_AGO,
        setting="office",
        systolic_mmhg=120,
        diastolic_mmhg=80,
        readings_counted=1,
        value_rule="not-told",
        provisional_because=["irregular-rhythm"] if is_irregular else [],
    )


def intake_of(row: dict[str, Any]) -> Intake:
    """The facts that the service added."""
    return Intake(
        received_at=row["received_at"],
        closed_by_timeout=row["closed_by_timeout"],
        device_registered=row["device_registered"],
        facts_differ=["some"] if row["facts_differ"] else [],
        changes=["set-voided"] if row["set_voided"] else [],
        notes=[IntakeNote(**note) for note in row["notes"]],
        default_guidelines=split_names(row["default_guidelines"]),
    )


def readings_of(row: dict[str, Any]) -> list[Reading]:
    """The readings at the places at which they were sent, each named by its place in time: where moments are equal the core
    orders readings by what they say, and a name comes first in it."""
    placed = [(entry["index"], reading_of(order, entry)) for order, entry in enumerate(row["readings"])]
    named = placed if not row["names_a_reading_twice"] else [(index, unnamed(reading)) for index, reading in placed]
    return [reading for _, reading in sorted(named, key=lambda item: item[0])]


def unnamed(reading: Reading) -> Reading:
    """The reading under a name that others bear as well."""
    return msgspec.structs.replace(reading, identifier=NOBODY)


def reading_of(order: int, entry: dict[str, Any]) -> Reading:
    """One reading."""
    flags: list[Any] = split_names(entry["flags"]) or []
    zone = timezone(timedelta(seconds=entry["offset_seconds"]))
    return Reading(
        identifier=Identifier(system=NOBODY.system, value=f"{order:04}"),
        taken_at=entry["taken_at"].astimezone(zone),
        systolic_mmhg=entry["systolic_mmhg"],
        diastolic_mmhg=entry["diastolic_mmhg"],
        pulse_per_min=entry["pulse_per_min"],
        site=entry["site"],
        position=entry["position"],
        stood_at=entry["stood_at"],
        method=entry["method"],
        rhythm=entry["rhythm"],
        device_flags=flags,
        cuff=parse(entry["cuff"], Cuff),
        device=parse(entry["device"], Device),
        voided=entry["voided"],
    )


def parse(text: str | None, kind: type[Any]) -> Any:
    """A part that was kept as JSON."""
    return None if text is None else msgspec.json.decode(text, type=kind)
