"""Sealing what a process writes: the heads it knows to be on disk, or those that are stored."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from datetime import UTC, datetime
from functools import partial

from sqlalchemy import Connection

from quietcuff.storage.engine.transactions import Job, Outcome
from quietcuff.storage.trail.seals import Seal, all_heads, head_of_lane, seal_heads, write_seals
from quietcuff.storage.trail.trail import Book

LaneHeads = dict[int, tuple[int, bytes]]


class Sealer:
    """Seals lanes, in a transaction a tenant, and writes the seals to a file where there is one.

    The heads of this process's own lanes are those that it wrote, not those that are found: what was cut off since then is
    missed. ``run`` runs one job in a transaction of its own.
    """

    def __init__(self, book: Book, run: Callable[[Job], Awaitable[Outcome]], path: str | None) -> None:
        self._book = book
        self._run = run
        self._path = path
        self._unwritten: list[Seal] = []

    async def seal(self, tenant_ids: Iterable[int]) -> int:
        """Seal what this process wrote, and of these tenants all that is stored; how many seals that makes.

        Raises:
            Exception: what the database or the file failed with; what was not sealed is sealed the next time.
        """
        heads, unsure = self._book.take()
        wanted = set(tenant_ids)
        made = 0
        for tenant_id in sorted({place[0] for place in (*heads, *unsure)} | wanted):
            own = {lane: head for (tenant, lane), head in heads.items() if tenant == tenant_id}
            lanes = {lane for tenant, lane in unsure if tenant == tenant_id}
            work = partial(self._work, tenant_id=tenant_id, own=own, unsure=lanes, every_lane=tenant_id in wanted)
            outcome = await self._run(Job(tenant_id=tenant_id, order=b"", work=work))
            if outcome.error is not None:
                self._book.put_back(heads, unsure)
                raise outcome.error
            self._unwritten += outcome.value
            made += len(outcome.value)
        self._write()
        return made

    def _work(
        self, connection: Connection, *, tenant_id: int, own: LaneHeads, unsure: set[int], every_lane: bool
    ) -> list[Seal]:
        found = all_heads(connection, tenant_id) if every_lane else {}
        for lane in unsure - set(found):
            head = head_of_lane(connection, tenant_id, lane)
            if head is not None:
                found[lane] = head
        return seal_heads(connection, tenant_id, found | own, datetime.now(UTC), self._book.key)

    def _write(self) -> None:
        if self._path is not None and self._unwritten:
            write_seals(self._path, self._unwritten)
        self._unwritten = []
