"""Readings as rows: the measured values, whether each counts, and the state of its Observations."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any, cast
from uuid import UUID

from sqlalchemy import Connection, bindparam, select

from quietcuff.core.model.fields import optional_hundredths
from quietcuff.core.model.readings import Cuff
from quietcuff.core.record.shown import device_shown
from quietcuff.core.record.sitting_version import ObservationStatus, ResourceState, SittingVersion, searchable_size
from quietcuff.storage.engine.statements import Command, DriverForms, Insert, Query, forms_of, insert_into
from quietcuff.storage.schema.codes import CUFF_SIZE, DEVICE_FLAG, METHOD, OBSERVATION_STATUS, POSITION, REASON, RHYTHM, SITE
from quietcuff.storage.schema.sittings import reading

_c = reading.c
MINUTE = timedelta(minutes=1)
KINDS = {"r": "", "p": "pulse_", "f": "flags_"}
NO_STATE = (None, None, None)
# A tenant, a person and a set; and a whole row, in the order of the table and in the driver's form.
SetKey = tuple[int, UUID, UUID]
ReadingColumns = tuple[Any, ...]
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


def insert_readings(connection: Connection, rows: Sequence[ReadingColumns]) -> None:
    """Store new readings with the group. A set that is opened before its first reading has none."""
    INSERT.add_ready(connection, rows)


def save_readings(connection: Connection, rows: Sequence[ReadingColumns]) -> None:
    """Store readings; those that are stored already get their new state."""
    UPSERT.run_ready(connection, rows)


def stands_of_set(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID) -> dict[str, ResourceState]:
    """The state of every Observation of a set's readings, by place such as ``r0``, ``p2`` or ``f1``."""
    places = STANDS.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id})
    return {name: stand for place in places for name, stand in place.items()}


def columns_of_readings(
    connection: Connection,
    key: SetKey,
    sitting: SittingVersion,
    indexes: Sequence[int],
    stands: dict[str, ResourceState],
    source_keys: dict[int, bytes],
) -> list[ReadingColumns]:
    """The readings at these places as rows: values, what was decided, and their states."""
    forms = forms_of(connection)
    tenant_id, *ids = key
    # What is the same in all rows of a set is made once.
    start = (tenant_id, *map(forms.id, ids))
    known = _Equipment(sitting, forms)
    states = _States(stands, forms)
    return [
        (*start, *_said(sitting, index, forms, known), source_keys.get(index), *states.of_reading(index)) for index in indexes
    ]


def _said(sitting: SittingVersion, index: int, forms: DriverForms, known: _Equipment) -> tuple[Any, ...]:
    """A reading's columns between its key and its states, in the order of the table, without its source key."""
    said, outcome = sitting.reading_set.readings[index], sitting.evaluation.readings[index]
    observer, offset = said.observer or sitting.reading_set.observer, said.taken_at.utcoffset()
    return (
        index,
        forms.instant(said.taken_at),
        offset // MINUTE if offset else 0,
        optional_hundredths(said.systolic_mmhg),
        optional_hundredths(said.diastolic_mmhg),
        optional_hundredths(said.mean_arterial_mmhg),
        optional_hundredths(said.pulse_per_min),
        SITE.number(said.site),
        POSITION.number(said.position),
        METHOD.optional_number(said.method),
        RHYTHM.number(said.rhythm),
        DEVICE_FLAG.bits(said.device_flags),
        known.cuff_number(said.cuff),
        outcome.counts,
        REASON.optional_number(outcome.reason),
        *known.device_columns(index),
        None if observer is None else observer.text,
        said.identifier.text if said.identifier else None,
    )


class _Equipment:
    """The columns for cuffs and devices; most readings of a set have the same."""

    def __init__(self, sitting: SittingVersion, forms: DriverForms) -> None:
        self._sitting, self._forms = sitting, forms
        self._of_set = CUFF_SIZE.optional_number(searchable_size(sitting.reading_set.cuff))
        self._devices: dict[str, Any] = {}

    def cuff_number(self, own: Cuff | None) -> int | None:
        """The size of the reading's own cuff, else of the set's."""
        return CUFF_SIZE.optional_number(searchable_size(own)) if own else self._of_set

    def device_columns(self, index: int) -> tuple[Any, bool | None]:
        """The id of a reading's device, and whether its Observations name one."""
        said = self._sitting.device_ids[index]
        if said is None:
            return None, device_shown(self._sitting, index) is not None or None
        if said not in self._devices:
            self._devices[said] = self._forms.id(UUID(said))
        return self._devices[said], True


class _States:
    """The columns for the states of Observations; those of a new set were all made together."""

    def __init__(self, stands: dict[str, ResourceState], forms: DriverForms) -> None:
        self._stands, self._forms = stands, forms
        self._made: dict[int, tuple[Any, ...]] = {}

    def of_reading(self, index: int) -> tuple[Any, ...]:
        """The states of one reading's Observations; nulls where there is none."""
        reading, pulse, flags = (self._stands.get(f"{letter}{index}") for letter in KINDS)
        return (*self._columns(reading), *self._columns(pulse), *self._columns(flags))

    def _columns(self, stand: ResourceState | None) -> tuple[Any, ...]:
        if stand is None:
            return NO_STATE
        # By identity, because comparing two states costs more than making the columns.
        made = self._made.get(id(stand))
        if made is None:
            made = (stand.version, OBSERVATION_STATUS.number(stand.status), self._forms.instant(stand.updated_at))
            self._made[id(stand)] = made
        return made
