"""One transaction for several pieces of work that know nothing of each other.

All of them run one after the other and share the commit. When one fails, nothing of it may stay and the others must not suffer:
the whole group is repeated with a savepoint around each. A refusal that wrote nothing needs no repeat.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import msgspec
from sqlalchemy import Connection, Engine, event
from sqlalchemy.exc import DBAPIError, IntegrityError

from quietcuff.core.model.errors import Busy, QuietcuffError
from quietcuff.storage.engine.faults import GONE, WAITED, fault_of, for_the_caller, sqlstate
from quietcuff.storage.engine.statements import WROTE, forget_waiting, write_waiting

# A connection whose transaction is begun and ended by somebody else.
Transaction = Connection
Work = Callable[[Transaction], Any]
EnterTenant = Callable[[Connection, int], None]

DEADLOCKED = frozenset({"40P01", "40001"})


class Job(msgspec.Struct, frozen=True, kw_only=True):
    """A piece of work for one tenant. Groups are sorted by ``order``, so that jobs never wait for each other in a ring.

    Jobs on the same rows have the same first two bytes of ``order``.
    """

    tenant_id: int
    order: bytes
    work: Work

    @property
    def place(self) -> bytes:
        return self.order[:2]


class JobOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """The outcome of a job: a value, or the error for its caller."""

    value: Any = None
    error: Exception | None = None


class RunAgain(Exception):
    """The data that the work read has changed. Run again, it sees what another process stored meanwhile."""


class _Spoiled(Exception):
    """A job was refused after it had written: the group must be repeated."""


class _Blocked(Exception):
    """A job waited for a lock in vain. Other jobs on the same rows would too, so they are not tried."""

    def __init__(self, place: tuple[int, bytes]) -> None:
        super().__init__("blocked")
        self.place = place


def run_group(connection: Connection, jobs: Sequence[Job], enter: EnterTenant) -> list[JobOutcome]:
    """Run the jobs in their order in one transaction; their outcomes, once it is committed.

    Raises:
        Exception: the database itself failed, or this group and another wait for each other: nothing was stored.
    """
    blocked: tuple[int, bytes] | None = None
    try:
        return _run_together(connection, jobs, enter)
    except _Blocked as error:
        blocked = error.place
    except Exception as error:
        if is_of_all(connection, error) or fault_of(error) is WAITED:
            raise
    return _run_apart(connection, jobs, enter, blocked)


def _run_together(connection: Connection, jobs: Sequence[Job], enter: EnterTenant) -> list[JobOutcome]:
    """Run the jobs without savepoints, which is the usual way. Any failure but a clean refusal ends the transaction."""
    outcomes = []
    touched: set[bytes] = set()
    tenant_id = jobs[0].tenant_id
    with connection.begin():
        for job in jobs:
            if job.place in touched or job.tenant_id != tenant_id:
                # Rows that wait to be written may be read by this job, or belong to another tenant.
                write_waiting(connection)
                touched.clear()
            tenant_id = job.tenant_id
            touched.add(job.place)
            enter(connection, tenant_id)
            outcomes.append(_run_unguarded(connection, job))
        write_waiting(connection)
    return outcomes


def _run_unguarded(connection: Connection, job: Job) -> JobOutcome:
    """Do a job without a savepoint, so that it cannot be undone alone.

    Raises:
        _Spoiled: it was refused, but had written already.
        _Blocked: it waited for a lock in vain.
    """
    connection.info[WROTE] = False
    try:
        return JobOutcome(value=job.work(connection))
    except DBAPIError as error:
        if fault_of(error) is WAITED:
            raise _Blocked((job.tenant_id, job.place)) from error
        raise
    except QuietcuffError as refusal:
        if connection.info[WROTE]:
            raise _Spoiled from refusal
        return JobOutcome(error=refusal)


def _run_apart(
    connection: Connection, jobs: Sequence[Job], enter: EnterTenant, blocked: tuple[int, bytes] | None
) -> list[JobOutcome]:
    """Run each job in a savepoint of its own, still with one commit. Blocked jobs are not tried again."""
    outcomes = []
    with connection.begin():
        for job in jobs:
            if (job.tenant_id, job.place) == blocked:
                outcomes.append(JobOutcome(error=Busy(WAITED.retry_after_seconds)))
            else:
                outcomes.append(_run_in_savepoint(connection, job, enter))
    return outcomes


def _run_in_savepoint(connection: Connection, job: Job, enter: EnterTenant) -> JobOutcome:
    # Where another process took a unique key meanwhile, the second try finds its claim and answers from it.
    for attempt in ("first", "last"):
        enter(connection, job.tenant_id)
        try:
            with connection.begin_nested():
                outcome = JobOutcome(value=job.work(connection))
                write_waiting(connection)
                return outcome
        except (IntegrityError, RunAgain) as error:
            if attempt == "last":
                return JobOutcome(error=error)
        except Exception as error:
            if is_of_all(connection, error):
                raise
            return JobOutcome(error=for_the_caller(error))
    raise AssertionError("unreachable")


def is_of_all(connection: Connection, error: Exception) -> bool:
    """True where an error ends the whole group: the connection is lost or the database fails. Then nothing is tried again.

    Raises:
        Busy: the connection was lost under an error that does not say so.
    """
    fault = fault_of(error)
    if fault is None and connection.invalidated:
        raise Busy(GONE.retry_after_seconds) from error
    return fault is not None and not fault.of_the_work


def is_deadlock(error: Exception) -> bool:
    """True where the same work may well succeed when it is simply done again."""
    return sqlstate(error) in DEADLOCKED


def watch_writes(engine: Engine) -> None:
    """Make every connection of the engine note whether anything was written, and forget what is undone."""

    @event.listens_for(engine, "before_cursor_execute")
    def note(connection: Connection, cursor: Any, statement: str, parameters: Any, context: Any, many: bool) -> None:
        # Entering a tenant is a SELECT as well, and writes no rows.
        if not statement.startswith(("SELECT", "SAVEPOINT")):
            connection.info[WROTE] = True

    @event.listens_for(engine, "rollback")
    def forget(connection: Connection) -> None:
        forget_waiting(connection)

    @event.listens_for(engine, "rollback_savepoint")
    def forget_savepoint(connection: Connection, name: str, context: Any) -> None:
        forget_waiting(connection)
