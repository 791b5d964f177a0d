"""One transaction for several pieces of work that know nothing of each other.

All of them run one after the other and share the commit. When one fails, nothing of it may stay and the others must not suffer:
the whole group is repeated with a savepoint around each. A refusal that wrote nothing needs no repeat.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from itertools import groupby
from typing import Any

import msgspec
from sqlalchemy import Connection, Engine, event
from sqlalchemy.exc import DBAPIError, IntegrityError

from quietcuff.core.model.errors import Busy, QuietcuffError
from quietcuff.storage.engine.faults import GONE, WAITED, fault_of, for_the_caller, sqlstate
from quietcuff.storage.engine.read_ahead import forget_ahead
from quietcuff.storage.engine.statements import READS, WROTE, forget_waiting, when_undone, write_waiting

# A connection whose transaction is begun and ended by somebody else.
Transaction = Connection
Work = Callable[[Transaction], Any]
EnterTenant = Callable[[Connection, int], None]

DEADLOCKED = frozenset({"40P01", "40001"})


class ReadAhead(msgspec.Struct, frozen=True, kw_only=True):
    """The rows that a job will look up, and the function that reads those of many jobs at once and locks what they change."""

    wanted: Any
    read: Callable[[Transaction, int, Sequence[Any]], None]


class Job(msgspec.Struct, frozen=True, kw_only=True):
    """A piece of work for one tenant. Groups are sorted by ``order``, so that jobs never wait for each other in a ring.

    Jobs on the same rows have the same first two bytes of ``order``. What jobs with ``ahead`` look up is read for many of them
    at once; they do the same without it.
    """

    tenant_id: int
    order: bytes
    work: Work
    ahead: ReadAhead | None = None

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
    """A job waited for a lock in vain. Other jobs on the same rows would too, so they are not tried.

    ``place`` is None where the lock of one of several jobs was waited for.
    """

    def __init__(self, place: tuple[int, bytes] | None) -> None:
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
    outcomes: dict[int, JobOutcome] = {}
    with connection.begin():
        for together in rounds_of(jobs):
            # Their tenant and the way they read are one.
            first = jobs[together[0]]
            enter(connection, first.tenant_id)
            if first.ahead is not None:
                _read_ahead(connection, [jobs[number] for number in together])
            for number in together:
                outcomes[number] = _run_unguarded(connection, jobs[number])
            # The next round may read what this one wrote, and is perhaps another tenant's.
            write_waiting(connection)
            forget_ahead(connection)
    return [outcomes[number] for number in range(len(jobs))]


def _read_ahead(connection: Connection, jobs: Sequence[Job]) -> None:
    """Read ahead for jobs of one kind.

    Raises:
        _Blocked: it waited for a lock in vain; the jobs that are not behind that lock can still be done.
    """
    wanted = [job.ahead for job in jobs if job.ahead is not None]
    try:
        wanted[0].read(connection, jobs[0].tenant_id, [one.wanted for one in wanted])
    except DBAPIError as error:
        if fault_of(error) is WAITED:
            raise _Blocked(None) from error
        raise


def rounds_of(jobs: Sequence[Job]) -> list[list[int]]:
    """The numbers of the jobs, in rounds of one tenant that touch no row twice. Jobs on the same rows keep their order.

    Jobs that read ahead are moved into as few rounds as can be: their rows are locked in the order of the jobs by the first.
    """
    rounds: list[list[int]] = []
    for (_, reads_ahead), stretch in groupby(range(len(jobs)), key=lambda number: kind_of(jobs[number])):
        own: list[list[int]] = []
        times: Counter[bytes] = Counter()
        for number in stretch:
            place = jobs[number].place
            if not own or (times[place] == len(own) if reads_ahead else times[place]):
                own.append([])
                times = times if reads_ahead else Counter()
            own[times[place] if reads_ahead else -1].append(number)
            times[place] += 1
        rounds += own
    return rounds


def kind_of(job: Job) -> tuple[int, Callable[..., None] | None]:
    """What the jobs of one round have in common: the tenant, and the way they read ahead."""
    return job.tenant_id, None if job.ahead is None else job.ahead.read


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
        if blocked is None:
            _lock_ahead(connection, jobs, enter)
        for job in jobs:
            if (job.tenant_id, job.place) == blocked:
                outcomes.append(JobOutcome(error=Busy(WAITED.retry_after_seconds)))
                continue
            outcome = _run_in_savepoint(connection, job, enter)
            outcomes.append(outcome)
            if outcome.error is not None and fault_of(outcome.error.__cause__ or outcome.error) is WAITED:
                blocked = job.tenant_id, job.place
    return outcomes


def _lock_ahead(connection: Connection, jobs: Sequence[Job], enter: EnterTenant) -> None:
    """Take the locks of the jobs in the order in which a group takes them that is run together, else two such groups could wait
    for each other. What was read is forgotten: each job looks for itself."""
    for (tenant_id, reads_ahead), stretch in groupby(jobs, key=kind_of):
        if reads_ahead is not None:
            enter(connection, tenant_id)
            try:
                with connection.begin_nested():
                    _read_ahead(connection, list(stretch))
            except _Blocked:
                # Somebody's lock cannot be had. Each job then takes its own, and only those behind that one wait in vain.
                return
            forget_ahead(connection)


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
    """Make every connection of the engine note whether anything was written, and forget what is undone or no longer so."""

    @event.listens_for(engine, "before_cursor_execute")
    def note(connection: Connection, cursor: Any, statement: str, parameters: Any, context: Any, many: bool) -> None:
        if not statement.startswith(READS):
            connection.info[WROTE] = True

    when_undone(engine, forget_waiting)
    when_undone(engine, forget_ahead, savepoints=False)
