"""Worker processes that evaluate new sittings before their transaction, so that several processors share the work.

A worker reads what sittings will be evaluated with from a snapshot of its own, at once for those that wait together, evaluates
them and makes their rows. Evaluation is pure: where the transaction finds all that was read as it was, it stores what was made;
where anything has changed since, it decides again. Lost workers cost only time.
"""

from __future__ import annotations

import asyncio
import gc
import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import connection, get_context, parent_process
from typing import Protocol
from uuid import UUID

import msgspec

from quietcuff.application.context import AppContext, Caller, now, open_desk
from quietcuff.application.evaluate_and_keep import ENCODER as JSON_ENCODER
from quietcuff.application.foreseen import ENCODER, FORESEEN, Foreseen
from quietcuff.application.made_to_order import Orders, SetOrder, all_to_order
from quietcuff.core.model.errors import Busy
from quietcuff.core.model.readings import ReadingSet
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import MOST_WAITING, RETRY_SECONDS, open_store
from quietcuff.storage.rows.sitting_lookups import SittingKeys
from quietcuff.storage.rows.tenants import Tenant

# A part for a worker: few sittings where few wait, so that the store has work while a worker has; more where many wait.
SETS_AT_ONCE, MOST_SETS_AT_ONCE = 32, 128
PARTS_OF_WAITING = 4
# What the transactions decide in one go where the workers have more to do than they can; so many delay no part that comes back.
LET_BY_AT_ONCE = 16
# A worker takes as long to start as some hundred sittings take.
WORTH_STARTING = 128
PARTS_BETWEEN_COLLECTIONS = 64
# How soon it is looked again whether the store has room for more.
LOOK_AGAIN_SECONDS = 0.005
# Workers that were lost are started again, but not again and again where they cannot run at all.
SECONDS_BETWEEN_STARTS = 10.0


class DecidersWatch(Protocol):
    """Whoever counts what workers do."""

    def count_decided(self, sittings: int) -> None: ...

    def count_lost(self) -> None: ...


class _WorkFailed(Exception):
    """A worker could not do its part."""


class AskedSitting(msgspec.Struct, frozen=True, kw_only=True):
    """A sitting to be decided, the keys of what it is decided with, and the future that waits for it."""

    tenant: Tenant
    caller: Caller
    reading_set: ReadingSet
    keys: SittingKeys
    sent: bytes | None
    answer: asyncio.Future[Foreseen | None]


class Deciders:
    """A pool of such workers. Sittings come out in the order in which they came.

    ``when_busy``: they start when enough sittings came together to be worth it, nobody waits for that, and a sitting that is
    alone goes straight to its transaction, which is sooner done.
    """

    def __init__(self, processes: int, desk: AppContext, *, when_busy: bool = False) -> None:
        self._processes, self._desk, self._when_busy = processes, desk, when_busy
        # One part at each worker, and one that waits for the first to end.
        self._under_way, self._most_under_way = 0, processes + 1
        self._asked: list[AskedSitting] = []
        # Counted until their callers go on, so that nobody who comes straight to the transaction overtakes them.
        self._inside = 0
        self._people_inside: Counter[tuple[int, UUID]] = Counter()
        self._let_by = 0
        self._last: asyncio.Task[None] | None = None
        self._pool: ProcessPoolExecutor | None = None
        self._started_at = -SECONDS_BETWEEN_STARTS
        self._is_warm = False
        self._came_together = 0
        self._is_closed = False
        self._warming: asyncio.Task[None] | None = None
        self.watch: DecidersWatch | None = None

    async def foresee(
        self, tenant: Tenant, caller: Caller, reading_set: ReadingSet, keys: SittingKeys, sent: bytes | None = None
    ) -> Foreseen | None:
        """What the rules say of a sitting as it would be stored now; None where nothing is known before. ``sent`` is the JSON
        that it was read from, where it is at hand.

        Raises:
            Busy: too many wait.
        """
        person = tenant.tenant_id, keys.subject_id
        if self._is_alone() or not self._may_wait() or self._may_go_by(person):
            return None
        if len(self._asked) >= MOST_WAITING:
            raise Busy(RETRY_SECONDS)
        loop = asyncio.get_running_loop()
        if not self._asked:
            # After this turn of the loop, so that sittings that came together are sent together.
            loop.call_soon(self._send)
        answer = loop.create_future()
        asked = AskedSitting(tenant=tenant, caller=caller, reading_set=reading_set, keys=keys, sent=sent, answer=answer)
        self._asked.append(asked)
        self._inside += 1
        self._people_inside[person] += 1
        try:
            return await asked.answer
        finally:
            self._inside -= 1
            self._people_inside[person] -= 1
            if not self._people_inside[person]:
                del self._people_inside[person]

    async def start(self) -> None:
        """Start the workers now, and not when they would be worth it."""
        try:
            pool = self._workers()
            if pool is not None:
                await asyncio.gather(*(asyncio.wrap_future(pool.submit(os.getpid)) for _ in range(self._processes)))
                self._is_warm = True
        except Exception:
            # Whatever keeps them from starting, the transactions go on deciding.
            self._give_up_workers()

    def close(self) -> None:
        """End the workers, before the store is closed: the last of SQLite's connections takes its log with it."""
        self._is_closed = True
        if self._pool is not None:
            # Those that only start have no connection yet, and would be waited for long.
            self._pool.shutdown(wait=self._is_warm or not self._when_busy, cancel_futures=True)

    def _is_alone(self) -> bool:
        return self._when_busy and not self._inside and self._desk.store.is_idle

    def _may_wait(self) -> bool:
        """False while there are no workers, and nothing that came before is still with them."""
        if not self._when_busy or self._is_warm or self._inside:
            return True
        self._start_beside()
        return False

    def _may_go_by(self, person: tuple[int, UUID]) -> bool:
        """True where a sitting is sooner done by its transaction: the store has nothing to do, and the workers have a part more
        than they have begun. It overtakes nobody's earlier sitting."""
        store = self._desk.store
        if self._under_way < self._most_under_way or len(self._asked) < SETS_AT_ONCE or self._people_inside[person]:
            return False
        if store.is_idle:
            self._let_by = 0
        elif not 0 < self._let_by == store.waiting < LET_BY_AT_ONCE:
            # The store is busy with others, or has taken up those that went by.
            return False
        self._let_by += 1
        return True

    def _start_beside(self) -> None:
        self._came_together += 1
        may_start = self._warming is None or self._warming.done()
        if may_start and self._came_together >= WORTH_STARTING and not self._is_closed:
            self._warming = asyncio.create_task(self.start())

    def _workers(self) -> ProcessPoolExecutor | None:
        """The workers; None for a while after they were lost."""
        if self._pool is None and not self._is_closed and time.monotonic() - self._started_at >= SECONDS_BETWEEN_STARTS:
            self._started_at = time.monotonic()
            # Started anew and not forked: a copy of this process would hold its database's locks and connections.
            self._pool = ProcessPoolExecutor(
                self._processes,
                mp_context=get_context("spawn"),
                initializer=begin_work,
                initargs=(self._desk.rulebook.digest, self._desk.store.address),
            )
        return self._pool

    def _give_up_workers(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            if self.watch is not None:
                self.watch.count_lost()
        self._pool, self._is_warm = None, False

    def _send(self) -> None:
        # While every worker is busy, sittings gather: many at a time cost far less than one by one.
        while self._asked and self._under_way < self._most_under_way:
            size = min(MOST_SETS_AT_ONCE, max(SETS_AT_ONCE, len(self._asked) // PARTS_OF_WAITING))
            asked, self._asked = self._asked[:size], self._asked[size:]
            self._under_way += 1
            self._last = asyncio.create_task(self._answer(asked, self._last))

    async def _answer(self, asked: list[AskedSitting], before: asyncio.Task[None] | None) -> None:
        found: list[Foreseen | None]
        try:
            found = await self._decide(asked)
        except Exception as error:
            # A lost worker, or a database that does not answer: the transaction decides, and tells its own errors.
            found = [None for _ in asked]
            if isinstance(error, BrokenProcessPool):
                self._give_up_workers()
        except asyncio.CancelledError:
            # The workers were ended before they began this part: nobody may wait for it for ever.
            if not self._is_closed:
                raise
            found = [None for _ in asked]
        finally:
            self._under_way -= 1
            self._send()
        if before is not None:
            # A person's sittings are stored in the order in which they came, whichever worker was quicker.
            await asyncio.wait([before])
        while self._desk.store.is_crowded:
            # Several parts may be ready at once; together they could be more than the store lets wait.
            await asyncio.sleep(LOOK_AGAIN_SECONDS)
        for one, foreseen in zip(asked, found, strict=True):
            if not one.answer.done():
                one.answer.set_result(foreseen)

    async def _decide(self, asked: list[AskedSitting]) -> list[Foreseen | None]:
        pool = self._pool if self._is_warm else None if self._when_busy else self._workers()
        if pool is None:
            self._start_beside()
            return [None for _ in asked]
        # Not of one whose caller is gone, and not of one without a reading: there is nothing to be evaluated.
        wanted = [one for one in asked if one.reading_set.readings and not one.answer.done()]
        if not wanted:
            return [None for _ in asked]
        orders = [self._orders(part) for part in parts_of_tenants(wanted)]
        raw = await asyncio.get_running_loop().run_in_executor(pool, make_all, ENCODER.encode(orders))
        made = FORESEEN.decode(raw)
        if self.watch is not None:
            self.watch.count_decided(sum(one is not None for one in made))
        found = dict(zip(map(id, wanted), made, strict=True))
        return [found.get(id(one)) for one in asked]

    def _orders(self, asked: Sequence[AskedSitting]) -> Orders:
        """The order to a worker for sittings of one tenant."""
        return Orders(tenant=asked[0].tenant, sets=[self._order(one) for one in asked])

    def _order(self, asked: AskedSitting) -> SetOrder:
        moment = now(self._desk)
        return SetOrder(
            set_id=self._desk.new_id(asked.keys.subject_id, moment),
            # As it was sent it is half as long: whatever nobody said is not written there.
            reading_set=JSON_ENCODER.encode(asked.reading_set) if asked.sent is None else asked.sent,
            keys=asked.keys,
            received_at=moment,
            caller=asked.caller,
        )


def parts_of_tenants(asked: Sequence[AskedSitting]) -> list[list[AskedSitting]]:
    """The sittings of each tenant together, without changing their order."""
    parts: list[list[AskedSitting]] = []
    for one in asked:
        if not parts or parts[-1][0].tenant.tenant_id != one.tenant.tenant_id:
            parts.append([])
        parts[-1].append(one)
    return parts


class Workplace(msgspec.Struct):
    """The context in which a worker works, the loop in which it waits for the database, and how many parts it has done."""

    desk: AppContext
    loop: asyncio.Runner
    parts: int = 0

    def make_all(self, orders: bytes) -> bytes:
        """Do one part, and look for garbage between parts now and then."""
        try:
            return self.loop.run(all_to_order(orders, self.desk))
        finally:
            self.parts += 1
            if self.parts % PARTS_BETWEEN_COLLECTIONS == 0:
                gc.collect()


WORKPLACE: list[Workplace] = []


def begin_work(digest: str, database: str) -> None:
    """Load the rules of a worker and find its database, once, and tie its life to that of the process that it works for.

    Raises:
        ValueError: its rules are others than those of that process.
    """
    # A terminal sends this to all its processes; the server ends its workers when it has answered.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    rulebook = load_rulebook()
    if rulebook.digest != digest:
        raise ValueError("other rules")
    WORKPLACE[:] = [Workplace(open_desk(open_store(database), rulebook), asyncio.Runner())]
    # An evaluation leaves no rings behind: to look for them in the midst of it, among all that it holds, takes long in vain.
    gc.freeze()
    gc.disable()


def end_with_parent() -> None:
    """Wait for the end of the process that this one works for, however it ends, and end as well."""
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(0)


def make_all(orders: bytes) -> bytes:
    """Foresee sittings, each with its own history, and make their rows.

    Raises:
        _WorkFailed: of whatever kind the error was; some kinds would not come through to the other process.
    """
    (place,) = WORKPLACE
    try:
        return place.make_all(orders)
    except Exception as error:
        raise _WorkFailed(type(error).__name__) from None
