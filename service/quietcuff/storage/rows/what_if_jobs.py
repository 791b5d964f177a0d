"""Jobs of what-if questions as rows. The worker that holds a job's lease works on it, and commits its progress."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, delete, func, insert, or_, select, update

from quietcuff.storage.engine.statements import Command, Query, single
from quietcuff.storage.schema.codes import EXPORT_STATE
from quietcuff.storage.schema.what_if import what_if_job

_c = what_if_job.c
WAITING, RUNNING = (EXPORT_STATE.number(word) for word in ("waiting", "running"))


class WhatIfRow(msgspec.Struct, frozen=True, kw_only=True):
    """One job. ``asked``, ``reached`` and ``report`` are JSON."""

    tenant_id: int
    job_id: UUID
    state: str
    asked: bytes
    reached: bytes
    report: bytes | None = None
    created_by: str
    created_at: datetime
    worker: UUID | None = None
    lease_until: datetime | None = None
    attempts: int = 0
    expires_at: datetime | None = None


def _from_columns(*columns: Any) -> WhatIfRow:
    values = dict(zip(WhatIfRow.__struct_fields__, columns, strict=True))
    return WhatIfRow(**{**values, "state": EXPORT_STATE.word(values["state"])})


_ALL = select(*(_c[name] for name in WhatIfRow.__struct_fields__))
_OF_TENANT = _c.tenant_id == bindparam("tenant_id")
_THE_ONE = (_c.tenant_id == bindparam("of_tenant"), _c.job_id == bindparam("of_job"))
_IS_OPEN = or_(_c.state == WAITING, _c.state == RUNNING)
_IS_FREE = (_OF_TENANT, _IS_OPEN, or_(_c.lease_until.is_(None), _c.lease_until <= bindparam("now")))
FIND = Query(_from_columns, _ALL.where(_OF_TENANT, _c.job_id == bindparam("job_id")))
COUNT_OPEN: Query[int] = Query(int, select(func.count()).where(_OF_TENANT, _IS_OPEN))
ANY_FREE: Query[UUID] = Query(single, select(_c.job_id).where(*_IS_FREE).limit(1))
FREE = Query(
    _from_columns,
    # Workers that look at the same moment pass over each other's job and do not wait for it.
    _ALL.where(*_IS_FREE).order_by(_c.created_at, _c.job_id).limit(1).with_for_update(skip_locked=True),
)
INSERT = Command(insert(what_if_job))
TAKE = Command(update(what_if_job).where(*_THE_ONE), columns=("state", "worker", "lease_until", "attempts"))
KEEP = Command(
    update(what_if_job).where(*_THE_ONE, _c.worker == bindparam("of_worker"), _c.state == RUNNING),
    columns=("state", "reached", "report", "lease_until", "attempts", "expires_at"),
)
DELETE = Command(delete(what_if_job).where(*_THE_ONE))
ANY_OLD: Query[UUID] = Query(single, select(_c.job_id).where(_OF_TENANT, _c.expires_at < bindparam("now")).limit(1))
DELETE_OLD = Command(delete(what_if_job).where(_OF_TENANT, _c.expires_at < bindparam("now")))


def insert_what_if(connection: Connection, row: WhatIfRow) -> None:
    INSERT.run(connection, {**msgspec.structs.asdict(row), "state": EXPORT_STATE.number(row.state)})


def find_what_if(connection: Connection, tenant_id: int, job_id: UUID) -> WhatIfRow | None:
    return FIND.first(connection, {"tenant_id": tenant_id, "job_id": job_id})


def count_open_what_ifs(connection: Connection, tenant_id: int) -> int:
    """The number of jobs that wait or run."""
    return COUNT_OPEN.first(connection, {"tenant_id": tenant_id}) or 0


def is_what_if_free(connection: Connection, tenant_id: int, now: datetime) -> bool:
    """True where a job waits for a worker; this only reads."""
    return ANY_FREE.first(connection, {"tenant_id": tenant_id, "now": now}) is not None


def take_what_if(connection: Connection, tenant_id: int, worker: UUID, now: datetime, until: datetime) -> WhatIfRow | None:
    """Lease the longest waiting job that nobody works on. A job whose worker is gone is one of these."""
    free = FREE.first(connection, {"tenant_id": tenant_id, "now": now})
    if free is None:
        return None
    taken = {"worker": worker, "lease_until": until, "attempts": min(free.attempts + 1, 1_000)}
    TAKE.run(connection, {**taken, "state": RUNNING, "of_tenant": tenant_id, "of_job": free.job_id})
    return msgspec.structs.replace(free, state="running", **taken)


def keep_what_if(connection: Connection, row: WhatIfRow) -> bool:
    """Store a job's progress; False where another worker holds it by now, or it is gone."""
    values = {**msgspec.structs.asdict(row), "state": EXPORT_STATE.number(row.state)}
    values |= {"of_tenant": row.tenant_id, "of_job": row.job_id, "of_worker": row.worker}
    return KEEP.run(connection, values) == 1


def delete_what_if(connection: Connection, tenant_id: int, job_id: UUID) -> bool:
    """Delete a job, whatever its state; False where there is none."""
    return DELETE.run(connection, {"of_tenant": tenant_id, "of_job": job_id}) == 1


def is_any_what_if_old(connection: Connection, tenant_id: int, now: datetime) -> bool:
    """True where the time of any job is over; this only reads."""
    return ANY_OLD.first(connection, {"tenant_id": tenant_id, "now": now}) is not None


def delete_old_what_ifs(connection: Connection, tenant_id: int, now: datetime) -> int:
    """Delete the jobs whose time is over."""
    return DELETE_OLD.run(connection, {"tenant_id": tenant_id, "now": now})
