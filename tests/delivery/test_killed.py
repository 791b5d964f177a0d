"""A worker that is killed loses nothing and leaves nothing twice; several workers share the work."""

from __future__ import annotations

import asyncio
import random
import time
from datetime import timedelta

import pytest

from application.clinic import Clinic, open_clinic, sitting
from delivery.killing import check, kill_over_and_over, store_some, waiting
from delivery.nursery import nursery
from delivery.post import Post
from delivery.receiver import Answer, Receiver
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.delivery import worker
from quietcuff.delivery.worker import LEASE, DeliveryWorker
from quietcuff.storage.engine.store import Store, open_store

LEASE_SECONDS = 2.0


async def test_workers_that_are_killed_lose_nothing(
    store: Store, database_url: str, rulebook: Rulebook, receiver: Receiver
) -> None:
    clinic = await open_clinic(store, rulebook)
    clinic.clock.now -= timedelta(days=1)
    with nursery(database_url, LEASE_SECONDS) as workers:
        told = await kill_over_and_over(clinic, receiver, workers, kills=10, seed=1, longest_life=0.6)
    assert told.transactions >= told.versions > 40


async def test_four_workers_share_the_work_and_send_nothing_twice(
    postgresql_url: str, rulebook: Rulebook, receiver: Receiver
) -> None:
    store = open_store(postgresql_url)
    clinic = await open_clinic(store, rulebook)
    clinic.clock.now -= timedelta(days=1)
    post = Post(clinic, receiver)
    await post.target()
    dice = random.Random(2)
    stored = [await store_some(clinic, dice) for _ in range(60)]
    with nursery(postgresql_url, 30) as workers:
        for _ in range(4):
            workers.make()
        patience = time.monotonic() + 30
        while await waiting(clinic) and time.monotonic() < patience:
            await asyncio.sleep(0.05)
    check(receiver, stored)
    assert len(receiver.record.transactions) == sum(versions for _, versions in stored)
    await store.close()


async def test_what_a_worker_holds_is_nobody_elses_until_its_lease_ends(post: Post) -> None:
    await post.target()
    answer = await post.clinic.receive(sitting())
    taken = asyncio.Event()

    async def hang(target_id: object, parcel: object) -> None:
        taken.set()
        await asyncio.Event().wait()

    hanging = DeliveryWorker(post.work)
    sender, post.work.sender.send = post.work.sender.send, hang  # type: ignore[method-assign, assignment]
    task = asyncio.create_task(hanging.work_off())
    await taken.wait()
    post.work.sender.send = sender  # type: ignore[method-assign]
    assert await post.send() == 0
    post.clinic.clock.now += LEASE
    assert await post.send() == 1
    task.cancel()
    assert f"{answer.set_id}/mean" in post.receiver.record.by_identifier()


async def test_a_worker_that_comes_to_itself_too_late_sends_nothing(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    await post.target()
    await post.clinic.receive(sitting())
    build = worker.parcel_of

    def sleep_long(*arguments: object) -> object:
        post.clinic.clock.now += LEASE * 0.8
        return build(*arguments)  # type: ignore[arg-type]

    with monkeypatch.context() as asleep:
        asleep.setattr(worker, "parcel_of", sleep_long)
        assert await post.send() == 1
    assert post.receiver.requests == 0
    post.clinic.clock.now += LEASE
    assert await post.send() == 1
    assert post.receiver.requests == 1


async def test_what_comes_of_an_attempt_is_only_kept_by_who_holds_it(post: Post) -> None:
    await post.target()
    await post.clinic.receive(sitting())

    async def answer_late(target_id: object, parcel: object) -> object:
        # Meanwhile the lease ends, and another worker delivers it.
        post.clinic.clock.now += LEASE
        post.work.sender.send = sender  # type: ignore[method-assign]
        assert await DeliveryWorker(post.work).work_off() == 1
        return await sender(target_id, parcel)  # type: ignore[arg-type]

    sender, post.work.sender.send = post.work.sender.send, answer_late  # type: ignore[method-assign, assignment]
    post.receiver.fault = lambda receiver, body: Answer(500) if receiver.requests == 2 else None
    await post.send()
    assert (post.receiver.requests, await post.clinic.count("outbox")) == (2, 0)
    assert await post.clinic.rows("SELECT count(*) FROM trail WHERE actor LIKE 'target:%'") == [(1,)]


async def test_people_do_not_wait_for_each_other(clinic: Clinic, receiver: Receiver) -> None:
    post = Post(clinic, receiver)
    await post.target()
    held = await clinic.receive(sitting(person="p-1"))
    behind = await clinic.receive(sitting(person="p-1"))
    other = await clinic.receive(sitting(person="p-2"))
    receiver.fault = lambda receiver, body: Answer(500) if held.set_id.encode() in body else None
    await post.send()
    known = receiver.record.by_identifier()
    assert f"{other.set_id}/mean" in known and f"{behind.set_id}/mean" not in known
    await post.close()
