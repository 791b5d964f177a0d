"""Invented sets in a real store, and what the export makes of them."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

import msgspec

from fhir_r4.rendered import PUBLIC_URL
from quietcuff import application
from quietcuff.core.model.changes import Append, Correction, SubjectChange
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.history.read import ReadResource, read_resource
from quietcuff.fhir.read.bundle import sitting_bundle
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.request import parse_search
from quietcuff.fhir.search.searchset import searchset
from quietcuff.fhir.search.types import SEARCHED
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.tenants import Tenant, find_or_create_tenant
from quietcuff.storage.search.observations import Snapshot

T = TypeVar("T")
STARTED_AT = datetime(2026, 6, 1, 8, tzinfo=UTC)


class Clinic:
    """One tenant of a store, whose clock moves a second each time it is asked."""

    def __init__(self, store: Store, rulebook: Rulebook, tenant: Tenant) -> None:
        ticks = itertools.count()
        self.store, self.tenant = store, tenant
        self.desk = application.open_desk(store, rulebook, clock=lambda: STARTED_AT + timedelta(seconds=next(ticks)))
        self.caller = application.Caller(
            tenant_id=tenant.tenant_id, actor="key:ab12cd34", request_id="0f8c2a34-6f0e-4c0b-9a53-2a4c7c1b9d11"
        )
        self.publisher = Publisher(tenant=tenant, public_url=PUBLIC_URL)

    async def receive(self, body: dict[str, Any]) -> dict[str, Any]:
        answer = await application.receive(self.desk, self.caller, msgspec.convert(body, ReadingSet), idempotency_key=None)
        return envelope(answer)

    async def receive_all(self, bodies: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
        return list(await asyncio.gather(*(self.receive(body) for body in bodies)))

    async def append(self, set_id: str, **fields: Any) -> dict[str, Any]:
        change = msgspec.convert(fields, Append)
        return envelope(await application.append(self.desk, self.caller, set_id, change, if_match="*", idempotency_key=None))

    async def correct(self, set_id: str, version: int, *changes: dict[str, Any]) -> dict[str, Any]:
        author = {"system": "urn:example:staff", "value": "n-17"}
        correction = msgspec.convert({"reason": "typing error", "author": author, "changes": list(changes)}, Correction)
        if_match = frozenset((version,))
        return envelope(
            await application.correct(self.desk, self.caller, set_id, correction, if_match=if_match, idempotency_key=None)
        )

    async def try_to_correct(self, set_id: str, version: int, *changes: dict[str, Any]) -> dict[str, Any] | None:
        """Correct a set, unless the change would change nothing or the rules refuse it."""
        with contextlib.suppress(NotAcceptable):
            return await self.correct(set_id, version, *changes)
        return None

    async def save_subject(self, body: dict[str, Any]) -> str:
        """Register a person or what changed; the id."""
        change = msgspec.convert(body, SubjectChange)
        return (await application.save_subject(self.desk, self.caller, change, if_match=None)).id

    async def save_device(self, body: dict[str, Any]) -> str:
        """Register a device; the id."""
        document = msgspec.convert(body, RegisteredDevice)
        return (await application.save_device(self.desk, self.caller, document, if_match=None)).id

    async def bundle(self, set_id: str) -> dict[str, Any]:
        return decoded(await self._read(lambda snapshot: sitting_bundle(snapshot, self.publisher, set_id)))

    async def read(self, resource_type: str, logical_id: str) -> ReadResource:
        return await self._read(lambda snapshot: read_resource(snapshot, self.publisher, resource_type, logical_id))

    async def search(self, *items: tuple[str, str]) -> dict[str, Any]:
        return await self.search_of("Observation", *items)

    async def search_of(self, resource_type: str, *items: tuple[str, str]) -> dict[str, Any]:
        """One page of a search of any type."""
        clock, asking = Clock(self.tenant.zone, STARTED_AT), SEARCHED[resource_type].asking

        def find(snapshot: Snapshot) -> bytes:
            publisher = self.publisher
            asked = parse_search(asking, items, publisher=publisher, clock=clock, is_strict=True, snapshot=snapshot)
            return searchset(snapshot, publisher, asked)

        return decoded(await self._read(find))

    async def _read(self, work: Callable[[Snapshot], T]) -> T:
        return await self.store.read(self.tenant.tenant_id, work)


async def open_clinic(store: Store, rulebook: Rulebook, name: str = "clinic") -> Clinic:
    """A clinic of a name of its own."""
    tenant = await store.write(NO_TENANT, lambda connection: find_or_create_tenant(connection, name, STARTED_AT))
    return Clinic(store, rulebook, tenant)


def envelope(answer: application.Answer) -> dict[str, Any]:
    return decoded(answer.body)


def decoded(body: bytes) -> dict[str, Any]:
    found: dict[str, Any] = msgspec.json.decode(body)
    return found
