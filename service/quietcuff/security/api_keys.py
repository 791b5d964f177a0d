"""API keys: ``qc_<8>_<43>``, a prefix to look up by and a secret of which only the digest is stored."""

from __future__ import annotations

import asyncio
import contextvars
import hashlib
import hmac
import re
import secrets
import string
from collections.abc import Awaitable, Callable
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.core.model.errors import NotAuthenticated
from quietcuff.security.scopes import Scopes, parse_scopes
from quietcuff.storage.rows.api_keys import KeyRow

PREFIX_LENGTH = 8
SECRET_BYTES = 32
CACHED_SECONDS = 5.0
# From here on a look is taken beside the requests, so that under a flood nobody waits for one behind the others' work.
LOOK_AGAIN_SECONDS = 2.5
MOST_CACHED = 10_000

_KEY = re.compile(r"qc_(?P<prefix>[a-z0-9]{8})_(?P<secret>[A-Za-z0-9_-]{43})", re.ASCII)
_NO_DIGEST = bytes(32)


class Principal(msgspec.Struct, frozen=True):
    """Who asks: the tenant, the name under which the trail keeps what was done, and what may be done."""

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
    """What is stored of a secret. It has 256 random bits, so that a slow hash would add nothing."""
    return hashlib.sha256(secret.encode()).digest()


class Keyring:
    """Tells who holds a key; remembers what the store said for five seconds, so that a revoked key dies within them."""

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
        """Who holds the key.

        Raises:
            NotAuthenticated: malformed, unknown, wrong, revoked or expired; which of them is not told.
        """
        match = _KEY.fullmatch(key)
        if match is None:
            raise NotAuthenticated
        known = await self._lookup(match["prefix"])
        stored_hash = known[0].secret_hash if known is not None else _NO_DIGEST
        is_right = hmac.compare_digest(digest(match["secret"]), stored_hash)
        now = self._clock()
        if known is None or not is_right or not _is_alive(known[0], now):
            raise NotAuthenticated
        if known[0].client_id is None:
            self._uses[known[0].key_id] = now
        return known[1]

    def take_uses(self) -> dict[UUID, datetime]:
        """When each key was last used since this was last asked."""
        uses, self._uses = self._uses, {}
        return uses

    async def _lookup(self, prefix: str) -> tuple[KeyRow, Principal] | None:
        now = self._monotonic()
        cached = self._cached.get(prefix)
        if cached is not None and now - cached[0] < CACHED_SECONDS:
            if now - cached[0] >= LOOK_AGAIN_SECONDS and prefix not in self._looks:
                # In no request's context: the look is not bound by a deadline of one.
                look = asyncio.get_running_loop().create_task(self._look(prefix), context=contextvars.Context())
                self._looks[prefix] = look
                look.add_done_callback(lambda done: self._looked(prefix, done))
            return cached[1], cached[2]
        self._cached.pop(prefix, None)
        return await self._look(prefix)

    def _looked(self, prefix: str, look: asyncio.Task[Any]) -> None:
        """Whether it failed is not told here: what is remembered is then used until its time is over, and asked for again."""
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
        if len(self._cached) >= MOST_CACHED:
            self._cached.clear()
        self._cached[prefix] = (now, stored, principal)
        return stored, principal


def _is_alive(key: KeyRow, now: datetime) -> bool:
    return key.revoked_at is None and (key.expires_at is None or now < key.expires_at)
