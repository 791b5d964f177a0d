"""Jobs of what-if questions as rows. The worker that holds a job's lease works on it, and commits its progress."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import Connection, bindparam, delete, select

from quietcuff.storage.engine.statements import Command, Query, single
from quietcuff.storage.rows.leased_jobs import LeasedJob, LeasedJobs
from quietcuff.storage.schema.what_if import what_if_job

_c = what_if_job.c


class WhatIfRow(LeasedJob, frozen=True, kw_only=True):
    """One job. ``asked``, ``reached`` and ``report`` are JSON."""

    asked: bytes
    reached: bytes
    report: bytes | None = None


WHAT_IFS = LeasedJobs(what_if_job, WhatIfRow, ("reached", "report"))
_IS_OLD = (WHAT_IFS.of_tenant, _c.expires_at < bindparam("now"))
DELETE = Command(delete(what_if_job).where(*WHAT_IFS.the_one))
ANY_OLD: Query[UUID] = Query(single, select(_c.job_id).where(*_IS_OLD).limit(1))
DELETE_OLD = Command(delete(what_if_job).where(*_IS_OLD))


def delete_what_if(connection: Connection, tenant_id: int, job_id: UUID) -> bool:
    """Delete a job, whatever its state; False where there is none."""
    return DELETE.run(connection, {"of_tenant": tenant_id, "of_job": job_id}) == 1


def is_any_what_if_old(connection: Connection, tenant_id: int, now: datetime) -> bool:
    """True where the time of any job is over; this only reads."""
    return ANY_OLD.first(connection, {"tenant_id": tenant_id, "now": now}) is not None


def delete_old_what_ifs(connection: Connection, tenant_id: int, now: datetime) -> int:
    """Delete the jobs whose time is over."""
    return DELETE_OLD.run(connection, {"tenant_id": tenant_id, "now": now})
