"""A clinic that sends sittings to a desk: invented people, a clock that is set by hand."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar
from uuid import uuid4

import msgspec

from bodies import OPENED_SET
from quietcuff import application
from quietcuff.application import Answer, AppContext, IfMatch
from quietcuff.core.model.changes import Append, Correction, Move
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.tenants import Tenant, find_or_create_tenant

T = TypeVar("T")
ARRIVED_AT = datetime(2026, 5, 4, 7, 3, 31, 120456, tzinfo=UTC)
Body = dict[str, Any]


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def move(self, **by: float) -> None:
        self.now += timedelta(**by)


class Clinic:
    """One tenant, and what it sends. Answers come back with their envelope decoded by ``told``."""

    def __init__(self, desk: AppContext, clock: Clock, tenant: Tenant) -> None:
        self.desk, self.clock, self.tenant = desk, clock, tenant
        self.caller = application.Caller(tenant_id=tenant.tenant_id, actor="key:ab12cd34", request_id=str(uuid4()))

    async def receive(self, body: Body, key: str | None = None) -> Answer:
        return await application.receive(self.desk, self.caller, msgspec.convert(body, ReadingSet), idempotency_key=key)

    async def append(self, answer: Answer | str, body: Body, if_match: IfMatch = "*", key: str | None = None) -> Answer:
        change = msgspec.convert(body, Append)
        return await application.append(
            self.desk, self.caller, set_id_of(answer), change, if_match=if_match, idempotency_key=key
        )

    async def correct(
        self, answer: Answer, *changes: Body, if_match: IfMatch = None, key: str | None = None, **more: Any
    ) -> Answer:
        """Correct the version that an answer is of, unless another is named."""
        correction = msgspec.convert({"reason": "typing error", "changes": list(changes), **more}, Correction)
        return await application.correct(
            self.desk,
            self.caller,
            answer.set_id,
            correction,
            if_match=frozenset([answer.version]) if if_match is None else if_match,
            idempotency_key=key,
        )

    async def move(
        self, answer: Answer, person: str = "p-0002", if_match: IfMatch = None, key: str | None = None, **facts: Any
    ) -> Answer:
        """Move the set of an answer to another person."""
        subject = {"identifier": {"system": "urn:example:mrn", "value": person}, **facts}
        wanted = msgspec.convert({"subject": subject, "reason": "measured on another patient"}, Move)
        named = frozenset([answer.version]) if if_match is None else if_match
        return await application.move(self.desk, self.caller, answer.set_id, wanted, if_match=named, idempotency_key=key)

    async def reopen(self, answer: Answer, if_match: IfMatch = None) -> Answer:
        named = frozenset([answer.version]) if if_match is None else if_match
        return await application.reopen(self.desk, self.caller, answer.set_id, if_match=named, idempotency_key=None)

    async def read(self, work: Callable[[Transaction], T]) -> T:
        return await self.desk.store.read(self.tenant.tenant_id, work)

    async def rows(self, statement: str) -> list[tuple[Any, ...]]:
        """What a plain statement finds."""
        return await self.read(lambda transaction: [tuple(row) for row in transaction.exec_driver_sql(statement)])

    async def count(self, table: str) -> int:
        return int((await self.rows(f"SELECT count(*) FROM {table}"))[0][0])


async def open_clinic(store: Store, rulebook: Rulebook, name: str = "clinic") -> Clinic:
    clock = Clock(ARRIVED_AT)
    tenant = await store.write(NO_TENANT, lambda transaction: find_or_create_tenant(transaction, name, clock.now))
    return Clinic(application.open_desk(store, rulebook, clock=clock), clock, tenant)


def set_id_of(answer: Answer | str) -> str:
    return answer if isinstance(answer, str) else answer.set_id


def told(answer: Answer) -> Body:
    found: Body = msgspec.json.decode(answer.body)
    return found


def evaluation_bytes(answer: Answer) -> bytes:
    """The evaluation in an answer, to the byte."""
    return bytes(msgspec.json.decode(answer.body, type=dict[str, msgspec.Raw])["evaluation"])


def reading(minute: float, systolic: float | None = 142, diastolic: float | None = 88, **more: Any) -> Body:
    """A reading some minutes after nine in the morning of the fourth of May, on the right arm."""
    taken_at = datetime.fromisoformat("2026-05-04T09:00:00+02:00") + timedelta(minutes=minute)
    pressures = {"systolic_mmhg": systolic, "diastolic_mmhg": diastolic}
    where = {"site": "right-upper-arm", "position": "sitting", "method": "oscillometric"}
    return {"taken_at": taken_at.isoformat(), **pressures, **where, **more}


def left(minute: float, systolic: float | None = 142, diastolic: float | None = 88, **more: Any) -> Body:
    return reading(minute, systolic, diastolic, **{"site": "left-upper-arm", **more})


def first_visit() -> list[Body]:
    """Four readings of a first visit: the right arm is the higher by eight, its last two agree."""
    return [left(0, 142, 88, pulse_per_min=72), reading(1, 150, 92), reading(2, 146, 90), reading(3, 144, 90)]


_numbers = itertools.count(1)


def sitting(readings: list[Body] | None = None, person: str = "p-0001", **more: Any) -> Body:
    """A whole sitting of somebody, with an identifier of its own unless one is given."""
    facts = {"identifier": {"system": "urn:example:mrn", "value": person}, "birth_date": "1971-01-15"}
    body = {
        **OPENED_SET,
        "identifier": {"system": "urn:example:visit", "value": f"v-{next(_numbers)}"},
        "subject": facts,
        "closed": True,
        "readings": first_visit() if readings is None else readings,
    }
    return {**body, **more}


def on_day(readings: list[Body], day: str) -> list[Body]:
    """The same readings on another day, such as 2026-04-02."""
    return [{**one, "taken_at": day + one["taken_at"][10:]} for one in readings]
