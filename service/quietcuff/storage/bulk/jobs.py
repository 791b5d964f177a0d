"""Export jobs as rows. The worker that holds a job's lease commits its output together with its progress."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, func, insert, or_, select, update

from quietcuff.storage.engine.database import WRITERS_LOCK
from quietcuff.storage.engine.statements import Command, Query, single
from quietcuff.storage.schema.bulk import export_job
from quietcuff.storage.schema.codes import EXPORT_STATE

_c = export_job.c
WAITING, RUNNING, DONE, FAILED, ENDED = (EXPORT_STATE.number(word) for word in EXPORT_STATE.words)
# While an export waits here, new writers of the tenant queue behind it, so it must not wait for long.
PATIENCE_SECONDS = 2


class JobRow(msgspec.Struct, frozen=True, kw_only=True):
    """One job. ``plan`` and ``progress`` are JSON.

    State ``ended`` means that its client is done with it, or that its time is over.
    """

    tenant_id: int
    job_id: UUID
    state: str
    plan: bytes
    progress: bytes
    transaction_time: datetime | None = None
    created_by: str
    created_at: datetime
    worker: UUID | None = None
    lease_until: datetime | None = None
    attempts: int = 0
    next_poll_at: datetime
    expires_at: datetime | None = None


def _from_columns(*columns: Any) -> JobRow:
    values = dict(zip(JobRow.__struct_fields__, columns, strict=True))
    values["state"] = EXPORT_STATE.word(values["state"])
    return JobRow(**values)


_ALL = select(*(_c[name] for name in JobRow.__struct_fields__))
_OF_TENANT = _c.tenant_id == bindparam("tenant_id")
_THIS = (_OF_TENANT, _c.job_id == bindparam("job_id"))
_THE_ONE = (_c.tenant_id == bindparam("of_tenant"), _c.job_id == bindparam("of_job"))
FIND = Query(_from_columns, _ALL.where(*_THIS))
LIST = Query(_from_columns, _ALL.where(_OF_TENANT).order_by(_c.created_at.desc(), _c.job_id))
_IS_OPEN = or_(_c.state == WAITING, _c.state == RUNNING)
COUNT_OPEN: Query[int] = Query(int, select(func.count()).where(_OF_TENANT, _IS_OPEN))
_IS_FREE = (
    _OF_TENANT,
    _IS_OPEN,
    or_(_c.lease_until.is_(None), _c.lease_until <= bindparam("now")),
)
ANY_FREE: Query[UUID] = Query(single, select(_c.job_id).where(*_IS_FREE).limit(1))
FREE = Query(
    _from_columns,
    # Workers that look at the same moment pass over each other's job and do not wait for it.
    _ALL.where(*_IS_FREE).order_by(_c.created_at, _c.job_id).limit(1).with_for_update(skip_locked=True),
)
OVER: Query[UUID] = Query(
    single,
    select(_c.job_id).where(_OF_TENANT, or_(_c.state == ENDED, _c.expires_at < bindparam("now"))),
)
INSERT = Command(insert(export_job))
TAKE = Command(update(export_job).where(*_THE_ONE), columns=("state", "worker", "lease_until", "attempts"))
KEEP = Command(
    update(export_job).where(*_THE_ONE, _c.worker == bindparam("of_worker"), _c.state == RUNNING),
    columns=("state", "progress", "transaction_time", "lease_until", "attempts", "expires_at"),
)
RELEASE = Command(
    update(export_job).where(*_THE_ONE, _c.worker == bindparam("of_worker"), _c.state == RUNNING),
    columns=("lease_until", "attempts"),
)
POLL = Command(
    update(export_job).where(*_THE_ONE, _c.next_poll_at <= bindparam("now")),
    columns=("next_poll_at",),
)
END = Command(update(export_job).where(*_THE_ONE), columns=("state",))


def insert_job(connection: Connection, row: JobRow) -> None:
    INSERT.run(connection, {**msgspec.structs.asdict(row), "state": EXPORT_STATE.number(row.state)})


def find_job(connection: Connection, tenant_id: int, job_id: UUID) -> JobRow | None:
    return FIND.first(connection, {"tenant_id": tenant_id, "job_id": job_id})


def list_jobs(connection: Connection, tenant_id: int) -> list[JobRow]:
    """Every job that is not swept away yet, the newest first."""
    return LIST.all(connection, {"tenant_id": tenant_id})


def count_open_jobs(connection: Connection, tenant_id: int) -> int:
    """The number of jobs that wait or run."""
    return COUNT_OPEN.first(connection, {"tenant_id": tenant_id}) or 0


def is_job_free(connection: Connection, tenant_id: int, now: datetime) -> bool:
    """True where a job waits for a worker; this only reads."""
    return ANY_FREE.first(connection, {"tenant_id": tenant_id, "now": now}) is not None


def take_job(connection: Connection, tenant_id: int, worker: UUID, now: datetime, lease_until: datetime) -> JobRow | None:
    """Lease the longest waiting job that nobody works on. A job whose worker is gone is one of these."""
    free = FREE.first(connection, {"tenant_id": tenant_id, "now": now})
    if free is None:
        return None
    taken = msgspec.structs.replace(
        free, state="running", worker=worker, lease_until=lease_until, attempts=min(free.attempts + 1, 1_000)
    )
    values = {"state": RUNNING, "worker": worker, "lease_until": lease_until, "attempts": taken.attempts}
    TAKE.run(connection, {**values, "of_tenant": tenant_id, "of_job": free.job_id})
    return taken


def keep_job(connection: Connection, row: JobRow) -> bool:
    """Store a job's progress; False where another worker holds it by now, or it was ended meanwhile."""
    values = {**msgspec.structs.asdict(row), "state": EXPORT_STATE.number(row.state)}
    values |= {"of_tenant": row.tenant_id, "of_job": row.job_id, "of_worker": row.worker}
    return KEEP.run(connection, values) == 1


def release_job(connection: Connection, row: JobRow, lease_until: datetime, attempts: int) -> None:
    """Let another worker take a job from a moment on, however far it has come."""
    key = {"of_tenant": row.tenant_id, "of_job": row.job_id, "of_worker": row.worker}
    RELEASE.run(connection, {**key, "lease_until": lease_until, "attempts": attempts})


def note_poll(connection: Connection, row: JobRow, now: datetime, next_poll_at: datetime) -> bool:
    """Note that a client asked for the state of a job; False where it asked too soon."""
    values = {"of_tenant": row.tenant_id, "of_job": row.job_id, "now": now, "next_poll_at": next_poll_at}
    return POLL.run(connection, values) == 1


def end_job(connection: Connection, row: JobRow) -> None:
    """Stop a job, so that its files are removed."""
    END.run(connection, {"state": ENDED, "of_tenant": row.tenant_id, "of_job": row.job_id})


def jobs_that_are_over(connection: Connection, tenant_id: int, now: datetime) -> list[UUID]:
    return OVER.all(connection, {"tenant_id": tenant_id, "now": now})


def wait_for_writers(connection: Connection, tenant_id: int) -> None:
    """Wait until everything that was writing for the tenant at the call is committed or undone.

    On SQLite nobody else writes while this transaction does. On PostgreSQL all writers share a lock: this call waits for all of
    them, and lets the next one in when its own transaction ends.
    """
    if connection.dialect.name != "postgresql":
        return
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{PATIENCE_SECONDS}s'")
    connection.exec_driver_sql("SELECT pg_advisory_xact_lock($1::int, $2::int)", (WRITERS_LOCK, tenant_id))
