"""API keys: ``qc_<8>_<43>``, a prefix to look up by and a secret of which only the digest is stored; and their rate limit.

The limit is a number of requests a minute, shared by all processes of one database. Processes do not ask the database for each
request: each takes a twentieth of the minute's requests at once and counts them down.
"""

from __future__ import annotations

import asyncio
import contextvars
import hashlib
import hmac
import math
import re
import secrets
import string
import time
from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.core.model.errors import NotAuthenticated, TooOften
from quietcuff.security.scopes import Scopes, parse_scopes
from quietcuff.storage.rows.api_keys import KeyRow

PREFIX_LENGTH = 8
SECRET_BYTES = 32
CACHED_SECONDS = 5.0
# After this time the store is asked beside the requests, so that under a flood no request waits for that behind others' work.
LOOK_AGAIN_SECONDS = 2.5
MOST_CACHED = 10_000
_KEY = re.compile(r"qc_(?P<prefix>[a-z0-9]{8})_(?P<secret>[A-Za-z0-9_-]{43})", re.ASCII)
_NO_DIGEST = bytes(32)
LEASES_A_MINUTE = 20
MOST_KNOWN = 10_000
# Takes a number of requests of a minute for a caller; the answer is the total that all processes have taken.
Lease = Callable[[str, int, int], Awaitable[int]]


class Principal(msgspec.Struct, frozen=True):
    """An authenticated caller: the tenant, the name that the trail records, and the scopes."""

    tenant_id: int
    actor: str
    scopes: Scopes


class NewKey(msgspec.Struct, frozen=True):
    """A key that was just made. ``text`` is shown once and kept nowhere."""

    text: str
    prefix: str
    secret_hash: bytes


def make_key() -> NewKey:
    """A new key from the system's own randomness: 256 bits of secret."""
    prefix = "".join(secrets.choice(string.ascii_lowercase + string.digits) for _ in range(PREFIX_LENGTH))
    secret = secrets.token_urlsafe(SECRET_BYTES)
    return NewKey(f"qc_{prefix}_{secret}", prefix, digest(secret))


def digest(secret: str) -> bytes:
    """The stored digest of a secret. A secret has 256 random bits, so a slow hash would add nothing."""
    return hashlib.sha256(secret.encode()).digest()


class Keyring:
    """Finds the holder of a key.

    What the store answered is remembered for five seconds, so that a revoked key stops working within that time.
    """

    def __init__(
        self,
        find: Callable[[str], Awaitable[KeyRow | None]],
        clock: Callable[[], datetime],
        monotonic: Callable[[], float],
    ) -> None:
        self._find = find
        self._clock = clock
        self._monotonic = monotonic
        self._cached: dict[str, tuple[float, KeyRow, Principal]] = {}
        self._uses: dict[UUID, datetime] = {}
        self._looks: dict[str, asyncio.Task[Any]] = {}

    async def principal(self, key: str) -> Principal:
        """The holder of a key.

        Raises:
            NotAuthenticated: malformed, unknown, wrong, revoked or expired; which of them is not told.
        """
        match = _KEY.fullmatch(key)
        if match is None:
            raise NotAuthenticated
        known = await self._lookup(match["prefix"])
        # An unknown prefix is compared as well, so that the time taken does not tell which prefixes exist.
        stored_hash = known[0].secret_hash if known is not None else _NO_DIGEST
        is_right = hmac.compare_digest(digest(match["secret"]), stored_hash)
        now = self._clock()
        if known is None or not is_right or not _is_alive(known[0], now):
            raise NotAuthenticated
        # A token lives for minutes: the time of its last use is not worth a write.
        if known[0].client_id is None:
            self._uses[known[0].key_id] = now
        return known[1]

    def take_uses(self) -> dict[UUID, datetime]:
        """The last use of each key since the previous call."""
        uses, self._uses = self._uses, {}
        return uses

    def give_back(self, uses: dict[UUID, datetime]) -> None:
        """Tell these again at the next call, unless a key was used later than that: they could not be stored."""
        self._uses = uses | self._uses

    async def _lookup(self, prefix: str) -> tuple[KeyRow, Principal] | None:
        now = self._monotonic()
        cached = self._cached.get(prefix)
        if cached is not None and now - cached[0] < CACHED_SECONDS:
            if now - cached[0] >= LOOK_AGAIN_SECONDS and prefix not in self._looks:
                # In an empty context, so that this look is not bound by the deadline of a request.
                look = asyncio.get_running_loop().create_task(self._look(prefix), context=contextvars.Context())
                self._looks[prefix] = look
                look.add_done_callback(lambda done: self._looked(prefix, done))
            return cached[1], cached[2]
        self._cached.pop(prefix, None)
        return await self._look(prefix)

    def _looked(self, prefix: str, look: asyncio.Task[Any]) -> None:
        """End a look beside the requests.

        Its failure is not reported here: the remembered answer is used until its time is over, and then the store is asked
        again.
        """
        self._looks.pop(prefix, None)
        if not look.cancelled():
            look.exception()

    async def _look(self, prefix: str) -> tuple[KeyRow, Principal] | None:
        now = self._monotonic()
        stored = await self._find(prefix)
        if stored is None:
            self._cached.pop(prefix, None)
            return None
        actor = f"key:{stored.prefix}" if stored.client_id is None else f"client:{stored.client_id}"
        principal = Principal(stored.tenant_id, actor, parse_scopes(stored.scopes))
        # Random prefixes find nothing and are not kept, so only real keys fill this; clearing it costs one look for each.
        if len(self._cached) >= MOST_CACHED:
            self._cached.clear()
        self._cached[prefix] = (now, stored, principal)
        return stored, principal


def _is_alive(key: KeyRow, now: datetime) -> bool:
    return key.revoked_at is None and (key.expires_at is None or now < key.expires_at)


class _Minute:
    """The requests that a caller has left in one minute."""

    def __init__(self, number: int, left: int) -> None:
        self.number = number
        self.left = left
        self.is_spent = False
        self.lock = asyncio.Lock()


class Rates:
    """The rate limit of every key. ``a_minute`` is 0 where there is none."""

    def __init__(self, a_minute: int, lease: Lease | None = None, clock: Callable[[], float] = time.time) -> None:
        self._a_minute = a_minute
        self._lease = lease
        self._clock = clock
        self._minutes: dict[str, _Minute] = {}

    async def take(self, actor: str) -> None:
        """Count a request.

        Raises:
            TooOften: the minute's requests are used up.
        """
        if not self._a_minute:
            return
        minute = self._minute(actor)
        if minute.left < 1 and self._lease is not None and not minute.is_spent:
            async with minute.lock:
                # Looked at again: another request may have taken more while this one waited for the lock.
                if minute.left < 1 and not minute.is_spent:
                    await self._take_more(self._lease, actor, minute)
        if minute.left < 1:
            wait = max(1, math.ceil((minute.number + 1) * 60 - self._clock()))
            raise TooOften(f"This key may ask {self._a_minute} times a minute.", wait)
        minute.left -= 1

    async def _take_more(self, lease: Lease, actor: str, minute: _Minute) -> None:
        count = max(1, self._a_minute // LEASES_A_MINUTE)
        before = await lease(actor, minute.number, count) - count
        granted = max(0, min(count, self._a_minute - before))
        minute.left += granted
        minute.is_spent = granted < count

    def _minute(self, actor: str) -> _Minute:
        number = int(self._clock() // 60)
        found = self._minutes.get(actor)
        if found is None or found.number != number:
            # Only minutes that are over are dropped, so nobody gets a limit afresh.
            if len(self._minutes) >= MOST_KNOWN:
                self._minutes = {name: one for name, one in self._minutes.items() if one.number == number}
            found = self._minutes[actor] = _Minute(number, 0 if self._lease else self._a_minute)
        return found
