"""What holds together is found whole; whatever is taken away or left over is found, and named by its set."""

from __future__ import annotations

from itertools import accumulate, count
from types import SimpleNamespace
from typing import Any

import pytest

from application.clinic import Clinic, first_visit, on_day, open_clinic, sitting
from quietcuff.cli import main
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows import verify
from quietcuff.storage.rows.verify import SLICES, look_through

DAMAGE = {
    "versions are missing": "DELETE FROM set_version WHERE version = 1 AND {set}",
    "no reading": "DELETE FROM reading WHERE {set}",
    "no person": "DELETE FROM subject WHERE subject_id = (SELECT subject_id FROM reading_set WHERE {set})",
    "a version that no set has": "DELETE FROM reading_set WHERE {set}",
    "a reading that no set has": "DELETE FROM reading_set WHERE {set}",
    "a claim that stands for no version": "DELETE FROM set_version WHERE {set}",
    "deleted, and there all the same": (
        "INSERT INTO deleted_set SELECT tenant_id, set_id, subject_id, version, 'r0', created_at FROM reading_set WHERE {set}"
    ),
}


@pytest.fixture(scope="module")
def book() -> Rulebook:
    return load_rulebook()


async def looked_through(clinic: Clinic) -> tuple[int, list[tuple[str, str]]]:
    sets, flaws = 0, []
    for number in range(SLICES):
        counted, found = await clinic.read(lambda connection, number=number: look_through(connection, 1, number))
        sets += counted
        flaws += [(flaw.what, str(flaw.set_id)) for flaw in found]
    return sets, flaws


async def fill(clinic: Clinic) -> list[str]:
    """Sets of several people, two versions each; their ids."""
    ids = []
    for number in range(12):
        readings = on_day(first_visit(), f"2026-03-{number + 1:02}")
        first = await clinic.receive(sitting(readings, person=f"p-{number % 5}"), key=f"k-{number}")
        await clinic.correct(first, {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 155}}, key=f"c-{number}")
        ids.append(first.set_id)
    return ids


async def looked_on(clinic: Clinic) -> tuple[int, list[tuple[str, str]]]:
    """The same in one snapshot after the other, each as far as it comes."""
    sets, flaws, number = 0, [], 0
    while number < SLICES:
        counted, found, number = await clinic.read(lambda connection, number=number: verify.look_on(connection, 1, number))
        sets += counted
        flaws += [(flaw.what, str(flaw.set_id)) for flaw in found]
    return sets, flaws


@pytest.mark.parametrize(("step_seconds", "pieces"), [(0.0, range(9, 10)), (0.004, range(9, 20)), (0.02, range(256, 257))])
async def test_slices_are_joined_where_they_take_no_time_and_each_is_looked_through_once(
    store: Store, book: Rulebook, monkeypatch: pytest.MonkeyPatch, step_seconds: float, pieces: range
) -> None:
    looked: list[tuple[int, int]] = []

    def looking(connection: Any, tenant_id: int, number: int, many: int) -> Any:
        looked.append((number, many))
        return look_through(connection, tenant_id, number, many)

    clinic = await open_clinic(store, book)
    ids = await fill(clinic)
    await store.write(1, lambda transaction: transaction.exec_driver_sql("DELETE FROM subject"))
    now = count()
    monkeypatch.setattr(verify, "look_through", looking)
    monkeypatch.setattr(verify, "time", SimpleNamespace(monotonic=lambda: next(now) * step_seconds))
    sets, flaws = await looked_on(clinic)
    assert sets == 12 and sorted(flaws) == sorted(("no person", one) for one in ids)
    assert [number for number, _ in looked] == [0, *accumulate(many for _, many in looked)][:-1]
    assert sum(many for _, many in looked) == SLICES and len(looked) in pieces


def test_no_slice_beyond_the_last_is_asked_for_where_the_last_but_few_took_long(monkeypatch: pytest.MonkeyPatch) -> None:
    looked: list[int] = []
    # Seven short looks that double to 64 slices, then a long one at 128, after which one slice is left and 64 would be next.
    moments = iter([0.0] * 8 + [0.02] * 9)
    monkeypatch.setattr(verify, "look_through", lambda connection, tenant_id, number, many: (looked.append(many) or 0, []))
    monkeypatch.setattr(verify, "time", SimpleNamespace(monotonic=lambda: next(moments)))
    connection: Any = None
    assert verify.look_on(connection, 1, 0) == (0, [], SLICES)
    assert looked == [1, 2, 4, 8, 16, 32, 64, 128, 1]


async def test_what_the_flow_stores_holds_together(store: Store, book: Rulebook) -> None:
    clinic = await open_clinic(store, book)
    await fill(clinic)
    assert await looked_through(clinic) == (12, [])


async def test_each_kind_of_damage_is_found_where_it_is(store: Store, book: Rulebook) -> None:
    clinic = await open_clinic(store, book)
    ids = await fill(clinic)
    for (what, damage), set_id in zip(DAMAGE.items(), ids, strict=False):
        plain = set_id.replace("-", "")
        literal = f"x'{plain}'" if store._backend.writers == 1 else f"'{set_id}'"

        def spoil(transaction: Transaction, damage: str = damage, literal: str = literal) -> None:
            transaction.exec_driver_sql(damage.format(set=f"set_id = {literal}"))

        await store.write(clinic.tenant.tenant_id, spoil)
        assert (what, set_id) in (await looked_through(clinic))[1]


async def test_the_command_tells_the_same(
    store: Store, database_url: str, book: Rulebook, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import anyio

    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", database_url)
    clinic = await open_clinic(store, book)
    ids = await fill(clinic)
    assert await anyio.to_thread.run_sync(main, ["database", "verify"]) == 0
    assert "12 sets looked through: all holds together." in capsys.readouterr().err
    await store.write(clinic.tenant.tenant_id, lambda transaction: transaction.exec_driver_sql("DELETE FROM subject"))
    assert await anyio.to_thread.run_sync(main, ["database", "verify"]) == 1
    told = capsys.readouterr()
    assert f"set {ids[0]}: no person" in told.out and "12 flaws" in told.err
