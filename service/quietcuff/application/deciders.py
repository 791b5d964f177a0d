"""Worker processes that evaluate sittings before their transaction, so that several processors share the work.

What a sitting will be evaluated with is read from a snapshot. Evaluation is pure: where the transaction finds the very same
sitting, it takes what was decided; where anything has changed since, it decides again. Lost workers cost only time.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import msgspec

from quietcuff.application.context import AppContext, Caller, Foreseen, UnitOfWork, turn_of
from quietcuff.application.evaluate_and_keep import ENCODER
from quietcuff.application.store_sitting import foresee
from quietcuff.application.stored import EVALUATION_DECODER
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.statements import forget_ahead
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.claims import find_claim
from quietcuff.storage.rows.sitting_lookups import SittingKeys, look_ahead
from quietcuff.storage.rows.tenants import Tenant

SETS_AT_ONCE = 32
SETS = msgspec.json.Decoder(list[ReadingSet])
DECIDED = msgspec.json.Decoder(list[msgspec.Raw])
UNDECIDED = b"null"


class Asked(msgspec.Struct, frozen=True, kw_only=True):
    """A sitting to be decided, the keys of what it is decided with, and the future that waits for it."""

    reading_set: ReadingSet
    keys: SittingKeys
    answer: asyncio.Future[Foreseen | None]


class Deciders:
    """A pool of such workers, for the sittings of one tenant. Sittings come out in the order in which they came."""

    def __init__(self, processes: int, desk: AppContext, tenant: Tenant, caller: Caller) -> None:
        self._desk, self._tenant, self._caller = desk, tenant, caller
        # Started anew and not forked: a copy of this process would hold its database's locks and connections.
        self._pool = ProcessPoolExecutor(
            processes, mp_context=get_context("spawn"), initializer=load_rules, initargs=(desk.rulebook.digest,)
        )
        # One part at each worker, and one that waits for the first to end.
        self._under_way, self._most_under_way = 0, processes + 1
        self._asked: list[Asked] = []
        self._last: asyncio.Task[None] | None = None

    async def foresee(self, reading_set: ReadingSet, keys: SittingKeys) -> Foreseen | None:
        """What the rules say of a sitting as it would be stored now; None where nothing is known before."""
        loop = asyncio.get_running_loop()
        if not self._asked:
            # After this turn of the loop, so that sittings that came together are sent together.
            loop.call_soon(self._send)
        asked = Asked(reading_set=reading_set, keys=keys, answer=loop.create_future())
        self._asked.append(asked)
        return await asked.answer

    def close(self) -> None:
        """End the workers."""
        self._pool.shutdown(cancel_futures=True)

    def _send(self) -> None:
        # While every worker is busy, sittings gather: many at a time cost far less than one by one.
        while self._asked and (self._under_way < self._most_under_way or len(self._asked) >= SETS_AT_ONCE):
            asked, self._asked = self._asked[:SETS_AT_ONCE], self._asked[SETS_AT_ONCE:]
            self._under_way += 1
            self._last = asyncio.create_task(self._answer(asked, self._last))

    async def _answer(self, asked: list[Asked], before: asyncio.Task[None] | None) -> None:
        try:
            found = await self._decide(asked)
        except Exception:
            # A lost worker, or a database that does not answer: the transaction decides, and tells its own errors.
            found = [None for _ in asked]
        finally:
            self._under_way -= 1
            self._send()
        if before is not None:
            # A person's sittings are stored in the order in which they came, whichever worker was quicker.
            await asyncio.wait([before])
        for one, foreseen in zip(asked, found, strict=True):
            if not one.answer.done():
                one.answer.set_result(foreseen)

    async def _decide(self, asked: list[Asked]) -> list[Foreseen | None]:
        complete = await self._desk.store.read(self._tenant.tenant_id, lambda snapshot: self._complete(snapshot, asked))
        wanted = [reading_set for reading_set in complete if reading_set is not None]
        sent = ENCODER.encode(wanted)
        told = DECIDED.decode(await asyncio.get_running_loop().run_in_executor(self._pool, evaluate_all, sent))
        decided = iter(zip(wanted, told, strict=True))
        return [None if reading_set is None else foreseen_of(*next(decided)) for reading_set in complete]

    def _complete(self, snapshot: Transaction, asked: Sequence[Asked]) -> list[ReadingSet | None]:
        """The sittings as they would be stored now; None for one that came before, or that has no reading."""
        turn = turn_of(self._desk, self._tenant, self._caller, snapshot)
        try:
            look_ahead(snapshot, self._tenant.tenant_id, [one.keys for one in asked])
            return [complete_one(turn, one) for one in asked]
        finally:
            forget_ahead(snapshot)


def complete_one(turn: UnitOfWork, asked: Asked) -> ReadingSet | None:
    tenant_id = turn.tenant.tenant_id
    is_known = any(find_claim(turn.transaction, tenant_id, digest, turn.now) is not None for digest in asked.keys.claims)
    return None if is_known or not asked.reading_set.readings else foresee(turn, asked.keys.subject_id, asked.reading_set)


def foreseen_of(reading_set: ReadingSet, told: msgspec.Raw) -> Foreseen | None:
    return None if bytes(told) == UNDECIDED else Foreseen(reading_set=reading_set, evaluation=EVALUATION_DECODER.decode(told))


RULES: list[Rulebook] = []


def load_rules(digest: str) -> None:
    """Load the rules of a worker, once.

    Raises:
        ValueError: they are others than those of the process that it works for.
    """
    RULES[:] = [load_rulebook()]
    if RULES[0].digest != digest:
        raise ValueError("other rules")


def evaluate_all(sent: bytes) -> bytes:
    """Evaluate sittings, each with its own history. In place of one that the rules refuse stands null."""
    return ENCODER.encode([evaluated(reading_set) for reading_set in SETS.decode(sent)])


def evaluated(reading_set: ReadingSet) -> Evaluation | None:
    try:
        return evaluate(reading_set, reading_set.history, RULES[0])
    except NotAcceptable:
        return None
