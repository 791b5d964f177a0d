"""The parts that all routes share while the application runs: context with store and rules, keys, tokens, lanes and rates."""

from __future__ import annotations

import asyncio
import hashlib
import time
from datetime import datetime
from typing import Protocol, TypeVar

import msgspec

from quietcuff.api.lanes import Lanes
from quietcuff.api.requests import Connection
from quietcuff.application import AppContext, open_desk
from quietcuff.application.bulk.worker import ExportLimits
from quietcuff.application.deciders import Deciders, DecidersWatch
from quietcuff.application.read_trail import Reads
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.security.allowed_addresses import read_allowances
from quietcuff.security.api_keys import Keyring, Principal, Rates
from quietcuff.security.key_sets import Fetcher, KeySets
from quietcuff.security.outside_issuer import OutsideTokens
from quietcuff.security.signed import looks_signed
from quietcuff.security.tokens import TOKEN_PATH, TokenIssuer
from quietcuff.settings import Settings
from quietcuff.storage.engine.readiness import Readiness
from quietcuff.storage.engine.store import NO_TENANT, GroupWatch, Store
from quietcuff.storage.rows.api_keys import KeyRow, find_key, take_uses
from quietcuff.storage.rows.tenants import find_tenant
from quietcuff.words.languages import Languages, load_languages


class Watch(GroupWatch, DecidersWatch, Protocol):
    """Whoever counts what the parts do."""


W = TypeVar("W", bound=Watch)


class Service(msgspec.Struct, frozen=True, kw_only=True):
    """Parts of the running application. ``export_bell`` wakes the export worker, ``what_if_bell`` the what-if worker;
    ``deciders`` evaluate in other processes, where there are any; ``reads`` are the answered reads that are not in the trail
    yet."""

    settings: Settings
    desk: AppContext
    deciders: Deciders | None
    keyring: Keyring
    token_desk: TokenIssuer
    outside_tokens: OutsideTokens | None
    started_at: datetime
    export_limits: ExportLimits
    export_bell: asyncio.Event
    what_if_bell: asyncio.Event
    reads: Reads
    readiness: Readiness
    lanes: Lanes
    rates: Rates
    languages: Languages

    async def principal(self, bearer: str) -> Principal:
        """The principal of a bearer token: one of our keys, a client's token, or a token of the outside issuer.

        Raises:
            NotAuthenticated: the token is not valid.
        """
        if self.outside_tokens is not None and looks_signed(bearer):
            return await self.outside_tokens.principal(bearer)
        return await self.keyring.principal(bearer)

    def watched_by(self, watch: W) -> W:
        """Have what is written and decided counted."""
        self.desk.store.watch = watch
        if self.deciders is not None:
            self.deciders.watch = watch
        return watch

    async def close(self) -> None:
        """End the deciders, finish the waiting work, and close the store."""
        if self.deciders is not None:
            self.deciders.close()
        await self.desk.store.close()


def service_of(connection: Connection) -> Service:
    """The service parts of the application that serves this request."""
    service: Service = connection.app.state["service"]
    return service


def make_service(settings: Settings, store: Store, rulebook: Rulebook, lanes: Lanes) -> Service:
    """Make the parts on an open store, with the system clock."""

    async def find(prefix: str) -> KeyRow | None:
        return await store.read(NO_TENANT, lambda transaction: find_key(transaction, prefix))

    async def tenant_of(name: str) -> int | None:
        found = await store.read(NO_TENANT, lambda transaction: find_tenant(transaction, name))
        return None if found is None else found.tenant_id

    async def lease(actor: str, minute: int, count: int) -> int:
        # Hashed to a fixed length: an outside issuer names its actors as it likes.
        digest = hashlib.sha256(actor.encode()).digest()
        return await store.write(NO_TENANT, lambda transaction: take_uses(transaction, digest, minute, count), order=digest)

    alone, key_sets = open_desk(store, rulebook), KeySets(time.monotonic, Fetcher(read_allowances(settings.key_sets_from)))
    deciders = Deciders(settings.deciders, alone, when_busy=True) if settings.deciders else None
    desk = msgspec.structs.replace(alone, deciders=deciders)
    limits = ExportLimits(
        jobs=settings.export_jobs, resources_a_file=settings.export_file_resources, hours_kept=settings.export_hours
    )
    return Service(
        settings=settings,
        desk=desk,
        deciders=deciders,
        keyring=Keyring(find, desk.clock, time.monotonic),
        token_desk=TokenIssuer(store, key_sets, desk.clock, settings.public_url + TOKEN_PATH),
        outside_tokens=OutsideTokens(settings.issuer, key_sets, tenant_of) if settings.issuer is not None else None,
        started_at=desk.clock(),
        export_limits=limits,
        export_bell=asyncio.Event(),
        what_if_bell=asyncio.Event(),
        reads=Reads(),
        readiness=Readiness(store),
        lanes=lanes,
        # SQLite is served by one process, which can count by itself; several processes share their counts in PostgreSQL.
        rates=Rates(settings.key_requests_a_minute, None if settings.database_url.startswith("sqlite") else lease),
        languages=load_languages(rulebook),
    )
