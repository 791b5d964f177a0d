"""The store: runs work in shared transactions, and answers once the result is on disk.

Work is a plain function of a ``Connection``. Work that waits together is written together: one commit answers for all of it.
Work for a request has a deadline by which it must have begun. Work that would begin later is not done, and its caller is told
that the service is busy.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import time
from collections import deque
from collections.abc import Callable, Coroutine, Iterable, Sequence
from contextvars import ContextVar
from typing import Any, Protocol, TypeVar

from sqlalchemy import Connection

from quietcuff.core.model.errors import Busy, StoreFailing
from quietcuff.storage.engine.database import (
    Backend,
    PostgresqlBackend,
    ServingLock,
    SqliteBackend,
    is_sqlite,
    lock_for_serving,
    parse_url,
)
from quietcuff.storage.engine.faults import DAMAGED, READ_ONLY, fault_of, for_the_caller
from quietcuff.storage.engine.transactions import Job, JobOutcome, ReadAhead, is_deadlock
from quietcuff.storage.trail.keys import TrailFiles
from quietcuff.storage.trail.seals import Sealer
from quietcuff.storage.trail.trail import Book

RETRY_SECONDS = 2
T = TypeVar("T")
NO_TENANT = 0
MOST_WAITING = 10_000
LONGEST_WAIT_SECONDS = 10.0
CROWDED_SECONDS = 1.0
# The share of the old average that remains after each new group.
REMEMBERED = 0.8
LARGEST_GROUP = 64
# A writer that is the only one leaves no work to others; the fewer commits it makes, the fewer pages it writes again.
LARGEST_GROUP_OF_ONE = 2 * LARGEST_GROUP
WORTH_A_WRITER = LARGEST_GROUP // 2
PATIENCE_SECONDS = 0.02
DEADLOCK_ROUNDS = 6
DEADLOCK_PAUSE_SECONDS = 0.02
TROUBLE_SECONDS = 30.0


class Deadline:
    """A number of seconds, counted from the moment the last part of the request arrived."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._until = time.monotonic() + seconds

    def begin_again(self) -> None:
        """Count the seconds from now, because another part of the request arrived."""
        self._until = time.monotonic() + self._seconds

    def require(self) -> None:
        """Make sure that the deadline has not passed.

        Raises:
            Busy: it is.
        """
        if self.is_over():
            raise Busy(RETRY_SECONDS)

    def is_over(self) -> bool:
        return time.monotonic() > self._until


# The deadline of the request that is being served. Commands, listeners and background work have none, and wait as long as it
# takes.
DEADLINE: ContextVar[Deadline | None] = ContextVar("deadline", default=None)
Waiting = tuple[Job, asyncio.Future[Any], Deadline | None]


class GroupWatch(Protocol):
    """Whoever counts what the store does."""

    def count_group(self, jobs: int, seconds: float) -> None: ...

    def count_refused(self) -> None: ...


class Store:
    """One database, for one process. ``write`` shares commits; ``read`` sees one snapshot and cannot write."""

    def __init__(self, backend: Backend, *, serving_lock: ServingLock | None = None, seal_file: str | None = None) -> None:
        self._backend = backend
        self._serving_lock = serving_lock
        self._sealer = Sealer(backend.book, self._run_alone, seal_file)
        self._waiting: deque[Waiting] = deque()
        self._seconds_a_job = 0.0
        self._writers = 0
        self._largest_group = LARGEST_GROUP if backend.writers > 1 else LARGEST_GROUP_OF_ONE
        self._late_writer: asyncio.TimerHandle | None = None
        self._places_at_work: set[tuple[int, bytes]] = set()
        self._tasks: set[asyncio.Task[Any]] = set()
        self._is_closing = False
        self._trouble: StoreFailing | None = None
        self._trouble_until = 0.0
        self.watch: GroupWatch | None = None

    async def write(
        self, tenant_id: int, work: Callable[[Connection], T], *, order: bytes = b"", ahead: ReadAhead | None = None
    ) -> T:
        """Do the work, and answer after the commit that holds it.

        ``order`` is the key of the rows that the work locks: work on the same rows is done in the order in which it came.
        ``ahead`` is what it will look up, so that this is read at once for all work that waits.

        Raises:
            Busy: too much is waiting, or the database cannot be reached now.
            Exception: whatever the work raised; then nothing of it is stored.
        """
        if self._is_closing or len(self._waiting) >= MOST_WAITING or self.expected_wait() > LONGEST_WAIT_SECONDS:
            if self.watch is not None:
                self.watch.count_refused()
            raise Busy(max(RETRY_SECONDS, math.ceil(self.expected_wait() - LONGEST_WAIT_SECONDS)))
        answer: asyncio.Future[T] = asyncio.get_running_loop().create_future()
        self._waiting.append((Job(tenant_id=tenant_id, order=order, work=work, ahead=ahead), answer, DEADLINE.get()))
        self._call_writer()
        return await answer

    async def read(self, tenant_id: int, work: Callable[[Connection], T]) -> T:
        """Do work that only reads.

        Raises:
            Busy: the database cannot be reached now.
        """
        deadline = DEADLINE.get()

        def in_time(snapshot: Connection) -> T:
            if deadline is not None:
                deadline.require()
            return work(snapshot)

        try:
            return await self._backend.read(tenant_id, in_time)
        except Exception as error:
            # A reader that tries to write is a defect of ours, whatever the database calls it.
            told = error if fault_of(error) is READ_ONLY else self._noted(for_the_caller(error))
            if told is error:
                raise
            raise told from error

    @property
    def address(self) -> str:
        """The database's address with its password, for another process of this program."""
        return self._backend.url.render_as_string(hide_password=False)

    @property
    def driver(self) -> str:
        """The database and its driver, as in an address."""
        return self._backend.driver

    def expected_wait(self) -> float:
        """Seconds that new work would wait for its turn, judged by how long work has taken so far."""
        return len(self._waiting) * self._seconds_a_job

    @property
    def waiting(self) -> int:
        """The number of jobs that wait for their turn."""
        return len(self._waiting)

    @property
    def is_idle(self) -> bool:
        """True while nothing waits or is written."""
        return not self._waiting and self._writers == 0

    @property
    def is_crowded(self) -> bool:
        """True while work that is not urgent should give way."""
        return self.expected_wait() > CROWDED_SECONDS

    @property
    def trouble(self) -> StoreFailing | None:
        """The failure of the database in the last half minute, if nothing was stored since. Damage is reported for good."""
        return self._trouble if self._is_damaged() or time.monotonic() < self._trouble_until else None

    async def seal(self, tenant_ids: Iterable[int] = ()) -> int:
        """Seal the lanes that this process has written since the last call, and every lane of these tenants; the number of
        seals.

        A lane that cannot be sealed now is sealed the next time. It goes on where its caller is cancelled: what it has taken
        out to be sealed would be lost.

        Raises:
            OSError: the seals are in the database, but could not be written to their file.
        """
        return await asyncio.shield(self._kept_until_close(self._sealer.seal(tenant_ids)))

    async def empty_log(self) -> bool | None:
        """Empty SQLite's log of deleted data; False while a reader is in the way, None on PostgreSQL."""
        return await self._backend.empty_log()

    async def close(self) -> None:
        """Finish the waiting work, take no more, seal what was written, and close the database."""
        self._is_closing = True
        while self._tasks:
            await asyncio.wait(set(self._tasks))
        if self._late_writer is not None:
            self._late_writer.cancel()
        # Where the database or the file cannot be reached, whoever opens the database next seals what is stored.
        with contextlib.suppress(Exception):
            await self._sealer.seal(())
        await self._backend.close()
        if self._serving_lock is not None:
            self._serving_lock.release()

    def _call_writer(self) -> None:
        """Have the waiting work taken up: at once by the first writer, by a further one only where it is worth a group."""
        # A large group reads and writes once for all its work; many small ones at a time would cost more and end no sooner.
        if self._writers == 0 or len(self._waiting) >= self._writers * WORTH_A_WRITER:
            self._start_writer()
        elif self._late_writer is None:
            # But nobody waits for long behind a group that waits itself, such as for another process's lock.
            self._late_writer = asyncio.get_running_loop().call_later(PATIENCE_SECONDS, self._start_late_writer)

    def _start_late_writer(self) -> None:
        self._late_writer = None
        if self._waiting:
            self._start_writer()

    def _start_writer(self) -> None:
        if self._writers < self._backend.writers:
            self._writers += 1
            self._kept_until_close(self._write_groups())

    def _kept_until_close(self, work: Coroutine[Any, Any, T]) -> asyncio.Task[T]:
        """Begin work that ``close`` waits for."""
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def _write_groups(self) -> None:
        # One turn of the loop before each group, so that what arrives together shares the commit.
        await asyncio.sleep(0)
        while group := self._take_group():
            # One order in every group and process, so that two transactions never wait for each other in a ring.
            group.sort(key=lambda entry: (entry[0].tenant_id, entry[0].order))
            places = {(job.tenant_id, job.place) for job, _, _ in group if job.order}
            self._places_at_work |= places
            began = time.monotonic()
            outcomes = await self._outcomes([job for job, _, _ in group])
            self._note_time(len(group), time.monotonic() - began)
            self._places_at_work -= places
            for (_, answer, _), outcome in zip(group, outcomes, strict=True):
                settle(answer, outcome)
            await asyncio.sleep(0)
        # Counted down here, not when the task is seen to be done: work that came in between would wait for no writer.
        self._writers -= 1

    def _take_group(self) -> list[Waiting]:
        """The work that has waited longest, except work on rows that another group is busy with.

        That work is taken up by the writer that finishes the other group.
        """
        group: list[Waiting] = []
        passed_over: list[Waiting] = []
        while self._waiting and len(group) < self._largest_group:
            job, answer, deadline = self._waiting.popleft()
            # The caller went away before its work began.
            if answer.done() and answer.cancelled():
                continue
            if deadline is not None and deadline.is_over():
                settle(answer, JobOutcome(error=Busy(RETRY_SECONDS)))
                continue
            is_blocked = (job.tenant_id, job.place) in self._places_at_work
            (passed_over if is_blocked else group).append((job, answer, deadline))
        # Back to the front in their old order, because work on the same rows must be done as it came.
        self._waiting.extendleft(reversed(passed_over))
        return group

    async def _run_alone(self, job: Job) -> JobOutcome:
        (outcome,) = await self._outcomes([job])
        return outcome

    async def _outcomes(self, jobs: Sequence[Job]) -> list[JobOutcome]:
        """Run a group, and run it again after a deadlock. Every job gets an outcome, whatever happens."""
        for round_number in range(1, DEADLOCK_ROUNDS + 1):
            try:
                outcomes = await self._backend.run_group(jobs)
                # Only work on rows shows that the database stores again; the readiness check writes too little for that.
                if any(job.order for job in jobs):
                    self._heal()
                return outcomes
            except Exception as error:
                if not is_deadlock(error) or round_number == DEADLOCK_ROUNDS:
                    return failed(jobs, self._noted(for_the_caller(error)))
            await asyncio.sleep(DEADLOCK_PAUSE_SECONDS * round_number)
        raise AssertionError("unreachable")

    def _note_time(self, jobs: int, seconds: float) -> None:
        # Several groups run at once, so the queue moves that much faster. What a few jobs take is mostly their commit, which
        # many will share: by the seconds of one that came alone, on a slow disk, a full group would be refused.
        share = seconds / max(jobs, WORTH_A_WRITER) / self._backend.writers
        self._seconds_a_job = self._seconds_a_job * REMEMBERED + share * (1 - REMEMBERED) if self._seconds_a_job else share
        if self.watch is not None:
            self.watch.count_group(jobs, seconds)

    def _noted(self, error: Exception) -> Exception:
        if isinstance(error, StoreFailing) and not self._is_damaged():
            self._trouble, self._trouble_until = error, time.monotonic() + TROUBLE_SECONDS
        return error

    def _heal(self) -> None:
        if self._trouble is not None and not self._is_damaged():
            self._trouble = None

    def _is_damaged(self) -> bool:
        return self._trouble is not None and self._trouble.code == DAMAGED.code


def open_store(url: str, *, for_serving: bool = False, trail: TrailFiles | None = None) -> Store:
    """A store on a database that already has its schema.

    The trail is chained with the newest key of the key file, and its seals are written to the seal file, where there are such
    files.

    Raises:
        StoreNotUsable: an address that is not one, a SQLite file that another process serves from, or no keys in their file.
    """
    parsed = parse_url(url)
    files = trail or TrailFiles()
    book = Book(files.read_keys())
    serving_lock = lock_for_serving(parsed) if for_serving else None
    backend: Backend = SqliteBackend(parsed, book) if is_sqlite(parsed) else PostgresqlBackend(parsed, book)
    return Store(backend, serving_lock=serving_lock, seal_file=files.seals)


def settle(answer: asyncio.Future[Any], outcome: JobOutcome) -> None:
    """Give a caller the outcome, unless the caller has gone."""
    if answer.done():
        return
    if outcome.error is None:
        answer.set_result(outcome.value)
    else:
        answer.set_exception(outcome.error)


def failed(jobs: Sequence[Job], error: Exception) -> list[JobOutcome]:
    return [JobOutcome(error=error) for _ in jobs]
