"""Readings as rows: the measured values, whether each counts, and the state of its Observations."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any, cast
from uuid import UUID

from sqlalchemy import Connection, bindparam, insert, select

from quietcuff.core.model.fields import optional_hundredths
from quietcuff.core.record.sitting_version import (
    ObservationStatus,
    ResourceState,
    SittingVersion,
    device_shown,
    searchable_size,
)
from quietcuff.storage.engine.statements import Command, Query, Values, insert_into
from quietcuff.storage.schema.codes import CUFF_SIZE, DEVICE_FLAG, METHOD, OBSERVATION_STATUS, POSITION, REASON, RHYTHM, SITE
from quietcuff.storage.schema.sittings import reading

_c = reading.c
MINUTE = timedelta(minutes=1)
KINDS = {"r": "", "p": "pulse_", "f": "flags_"}
_KEY = ("tenant_id", "subject_id", "set_id", "reading_index")


def stands_of_reading(index: int, *columns: Any) -> dict[str, ResourceState]:
    """The states of a reading's existing Observations, by place such as ``r0``."""
    triples = zip(KINDS, columns[0::3], columns[1::3], columns[2::3], strict=True)
    return {
        f"{letter}{index}": resource_state(version, status, updated_at)
        for letter, version, status, updated_at in triples
        if version is not None
    }


# The Observations of a sitting were mostly made together.
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
INSERT = Command(insert(reading))
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


def insert_readings(connection: Connection, rows: Sequence[Values]) -> None:
    """Store new readings with the group. A set that is opened before its first reading has none."""
    if rows:
        INSERT.run_later(connection, rows)


def save_readings(connection: Connection, rows: Sequence[Values]) -> None:
    """Store readings; those that are stored already get their new state."""
    UPSERT.run_each(connection, rows)


def stands_of_set(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID) -> dict[str, ResourceState]:
    """The state of every Observation of a set's readings, by place such as ``r0``, ``p2`` or ``f1``."""
    places = STANDS.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id})
    return {name: stand for place in places for name, stand in place.items()}


def columns_of_readings(
    sitting: SittingVersion, indexes: Sequence[int], stands: dict[str, ResourceState]
) -> list[dict[str, Any]]:
    """The readings at these places as columns, without their set's key: values, what was decided, and their states."""
    return [{**_reading_columns(sitting, index), **_stand_columns(index, stands)} for index in indexes]


def _reading_columns(sitting: SittingVersion, index: int) -> dict[str, Any]:
    said, outcome = sitting.reading_set.readings[index], sitting.evaluation.readings[index]
    cuff, device, device_id = searchable_size(sitting.cuff_of(said)), device_shown(sitting, index), sitting.device_ids[index]
    observer, offset = said.observer or sitting.reading_set.observer, said.taken_at.utcoffset()
    return {
        "reading_index": index,
        "taken_at": said.taken_at,
        "offset_minutes": 0 if offset is None else offset // MINUTE,
        "systolic": optional_hundredths(said.systolic_mmhg),
        "diastolic": optional_hundredths(said.diastolic_mmhg),
        "mean_arterial": optional_hundredths(said.mean_arterial_mmhg),
        "pulse": optional_hundredths(said.pulse_per_min),
        "site": SITE.number(said.site),
        "position": POSITION.number(said.position),
        "method": METHOD.optional_number(said.method),
        "rhythm": RHYTHM.number(said.rhythm),
        "flags": DEVICE_FLAG.bits(said.device_flags),
        "counts": outcome.counts,
        "reason": REASON.optional_number(outcome.reason),
        "cuff": CUFF_SIZE.optional_number(cuff),
        "device_id": None if device_id is None else UUID(device_id),
        "has_device": device is not None or None,
        "performer": None if observer is None else observer.text,
        "identifier": said.identifier.text if said.identifier else None,
    }


def _stand_columns(index: int, stands: dict[str, ResourceState]) -> dict[str, Any]:
    """The states of one reading's Observations as columns; null where there is none."""
    columns: dict[str, Any] = {}
    for letter, prefix in KINDS.items():
        stand = stands.get(f"{letter}{index}")
        columns[f"{prefix}version"] = None if stand is None else stand.version
        columns[f"{prefix}status"] = None if stand is None else OBSERVATION_STATUS.number(stand.status)
        columns[f"{prefix}updated_at"] = None if stand is None else stand.updated_at
    return columns
