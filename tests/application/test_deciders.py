"""Sittings that worker processes evaluate before their transaction: stored to the byte as without them, whatever happens."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import AsyncIterator, Iterator
from typing import Any

import msgspec
import pytest

from application.clinic import Body, Clinic, left, on_day, open_clinic, reading, sitting
from quietcuff import application
from quietcuff.application import ReceivedLine, batch, made_to_order
from quietcuff.application import deciders as workers
from quietcuff.application import evaluate_and_keep as keeping
from quietcuff.application.context import Answer
from quietcuff.application.deciders import Deciders
from quietcuff.application.foreseen import ENCODER
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.store import Store

MONITOR = {"identifier": {"system": "urn:example:device", "value": "m-1"}, "model": "invented"}


def bodies() -> list[Body]:
    """Several people's sittings over several days, everybody's first before anybody's second; one that the rules refuse."""
    found = []
    for day in (4, 5, 6):
        for person in range(6):
            readings = on_day([left(0, 138 + person, 85), reading(1, 150, 92), reading(2, 146 + day, 90)], f"2026-05-{day:02}")
            name = {"system": "urn:example:visit", "value": f"{person}-{day}"}
            # A null, as some write what they do not know, is read another way.
            more: Body = {"location": None} if person % 2 else {}
            found.append(sitting(readings, f"p-{person:04}", identifier=name, device=MONITOR, **more))
    refused = sitting([reading(0), reading(9_000)], identifier={"system": "urn:example:visit", "value": "two days"})
    return [*found, refused]


async def lines(bodies: list[Body]) -> AsyncIterator[bytes]:
    yield b"".join(msgspec.json.encode(body) + b"\n" for body in bodies)


async def receive(clinic: Clinic, bodies: list[Body], deciders: Deciders | None) -> list[ReceivedLine]:
    found: list[ReceivedLine] = []
    await application.receive_lines(
        clinic.desk, clinic.caller, lines(bodies), batch.by_identifier, found.append, deciders=deciders
    )
    return found


def told(found: list[ReceivedLine]) -> list[Any]:
    """What came of each line, without the ids that are made anew."""
    kept = []
    for received in found:
        if isinstance(received.outcome, Answer):
            parts = msgspec.json.decode(received.outcome.body, type=dict[str, msgspec.Raw])
            kept.append((bytes(parts["reading_set"]), bytes(parts["evaluation"]), received.outcome.replayed))
        else:
            kept.append(repr(received.outcome))
    return kept


@pytest.fixture
def evaluated_here(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """The evaluations that transactions did themselves."""
    counted: list[int] = []
    evaluate = keeping.evaluate

    def count(*given: Any) -> Any:
        counted.append(1)
        return evaluate(*given)

    monkeypatch.setattr(keeping, "evaluate", count)
    return counted


async def test_what_workers_decide_is_stored_to_the_byte_as_without_them(
    store: Store, rulebook: Rulebook, evaluated_here: list[int]
) -> None:
    clinic, other = await open_clinic(store, rulebook), await open_clinic(store, rulebook, "other")
    plain = told(await receive(other, bodies(), None))
    done_without = len(evaluated_here)
    deciders = Deciders(2, clinic.desk)
    try:
        assert told(await receive(clinic, bodies(), deciders)) == plain
        # Only what the rules refuse, and sittings whose history was not stored yet when they were sent.
        done_with = len(evaluated_here) - done_without
        assert done_with < done_without == 19
        again = await receive(clinic, bodies(), deciders)
        assert [one[2] for one in told(again)[:-1]] == [True] * 18
        assert len(evaluated_here) == done_without + done_with + 1
    finally:
        deciders.close()


async def test_a_sitting_that_others_changed_meanwhile_is_decided_again(
    store: Store, rulebook: Rulebook, evaluated_here: list[int]
) -> None:
    clinic = await open_clinic(store, rulebook)
    first, second = bodies()[0], bodies()[6]
    deciders = Deciders(1, clinic.desk)
    try:
        # Both are foreseen as the person's first; the one that is stored second has a history by then.
        found = await receive(clinic, [first, second], deciders)
    finally:
        deciders.close()
    history = [msgspec.json.decode(one[0])["history"]["sittings"] for one in told(found)]
    assert [len(sittings) for sittings in history] == [0, 1]
    assert len(evaluated_here) == 1


async def test_lost_workers_cost_time_and_nothing_else(store: Store, rulebook: Rulebook, evaluated_here: list[int]) -> None:
    clinic, other = await open_clinic(store, rulebook), await open_clinic(store, rulebook, "other")
    plain = told(await receive(other, bodies(), None))
    deciders = Deciders(1, clinic.desk)
    await receive(clinic, bodies()[:1], deciders)
    for process in list(deciders._pool._processes):
        os.kill(process, signal.SIGKILL)
    assert told(await receive(clinic, bodies(), deciders))[1:] == plain[1:]
    deciders.close()


async def test_workers_that_are_ended_leave_nobody_waiting(
    store: Store, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    clinic, other = await open_clinic(store, rulebook), await open_clinic(store, rulebook, "other")
    plain = told(await receive(other, bodies(), None))
    monkeypatch.setattr(workers, "SETS_AT_ONCE", 1)
    deciders = Deciders(1, clinic.desk)
    # More than the worker takes up at once, so that some parts are not begun.
    deciders._most_under_way = 8
    receiving = asyncio.create_task(receive(clinic, bodies(), deciders))
    while deciders._under_way < 8:
        await asyncio.sleep(0.01)
    deciders.close()
    assert told(await asyncio.wait_for(receiving, timeout=60)) == plain


async def test_a_worker_does_not_wait_for_ever_for_the_database(
    store: Store, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    clinic = await open_clinic(store, rulebook)
    tenant = await clinic.desk.tenants.get(clinic.caller.tenant_id)
    monkeypatch.setattr(made_to_order, "LONGEST_READ_SECONDS", 0.01)
    monkeypatch.setattr(store, "read", lambda *given: asyncio.sleep(60))
    with pytest.raises(TimeoutError):
        await made_to_order.all_to_order(ENCODER.encode([made_to_order.Orders(tenant=tenant, sets=[])]), clinic.desk)


async def test_workers_with_other_rules_decide_nothing(store: Store, rulebook: Rulebook, evaluated_here: list[int]) -> None:
    clinic = await open_clinic(store, msgspec.structs.replace(rulebook, digest="sha256:other"))
    deciders = Deciders(1, clinic.desk)
    found = await receive(clinic, bodies()[:3], deciders)
    deciders.close()
    assert [isinstance(one.outcome, Answer) for one in found] == [True] * 3
    assert len(evaluated_here) == 3


async def test_workers_start_only_where_sittings_come_together(
    store: Store, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch, evaluated_here: list[int]
) -> None:
    clinic, other = await open_clinic(store, rulebook), await open_clinic(store, rulebook, "other")
    monkeypatch.setattr(workers, "WORTH_STARTING", 3)
    deciders = Deciders(1, clinic.desk, when_busy=True)
    plain = told(await receive(other, bodies(), None))
    try:
        for body in bodies()[:2]:
            await receive(clinic, [body], deciders)
        assert deciders._warming is None
        await receive(clinic, bodies()[2:6], deciders)
        assert deciders._warming is not None
        await deciders._warming
        before = len(evaluated_here)
        found = told(await receive(clinic, bodies(), deciders))
        assert [one[:2] for one in found[:-1]] == [one[:2] for one in plain[:-1]]
        # Six were stored before, six come alone or have no history yet when they are sent; nobody is decided twice.
        assert len(evaluated_here) - before < 13
        # The process is lost: what comes now is decided here, in the same order.
        for process in list(deciders._pool._processes):
            os.kill(process, signal.SIGKILL)
        assert [one[:2] for one in told(await receive(clinic, bodies(), deciders))] == [one[:2] for one in found]
    finally:
        deciders.close()


class WatchedDeciders(Deciders):
    """Deciders that note whose sittings go on to the store, in that order."""

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.went_on: list[str] = []

    async def foresee(self, tenant: Any, caller: Any, reading_set: Any, keys: Any, sent: Any = None) -> Any:
        found = await super().foresee(tenant, caller, reading_set, keys, sent)
        self.went_on.append(reading_set.identifier.value)
        return found


async def test_a_store_without_work_takes_what_workers_do_not_come_to_but_nobodys_before_their_own(
    store: Store, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    clinic, other = await open_clinic(store, rulebook), await open_clinic(store, rulebook, "other")
    plain = told(await receive(other, bodies(), None))
    monkeypatch.setattr(workers, "SETS_AT_ONCE", 1)

    async def in_two_parts() -> AsyncIterator[bytes]:
        texts = [msgspec.json.encode(body) + b"\n" for body in bodies()]
        yield b"".join(texts[:4])
        # By then one sitting is with the worker, one is behind it, and two wait.
        await asyncio.sleep(0.01)
        yield b"".join(texts[4:])

    deciders, found = WatchedDeciders(1, clinic.desk), list[ReceivedLine]()
    try:
        receiving = application.receive_lines(
            clinic.desk, clinic.caller, in_two_parts(), batch.by_identifier, found.append, deciders=deciders
        )
        await receiving
    finally:
        deciders.close()
    assert told(found) == plain
    # The worker is still starting.
    assert deciders.went_on[:2] == ["4-4", "5-4"]
    for person in range(6):
        assert [name for name in deciders.went_on if name[0] == f"{person}" and name[1] == "-"] == [
            f"{person}-{day}" for day in (4, 5, 6)
        ]
    assert not deciders._people_inside
