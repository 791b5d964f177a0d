"""A clinic with targets and a worker: its clock is the clinic's, so that hours pass in no time."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

import msgspec

from application.clinic import Clinic
from delivery.receiver import Receiver
from quietcuff.delivery import targets
from quietcuff.delivery.documents import NewTarget, SendAgain, TargetChange, TargetMade, TargetRecord, Undelivered
from quietcuff.delivery.http_sender import HttpSender
from quietcuff.delivery.worker import DeliveryWorker, Work
from quietcuff.security.allowed_addresses import Allowances, read_allowances

PUBLIC_URL = "https://bp.example.org"
LOOPBACK = read_allowances(["127.0.0.0/8"])


class Post:
    """What a clinic has sent on, and to whom."""

    def __init__(self, clinic: Clinic, receiver: Receiver, *, allowed: Allowances = LOOPBACK, seconds: float = 5) -> None:
        self.clinic, self.receiver = clinic, receiver
        self.failures: list[BaseException] = []
        desk = clinic.desk
        self.work = Work(
            store=desk.store,
            tenants=desk.tenants,
            sender=HttpSender(allowed, clinic.clock, seconds=seconds),
            public_url=PUBLIC_URL,
            clock=clinic.clock,
            log=lambda error, request_id: self.failures.append(error),
            jitter=random.Random(7).random,
        )
        self.worker = DeliveryWorker(self.work)

    async def target(self, kind: str = "fhir", path: str | None = None, **more: Any) -> TargetMade:
        """A target at the receiver."""
        where = path or {"fhir": "/fhir", "webhook": "/hook"}[kind]
        new = msgspec.convert({"kind": kind, "url": self.receiver.url + where, **more}, NewTarget)
        return await targets.make_target(self.clinic.desk, self.clinic.caller, new, LOOPBACK)

    async def stands(self, target: TargetMade) -> TargetRecord:
        return await targets.read_target(self.clinic.desk, self.clinic.caller, target.id)

    async def undelivered(self, target: TargetMade) -> list[Undelivered]:
        return (await targets.list_undelivered(self.clinic.desk, self.clinic.caller, target.id, 200)).items

    async def send(self) -> int:
        """Send what is due; how many were tried."""
        return await self.worker.work_off()

    async def send_all(self, most_hours: float = 200) -> float:
        """Let time pass until nothing waits; how many hours that took."""
        began = self.clinic.clock.now
        for moment in self._moments(most_hours):
            self.clinic.clock.move(seconds=moment)
            await self.send()
            if not await self.clinic.rows("SELECT 1 FROM outbox WHERE given_up_at IS NULL"):
                break
        return (self.clinic.clock.now - began).total_seconds() / 3600

    @staticmethod
    def _moments(most_hours: float) -> Iterator[float]:
        yield 0
        for _ in range(int(most_hours * 2)):
            yield 1800

    async def close(self) -> None:
        await self.work.sender.close()

    async def change(self, target: TargetMade, **wanted: Any) -> TargetRecord:
        change = msgspec.convert(wanted, TargetChange)
        return await targets.change(self.clinic.desk, self.clinic.caller, target.id, change, LOOPBACK)

    async def replay(self, target: TargetMade, *ids: str) -> int:
        wanted = SendAgain(ids=list(ids) or None)
        return (await targets.replay(self.clinic.desk, self.clinic.caller, target.id, wanted)).replayed
