"""API keys: made once, known by their digest, dead within seconds of being revoked."""

from __future__ import annotations

import asyncio
import re
from datetime import UTC, datetime, timedelta
from uuid import UUID

import msgspec
import pytest

from quietcuff.core.model.errors import NotAuthenticated
from quietcuff.security.api_keys import CACHED_SECONDS, LOOK_AGAIN_SECONDS, Keyring, NewKey, digest, make_key
from quietcuff.storage.rows.api_keys import KeyRow

NOW = datetime(2026, 5, 4, 7, 0, tzinfo=UTC)


def stored(key: NewKey) -> KeyRow:
    return KeyRow(UUID(int=7), key.prefix, 3, key.secret_hash, "ward 3", "system/*.rs", NOW)


class Store:
    """The keys of a test, with a count of how often they were asked for."""

    def __init__(self, *keys: KeyRow) -> None:
        self.keys = {key.prefix: key for key in keys}
        self.asked = 0
        self.seconds = 0.0

    async def find(self, prefix: str) -> KeyRow | None:
        self.asked += 1
        return self.keys.get(prefix)

    def ring(self) -> Keyring:
        return Keyring(self.find, lambda: NOW + timedelta(seconds=self.seconds), lambda: self.seconds)


def refused(ring: Keyring, text: str) -> bool:
    try:
        asyncio.run(ring.principal(text))
    except NotAuthenticated:
        return True
    return False


def test_a_key_has_a_prefix_a_secret_and_only_a_digest_to_store() -> None:
    key = make_key()
    match = re.fullmatch(r"qc_([a-z0-9]{8})_([A-Za-z0-9_-]{43})", key.text)
    assert match and match[1] == key.prefix and digest(match[2]) == key.secret_hash
    assert match[2].encode() not in key.secret_hash


def test_two_keys_are_never_the_same() -> None:
    assert len({make_key().text for _ in range(200)}) == 200


def test_a_good_key_tells_tenant_and_scopes() -> None:
    key = make_key()
    principal = asyncio.run(Store(stored(key)).ring().principal(key.text))
    assert (principal.tenant_id, principal.actor) == (3, f"key:{key.prefix}")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "qc_",
        "qc_abcdefgh_short",
        "Bearer x",
        "qc_ABCDEFGH_" + "a" * 43,
        "qc_abcdefgh_" + "a" * 44,
        "qc_abcdefgh_" + "é" * 43,
    ],
)
def test_a_malformed_key_is_refused_without_asking_the_store(text: str) -> None:
    store = Store()
    assert refused(store.ring(), text) and store.asked == 0


def test_unknown_wrong_revoked_and_expired_keys_are_refused_alike() -> None:
    key, other = make_key(), make_key()
    swapped = f"qc_{key.prefix}_{other.text[12:]}"
    revoked = msgspec.structs.replace(stored(key), revoked_at=NOW)
    expired = msgspec.structs.replace(stored(key), expires_at=NOW)
    assert refused(Store().ring(), key.text)
    assert refused(Store(stored(key)).ring(), swapped)
    assert refused(Store(revoked).ring(), key.text)
    assert refused(Store(expired).ring(), key.text)


def test_the_store_is_asked_once_in_five_seconds_and_a_revoked_key_dies_within_them() -> None:
    key = make_key()
    store = Store(stored(key))
    ring = store.ring()
    asyncio.run(ring.principal(key.text))
    store.keys[key.prefix] = msgspec.structs.replace(stored(key), revoked_at=NOW)
    store.seconds = LOOK_AGAIN_SECONDS - 0.1
    asyncio.run(ring.principal(key.text))
    assert store.asked == 1
    store.seconds = CACHED_SECONDS
    assert refused(ring, key.text) and store.asked == 2


async def test_nobody_waits_for_the_look_at_a_key_that_is_in_use() -> None:
    key, gate = make_key(), asyncio.Event()
    store = Store(stored(key))

    async def find(prefix: str) -> KeyRow | None:
        await gate.wait()
        return await store.find(prefix)

    ring = store.ring()
    await ring.principal(key.text)
    ring._find = find
    store.keys[key.prefix] = msgspec.structs.replace(stored(key), revoked_at=NOW)
    store.seconds = LOOK_AGAIN_SECONDS
    for _ in range(50):
        await ring.principal(key.text)
    gate.set()
    for _ in range(5):
        await asyncio.sleep(0)
    assert store.asked == 2
    with pytest.raises(NotAuthenticated):
        await ring.principal(key.text)


def test_a_key_expires_by_the_clock_even_while_it_is_remembered() -> None:
    key = make_key()
    store = Store(msgspec.structs.replace(stored(key), expires_at=NOW + timedelta(seconds=2)))
    ring = store.ring()
    asyncio.run(ring.principal(key.text))
    store.seconds = 2
    assert refused(ring, key.text) and store.asked == 1


def test_the_last_use_of_each_key_is_told_once() -> None:
    key = make_key()
    store = Store(stored(key))
    ring = store.ring()
    asyncio.run(ring.principal(key.text))
    store.seconds = 3
    asyncio.run(ring.principal(key.text))
    assert refused(ring, f"qc_{key.prefix}_{make_key().text[12:]}")
    assert ring.take_uses() == {UUID(int=7): NOW + timedelta(seconds=3)}
    assert ring.take_uses() == {}


def test_uses_that_could_not_be_stored_are_told_again_unless_there_are_later_ones() -> None:
    key, other = make_key(), UUID(int=8)
    store = Store(stored(key))
    ring = store.ring()
    asyncio.run(ring.principal(key.text))
    uses = ring.take_uses()
    store.seconds = 3
    asyncio.run(ring.principal(key.text))
    ring.give_back(uses | {other: NOW})
    assert ring.take_uses() == {UUID(int=7): NOW + timedelta(seconds=3), other: NOW}


def test_keys_nobody_has_are_not_remembered() -> None:
    key = make_key()
    store = Store()
    ring = store.ring()
    assert refused(ring, key.text)
    store.keys[key.prefix] = stored(key)
    assert not refused(ring, key.text)
