"""Workers that are killed at random moments, over and over, while sittings are stored and sent on."""

from __future__ import annotations

import asyncio
import random
import time
from collections import Counter
from typing import Any

import msgspec

from application.clinic import Clinic, first_visit, left, sitting
from delivery.nursery import Nursery
from delivery.receiver import Receiver
from delivery.test_worker import check_order
from quietcuff.delivery import targets
from quietcuff.delivery.documents import NewTarget
from quietcuff.security.allowed_addresses import read_allowances

PEOPLE = 40
LEAST_WAITING = 40


class Told(msgspec.Struct):
    """What came of it."""

    kills: int
    sets: int
    versions: int
    transactions: int
    again: int
    seconds: float


async def kill_over_and_over(
    clinic: Clinic, receiver: Receiver, workers: Nursery, *, kills: int, seed: int, longest_life: float
) -> Told:
    """Store, have sent, kill; in the end let one worker finish, and hold the record against what was stored.

    ``longest_life`` is how many seconds a worker has at most.
    """
    began, dice = time.monotonic(), random.Random(seed)
    receiver.fault_after = lambda receiver, body: time.sleep(dice.random() * 0.01) or None  # type: ignore[func-returns-value]
    new = NewTarget(kind="fhir", url=f"{receiver.url}/fhir")
    await targets.make_target(clinic.desk, clinic.caller, new, read_allowances(["127.0.0.0/8"]))
    stored: list[tuple[str, int]] = []
    for _ in range(kills):
        while await waiting(clinic) < LEAST_WAITING:
            stored.append(await store_some(clinic, dice))
        worker = workers.make()
        await asyncio.sleep(dice.random() * longest_life)
        workers.kill(worker)
    workers.make()
    patience = time.monotonic() + 60
    while await waiting(clinic) and time.monotonic() < patience:
        await asyncio.sleep(0.05)
    check(receiver, stored)
    versions = sum(count for _, count in stored)
    transactions = len(receiver.record.transactions)
    again = transactions - len({provenance_of(bundle) for bundle in receiver.record.transactions})
    return Told(kills, len(stored), versions, transactions, again, time.monotonic() - began)


async def store_some(clinic: Clinic, dice: random.Random) -> tuple[str, int]:
    """A sitting of somebody, as it comes or corrected at once; its id, and how many versions it has."""
    clinic.clock.move(seconds=1)
    answer = await clinic.receive(sitting([left(0), *first_visit()[1:]], person=f"p-{dice.randrange(PEOPLE)}"))
    if dice.random() < 0.5:
        return answer.set_id, 1
    await clinic.correct(answer, {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": dice.randrange(150, 200)}})
    return answer.set_id, 2


async def waiting(clinic: Clinic) -> int:
    return int((await clinic.rows("SELECT count(*) FROM outbox"))[0][0])


def provenance_of(bundle: dict[str, Any]) -> str:
    (tag,) = [
        entry["resource"]["meta"]["tag"][0]["code"]
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] == "Provenance"
    ]
    return str(tag)


def check(receiver: Receiver, stored: list[tuple[str, int]]) -> None:
    """Every Observation of every set is there once, in its last state; each version arrived; and in its order."""
    record = receiver.record
    known = record.by_identifier()
    wanted = {f"{set_id}/{name}" for set_id, _ in stored for name in ("r0", "r1", "r2", "r3", "mean")}
    assert wanted - known.keys() == set()
    assert Counter(one["resourceType"] for one in record.resources.values())["Observation"] == len(wanted)
    for set_id, versions in stored:
        assert known[f"{set_id}/r2"]["status"] == ("corrected" if versions == 2 else "final")
    assert {provenance_of(bundle) for bundle in record.transactions} == {
        f"{set_id}-v{number + 1}" for set_id, versions in stored for number in range(versions)
    }
    check_order(record.transactions)
