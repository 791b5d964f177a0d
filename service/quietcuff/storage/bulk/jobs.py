"""Export jobs as rows. The worker that holds a job's lease commits its output together with its progress."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import Connection, bindparam, or_, select, update

from quietcuff.storage.engine.database import WRITERS_LOCK
from quietcuff.storage.engine.statements import Command, Query, single
from quietcuff.storage.rows.leased_jobs import ENDED, LeasedJob, LeasedJobs
from quietcuff.storage.schema.bulk import export_job

_c = export_job.c
# While an export waits here, new writers of the tenant queue behind it, so it must not wait for long.
PATIENCE_SECONDS = 2


class JobRow(LeasedJob, frozen=True, kw_only=True):
    """One job. ``plan`` and ``progress`` are JSON.

    State ``ended`` means that its client is done with it, or that its time is over.
    """

    plan: bytes
    progress: bytes
    transaction_time: datetime | None = None
    next_poll_at: datetime


EXPORTS = LeasedJobs(export_job, JobRow, ("progress", "transaction_time"))
LIST = Query(EXPORTS.from_columns, EXPORTS.all.where(EXPORTS.of_tenant).order_by(_c.created_at.desc(), _c.job_id))
OVER: Query[UUID] = Query(
    single,
    select(_c.job_id).where(EXPORTS.of_tenant, or_(_c.state == ENDED, _c.expires_at < bindparam("now"))),
)
RELEASE = Command(update(export_job).where(*EXPORTS.held), columns=("lease_until", "attempts"))
POLL = Command(
    update(export_job).where(*EXPORTS.the_one, _c.next_poll_at <= bindparam("now")),
    columns=("next_poll_at",),
)
END = Command(update(export_job).where(*EXPORTS.the_one), columns=("state",))


def list_jobs(connection: Connection, tenant_id: int) -> list[JobRow]:
    """Every job that is not swept away yet, the newest first."""
    return LIST.all(connection, {"tenant_id": tenant_id})


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
