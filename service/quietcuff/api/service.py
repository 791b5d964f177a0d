"""What all routes share while the application runs: the desk with its store and rules, and the ring of keys."""

from __future__ import annotations

import time
from datetime import datetime

import msgspec

from quietcuff.api.requests import Connection
from quietcuff.core.rules import Rulebook
from quietcuff.ingest import Desk, open_desk
from quietcuff.security.api_keys import Keyring
from quietcuff.settings import Settings
from quietcuff.storage.api_keys import KeyRow, find_key
from quietcuff.storage.store import NO_TENANT, Store


class Service(msgspec.Struct, frozen=True, kw_only=True):
    """The running application's parts."""

    settings: Settings
    desk: Desk
    keyring: Keyring
    started_at: datetime


def service_of(connection: Connection) -> Service:
    """The parts of the application that serves this request."""
    service: Service = connection.app.state["service"]
    return service


def make_service(settings: Settings, store: Store, rulebook: Rulebook) -> Service:
    """The parts, on an open store, with the machine's own clock."""

    async def find(prefix: str) -> KeyRow | None:
        return await store.read(NO_TENANT, lambda transaction: find_key(transaction, prefix))

    desk = open_desk(store, rulebook)
    keyring = Keyring(find, desk.clock, time.monotonic)
    return Service(settings=settings, desk=desk, keyring=keyring, started_at=desk.clock())
