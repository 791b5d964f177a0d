"""Jobs that workers take in turn: the statements that exports and what-if questions share.

A worker leases a job, works on it, and commits its progress as long as the lease is its own. A job whose worker is gone is free
again once the lease is over.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Generic, TypeVar
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Table, bindparam, func, insert, or_, select, update

from quietcuff.storage.engine.statements import Command, Query, single
from quietcuff.storage.schema.codes import EXPORT_STATE

WAITING, RUNNING, DONE, FAILED, ENDED = (EXPORT_STATE.number(word) for word in EXPORT_STATE.words)
MOST_ATTEMPTS = 1_000


class LeasedJob(msgspec.Struct, frozen=True, kw_only=True):
    """Fields that every job has: its state, who wants it, and who works on it until when."""

    tenant_id: int
    job_id: UUID
    state: str
    created_by: str
    created_at: datetime
    worker: UUID | None = None
    lease_until: datetime | None = None
    attempts: int = 0
    expires_at: datetime | None = None


Job = TypeVar("Job", bound=LeasedJob)


class LeasedJobs(Generic[Job]):
    """The jobs of one table. ``progress`` are the columns that a worker commits beside the state and the lease."""

    def __init__(self, table: Table, kind: type[Job], progress: Sequence[str]) -> None:
        c = table.c
        self.kind = kind
        self.of_tenant = c.tenant_id == bindparam("tenant_id")
        self.the_one = (c.tenant_id == bindparam("of_tenant"), c.job_id == bindparam("of_job"))
        self.held = (*self.the_one, c.worker == bindparam("of_worker"), c.state == RUNNING)
        self.all = select(*(c[name] for name in kind.__struct_fields__))
        is_open = or_(c.state == WAITING, c.state == RUNNING)
        is_free = (self.of_tenant, is_open, or_(c.lease_until.is_(None), c.lease_until <= bindparam("now")))
        self._find = Query(self.from_columns, self.all.where(self.of_tenant, c.job_id == bindparam("job_id")))
        self._count_open: Query[int] = Query(int, select(func.count()).where(self.of_tenant, is_open))
        self._any_free: Query[UUID] = Query(single, select(c.job_id).where(*is_free).limit(1))
        # Workers that look at the same moment pass over each other's job and do not wait for it.
        free = self.all.where(*is_free).order_by(c.created_at, c.job_id).limit(1).with_for_update(skip_locked=True)
        self._free = Query(self.from_columns, free)
        self._insert = Command(insert(table))
        self._take = Command(update(table).where(*self.the_one), columns=("state", "worker", "lease_until", "attempts"))
        kept = ("state", *progress, "lease_until", "attempts", "expires_at")
        self._keep = Command(update(table).where(*self.held), columns=kept)

    def from_columns(self, *columns: Any) -> Job:
        """A job from its columns."""
        values = dict(zip(self.kind.__struct_fields__, columns, strict=True))
        return self.kind(**{**values, "state": EXPORT_STATE.word(values["state"])})

    def insert(self, connection: Connection, row: Job) -> None:
        """Store a new job."""
        self._insert.run(connection, _to_columns(row))

    def find(self, connection: Connection, tenant_id: int, job_id: UUID) -> Job | None:
        """The job of that id, if the tenant has it."""
        return self._find.first(connection, {"tenant_id": tenant_id, "job_id": job_id})

    def count_open(self, connection: Connection, tenant_id: int) -> int:
        """The number of jobs that wait or run."""
        return self._count_open.first(connection, {"tenant_id": tenant_id}) or 0

    def is_any_free(self, connection: Connection, tenant_id: int, now: datetime) -> bool:
        """True where a job waits for a worker; this only reads."""
        return self._any_free.first(connection, {"tenant_id": tenant_id, "now": now}) is not None

    def take(self, connection: Connection, tenant_id: int, worker: UUID, now: datetime, until: datetime) -> Job | None:
        """Lease the longest waiting job that nobody works on. A job whose worker is gone is one of these."""
        free = self._free.first(connection, {"tenant_id": tenant_id, "now": now})
        if free is None:
            return None
        taken = {"worker": worker, "lease_until": until, "attempts": min(free.attempts + 1, MOST_ATTEMPTS)}
        self._take.run(connection, {**taken, "state": RUNNING, "of_tenant": tenant_id, "of_job": free.job_id})
        return msgspec.structs.replace(free, state="running", **taken)

    def keep(self, connection: Connection, row: Job) -> bool:
        """Store a job's progress; False where another worker holds it by now, or it was ended or deleted meanwhile."""
        values = {"of_tenant": row.tenant_id, "of_job": row.job_id, "of_worker": row.worker}
        return self._keep.run(connection, _to_columns(row) | values) == 1


def _to_columns(row: LeasedJob) -> dict[str, Any]:
    return {**msgspec.structs.asdict(row), "state": EXPORT_STATE.number(row.state)}
