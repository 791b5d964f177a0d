"""Whoever alters, deletes, moves or cuts off rows of the trail is found out, with and without a key, on both databases."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from sqlalchemy import delete, insert, select, update

from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.storage.engine.store import Store, open_store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.schema.trail import trail, trail_seal
from quietcuff.storage.trail.checking import TrailCheck, TrailFlaw, rows_after, unknown_keys
from quietcuff.storage.trail.keys import TrailFiles, add_trail_key, read_trail_keys
from quietcuff.storage.trail.seals import Seal, all_seals, read_seals, seal_link
from quietcuff.storage.trail.trail import FIRST_LINK, TrailEntry, link_after, record
from storage.rows import NOON

CLINIC = 1
ROWS = 41
_t = trail.c


def entry(number: int = 0) -> TrailEntry:
    return TrailEntry(
        tenant_id=CLINIC, at=NOON, actor="key:ab12cd34", action="read", request_id=uuid4(), what="get_set", found=number
    )


class Kept:
    """A trail of 41 rows in one lane, sealed, and what is found wrong with it."""

    def __init__(self, url: str, folder: Path, *, keyed: bool) -> None:
        self.url, self.folder = url, folder
        keys = str(folder / "keys") if keyed else None
        if keys is not None:
            add_trail_key(keys, rotate=False)
        self.files = TrailFiles(keys=keys, seals=str(folder / "seals"))
        self.store = self.open()

    def open(self, keys: str | None = None) -> Store:
        return open_store(self.url, trail=TrailFiles(keys=keys or self.files.keys, seals=self.files.seals))

    async def write(self, count: int = ROWS) -> None:
        for number in range(count):
            await self.store.write(CLINIC, lambda transaction, number=number: record(transaction, entry(number)))

    async def change(self, *statements: Any) -> None:
        """What somebody does who can write to the database."""

        def work(transaction: Transaction) -> None:
            for statement in statements:
                transaction.execute(statement)

        await self.store.write(CLINIC, work)

    async def flaws(self, *, with_file: bool = False) -> list[tuple[str, int, int]]:
        return [(flaw.kind, flaw.first, flaw.last) for flaw in await self.all_flaws(with_file=with_file)]

    async def all_flaws(self, *, with_file: bool = False) -> list[TrailFlaw]:
        keys = self.files.read_keys()

        def look(snapshot: Transaction) -> list[TrailFlaw]:
            kept = read_seals(str(self.files.seals)) if with_file else []
            check = TrailCheck(CLINIC, keys, all_seals(snapshot, CLINIC), kept)
            after = -1, 0
            while page := rows_after(snapshot, CLINIC, after):
                check.see(page)
                after = page[-1].lane, page[-1].position
            return check.end().flaws

        return await self.store.read(CLINIC, look)


@pytest.fixture(params=["keyed", "plain"])
async def kept(request: pytest.FixtureRequest, database_url: str, tmp_path: Path) -> AsyncIterator[Kept]:
    found = Kept(database_url, tmp_path, keyed=request.param == "keyed")
    await found.write()
    assert await found.store.seal() == 1
    yield found
    await found.store.close()


async def test_a_trail_as_it_was_written_has_no_flaw(kept: Kept) -> None:
    assert await kept.flaws() == []
    assert await kept.flaws(with_file=True) == []
    await kept.write(3)
    assert await kept.flaws() == [], "rows that are not sealed yet are chained all the same"


@pytest.mark.parametrize(
    "values",
    [
        {"actor": "key:zz99zz99"},
        {"found": 7_000},
        {"what": None},
        {"origin": "10.0.0.9"},
        {"subject_id": uuid4()},
        {"version": 3},
    ],
    ids=lambda values: next(iter(values)),
)
async def test_a_row_that_was_altered_is_named(kept: Kept, values: dict[str, Any]) -> None:
    await kept.change(update(trail).where(_t.position == 17).values(**values))
    assert await kept.flaws() == [("altered", 17, 17)]
    (flaw,) = await kept.all_flaws()
    assert flaw.lane is not None and f"clinic: lane {flaw.lane:x}, row 17: altered" in flaw.as_line("clinic")


async def test_rows_that_were_deleted_are_named(kept: Kept) -> None:
    """Twenty of forty-one, as the defect was found."""
    await kept.change(delete(trail).where(_t.position.in_(range(2, 41, 2))))
    assert await kept.flaws() == [("missing", place, place) for place in range(2, 41, 2)]


async def test_the_first_rows_are_missed(kept: Kept) -> None:
    await kept.change(delete(trail).where(_t.position < 6))
    assert await kept.flaws() == [("missing", 1, 5)]


async def test_a_tail_that_was_cut_off_is_missed(kept: Kept) -> None:
    await kept.change(delete(trail).where(_t.position > 21))
    assert await kept.flaws() == [("cut-off", 22, 41)]


async def test_a_whole_lane_that_is_gone_is_missed(kept: Kept) -> None:
    await kept.change(delete(trail))
    assert await kept.flaws() == [("cut-off", 1, 41)]


async def test_a_tail_cut_off_before_it_was_sealed_is_missed_by_the_process_that_wrote_it(kept: Kept) -> None:
    await kept.write(5)
    await kept.change(delete(trail).where(_t.position > 43))
    await kept.store.seal()
    assert await kept.flaws() == [("cut-off", 44, 46)]


async def test_rows_that_changed_places_are_told_from_altered_ones(kept: Kept) -> None:
    await kept.change(
        update(trail).where(_t.position == 9).values(position=1009),
        update(trail).where(_t.position == 10).values(position=9),
        update(trail).where(_t.position == 1009).values(position=10),
    )
    assert await kept.flaws() == [("moved", 9, 10)]


async def test_a_row_put_in_between_is_found(kept: Kept) -> None:
    rows = await kept.store.read(
        CLINIC, lambda snapshot: snapshot.execute(select(trail).order_by(_t.position)).mappings().all()
    )
    await kept.change(
        *(update(trail).where(_t.position == place).values(position=place + 1) for place in range(ROWS, 30, -1)),
        insert(trail).values({**rows[30], "position": 31, "actor": "key:yy88yy88"}),
    )
    assert ("altered", 31, 31) in await kept.flaws()


async def test_what_is_chained_anew_without_the_key_is_found(kept: Kept) -> None:
    """Without a key only the seals hold it, and whoever makes those anew as well is found by the file of seals alone."""
    rows = await kept.store.read(CLINIC, lambda snapshot: rows_after(snapshot, CLINIC, (-1, 0)))
    link, changes = FIRST_LINK, []
    for row in rows:
        said = row.entry if row.position != 17 else TrailEntry(**{**vars_of(row.entry), "actor": "key:zz99zz99"})
        link = link_after(link, row.lane, row.position, said)
        changes.append(update(trail).where(_t.position == row.position).values(actor=said.actor, chain=link))
    await kept.change(*changes)
    is_keyed = kept.files.keys is not None
    assert await kept.flaws() == [("not-sealed-so", 41, 41)]
    (seal,) = await kept.store.read(CLINIC, lambda snapshot: all_seals(snapshot, CLINIC))
    forged = seal_link(FIRST_LINK, Seal(**{**vars_of(seal), "head": link}), None)
    await kept.change(update(trail_seal).values(head=link, chain=forged))
    found = await kept.flaws()
    assert found == ([("seal", 1, 1)] if is_keyed else [])
    assert ("seal", 1, 1) in await kept.flaws(with_file=True)


async def test_rows_without_the_key_are_not_taken_once_there_is_one(database_url: str, tmp_path: Path) -> None:
    kept = Kept(database_url, tmp_path, keyed=True)
    await kept.write(3)
    await kept.store.seal()
    other = open_store(database_url)
    for _ in range(2):
        await other.write(CLINIC, lambda transaction: record(transaction, entry()))
    await other.close()
    found = await kept.flaws()
    assert ("not-keyed", 1, 2) in found and ("seal", 2, 2) in found
    await kept.store.close()


async def test_rows_of_before_the_key_are_held_by_the_first_seals_with_it(database_url: str, tmp_path: Path) -> None:
    plain = open_store(database_url)
    for number in range(5):
        await plain.write(CLINIC, lambda transaction, number=number: record(transaction, entry(number)))
    await plain.close()
    kept = Kept(database_url, tmp_path, keyed=True)
    assert ("not-keyed", 1, 1) in await kept.flaws(), "nothing says that the key was ever used"
    await kept.write(4)
    assert await kept.store.seal([CLINIC]) == 1
    assert await kept.flaws() == []
    lane = min(
        seal.lane for seal in await kept.store.read(CLINIC, lambda snapshot: all_seals(snapshot, CLINIC)) if seal.number == 1
    )
    await kept.change(delete(trail).where(_t.lane == lane, _t.position == 5))
    assert await kept.flaws() == [("cut-off", 5, 5)]
    await kept.store.close()


async def test_a_key_is_followed_by_another(database_url: str, tmp_path: Path) -> None:
    kept = Kept(database_url, tmp_path, keyed=True)
    await kept.write(3)
    await kept.store.close()
    first = read_trail_keys(str(kept.files.keys))[0]
    second = add_trail_key(str(kept.files.keys), rotate=True)
    kept.store = kept.open()
    await kept.write(3)
    await kept.store.seal()
    assert await kept.flaws() == []
    seals = await kept.store.read(CLINIC, lambda snapshot: all_seals(snapshot, CLINIC))
    assert [seal.key_name for seal in seals] == [first.name, second.name]
    assert unknown_keys(seals, (second,)) == [first.name]
    await kept.store.close()


async def test_seals_that_are_altered_or_gone_are_found(kept: Kept) -> None:
    for _ in range(3):
        await kept.write(2)
        await kept.store.seal()
    s = trail_seal.c
    await kept.change(update(trail_seal).where(s.number == 2).values(position=42))
    assert ("seal", 2, 2) in await kept.flaws()
    await kept.change(delete(trail_seal).where(s.number == 2))
    assert ("seal", 2, 2) in await kept.flaws()
    await kept.change(delete(trail_seal).where(s.number > 1), delete(trail).where(_t.position > 41))
    assert await kept.flaws() == [], "cut off together with its seals, only a file outside the database tells"
    found = await kept.flaws(with_file=True)
    assert ("seal", 2, 4) in found and ("cut-off", 42, 47) in found


async def test_what_another_process_left_is_sealed_by_the_next(database_url: str) -> None:
    left, following = open_store(database_url), open_store(database_url)
    for _ in range(4):
        await left.write(CLINIC, lambda transaction: record(transaction, entry()))
    assert await following.seal() == 0 and await following.seal([CLINIC]) == 1
    assert await following.seal([CLINIC]) == 0 and await left.seal() == 0
    await left.close()
    await following.close()


async def test_sealing_that_is_cancelled_is_finished_before_the_store_is_closed(kept: Kept) -> None:
    await kept.write(3)
    sealing = asyncio.create_task(kept.store.seal())
    for _ in range(3):
        await asyncio.sleep(0)
    sealing.cancel()
    with pytest.raises(asyncio.CancelledError):
        await sealing
    await kept.store.close()
    kept.store = kept.open()
    seals = await kept.store.read(CLINIC, lambda snapshot: all_seals(snapshot, CLINIC))
    assert [seal.position for seal in seals] == [ROWS, ROWS + 3] and read_seals(str(kept.files.seals)) == seals
    assert await kept.flaws(with_file=True) == []


async def test_rows_of_work_that_was_undone_leave_what_is_sealed_true(kept: Kept) -> None:
    def fail(transaction: Transaction) -> None:
        record(transaction, entry())
        raise RuntimeError("a defect")

    for _ in range(3):
        works: list[Callable[[Transaction], None]] = [lambda transaction: record(transaction, entry()), fail]
        await asyncio.gather(*(kept.store.write(CLINIC, work) for work in works), return_exceptions=True)
        await kept.store.seal()
    rows = await kept.store.read(CLINIC, lambda snapshot: rows_after(snapshot, CLINIC, (-1, 0)))
    seals = await kept.store.read(CLINIC, lambda snapshot: all_seals(snapshot, CLINIC))
    assert len(rows) == ROWS + 3 and await kept.flaws(with_file=True) == []
    assert {row.lane for row in rows} == {seal.lane for seal in seals}


def test_keys_are_kept_from_others(tmp_path: Path) -> None:
    path = tmp_path / "keys"
    key = add_trail_key(str(path), rotate=False)
    assert path.stat().st_mode & 0o777 == 0o600
    assert key.secret.hex() not in repr(key) and repr(read_trail_keys(str(path))) == f"(TrailKey({key.name}),)"
    with pytest.raises(StoreNotUsable, match="there already"):
        add_trail_key(str(path), rotate=False)
    path.chmod(0o640)
    with pytest.raises(StoreNotUsable, match="others"):
        read_trail_keys(str(path))
    path.chmod(0o600)
    path.write_text("not a key\n")
    with pytest.raises(StoreNotUsable, match="no key") as told:
        read_trail_keys(str(path))
    assert "not a key" not in str(told.value)
    with pytest.raises(StoreNotUsable):
        read_trail_keys(str(tmp_path / "nothing"))


def vars_of(struct: Any) -> dict[str, Any]:
    return {name: getattr(struct, name) for name in struct.__struct_fields__}
