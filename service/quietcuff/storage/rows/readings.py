"""Readings as rows: the measured values, whether each counts, and the state of its Observations."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, cast
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, select

from quietcuff.core.record.recorded import RecordedReading
from quietcuff.core.record.resource_states import place_names
from quietcuff.core.record.sitting_version import ObservationStatus, ResourceState
from quietcuff.storage.engine.statements import Command, Insert, Query, Values, insert_into
from quietcuff.storage.schema.codes import CUFF_SIZE, DEVICE_FLAG, METHOD, OBSERVATION_STATUS, POSITION, REASON, RHYTHM, SITE
from quietcuff.storage.schema.sittings import reading

_c = reading.c
KINDS = {"r": "", "p": "pulse_", "f": "flags_"}
NO_STATE = (None, None, None)
_KEY = ("tenant_id", "subject_id", "set_id", "reading_index")


class ReadingRow(msgspec.Struct, frozen=True, gc=False):
    """One reading, its codes as numbers, in the order of the table's columns."""

    tenant_id: int
    subject_id: UUID
    set_id: UUID
    reading_index: int
    taken_at: datetime
    offset_minutes: int
    systolic: int | None
    diastolic: int | None
    mean_arterial: int | None
    pulse: int | None
    site: int
    position: int
    method: int | None
    rhythm: int
    flags: int
    cuff: int | None
    counts: bool
    reason: int | None
    device_id: UUID | None
    has_device: bool | None
    performer: str | None
    identifier: str | None
    source_key: bytes | None
    version: int
    status: int
    updated_at: datetime
    pulse_version: int | None
    pulse_status: int | None
    pulse_updated_at: datetime | None
    flags_version: int | None
    flags_status: int | None
    flags_updated_at: datetime | None


def stands_of_reading(index: int, *columns: Any) -> dict[str, ResourceState]:
    """The states of a reading's existing Observations, by place such as ``r0``."""
    return {f"{letter}{index}": state for letter, state in states_of_columns(*columns)}


# The Observations of a sitting were mostly made together, and so have the same columns.
@lru_cache(maxsize=1024)
def states_of_columns(*columns: Any) -> tuple[tuple[str, ResourceState], ...]:
    """The states of a reading's existing Observations, by letter."""
    triples = zip(KINDS, columns[0::3], columns[1::3], columns[2::3], strict=True)
    return tuple(
        (letter, resource_state(version, status, updated_at))
        for letter, version, status, updated_at in triples
        if version is not None
    )


@lru_cache(maxsize=1024)
def resource_state(version: int, status: int, updated_at: datetime) -> ResourceState:
    """The state that three columns hold."""
    return ResourceState(version, observation_status(status), updated_at)


def observation_status(number: int) -> ObservationStatus:
    """The status that a number stands for in a column."""
    return cast(ObservationStatus, OBSERVATION_STATUS.word(number))


def _upsert(dialect: str) -> Any:
    statement = insert_into(reading, dialect)
    # The sender's key of a reading never changes: it must find the reading again after a correction.
    kept = (*_KEY, "source_key")
    values = {column.name: statement.excluded[column.name] for column in reading.c if column.name not in kept}
    return statement.on_conflict_do_update(index_elements=list(_KEY), set_=values)


STAND_COLUMNS = [_c[f"{kind}{name}"] for kind in KINDS.values() for name in ResourceState.__struct_fields__]
INSERT = Insert(reading)
UPSERT = Command(_upsert)
STANDS = Query(
    stands_of_reading,
    select(_c.reading_index, *STAND_COLUMNS)
    .where(
        _c.tenant_id == bindparam("tenant_id"),
        _c.subject_id == bindparam("subject_id"),
        _c.set_id == bindparam("set_id"),
    )
    .order_by(_c.reading_index),
)


def insert_readings(connection: Connection, rows: Sequence[ReadingRow]) -> None:
    """Store new readings with the group. A set that is opened before its first reading has none."""
    INSERT.add(connection, [msgspec.structs.astuple(row) for row in rows])


def save_readings(connection: Connection, rows: Sequence[ReadingRow]) -> None:
    """Store readings; those that are stored already get their new state."""
    UPSERT.run_each(connection, [msgspec.structs.asdict(row) for row in rows])


def stands_of_set(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID) -> dict[str, ResourceState]:
    """The state of every Observation of a set's readings, by place such as ``r0``, ``p2`` or ``f1``."""
    places = STANDS.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id})
    return {name: stand for place in places for name, stand in place.items()}


def rows_of_readings(
    key: Values, readings: Sequence[RecordedReading], stands: dict[str, ResourceState], source_keys: dict[int, bytes]
) -> list[ReadingRow]:
    """Readings as rows: what is recorded of them in numbers, and the states of their Observations."""
    start = key["tenant_id"], key["subject_id"], key["set_id"]
    # A sitting has few states that differ, mostly one, and the columns of each are made once.
    columns: dict[ResourceState | None, tuple[Any, ...]] = {stand: _state_columns(stand) for stand in set(stands.values())}
    columns[None] = NO_STATE
    # One object for each device, which is then converted once for the rows of a set.
    devices = {said: None if said is None else UUID(said) for said in {one.device_id for one in readings}}
    return [
        ReadingRow(
            *start,
            one.index,
            one.taken_at,
            one.offset_minutes,
            one.systolic,
            one.diastolic,
            one.mean_arterial,
            one.pulse,
            SITE.number(one.site),
            POSITION.number(one.position),
            METHOD.optional_number(one.method),
            RHYTHM.number(one.rhythm),
            DEVICE_FLAG.bits(one.flags) if one.flags else 0,
            CUFF_SIZE.optional_number(one.cuff),
            one.counts,
            REASON.optional_number(one.reason),
            devices[one.device_id],
            one.has_device or None,
            one.performer,
            one.identifier,
            source_keys.get(one.index),
            *columns[stands.get(own)],
            *columns[stands.get(pulse)],
            *columns[stands.get(flags)],
        )
        for one in readings
        for own, pulse, flags in (place_names(one.index),)
    ]


def _state_columns(stand: ResourceState) -> tuple[Any, ...]:
    """One state as columns."""
    return stand.version, OBSERVATION_STATUS.number(stand.status), stand.updated_at
