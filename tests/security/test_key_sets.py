"""Key sets: what may stand in one, which key of it signs, and when one at an address is looked at again."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest
from jwcrypto.jwk import JWK

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.security.allowed_addresses import read_allowances
from quietcuff.security.key_sets import (
    KEPT_SECONDS,
    LEAST_SECONDS_BETWEEN,
    Fetcher,
    KeySets,
    check_key_set_url,
    choose_key,
    key_set_of_pem,
    read_key_set,
    thumbprint,
)

RSA_KEY = JWK.generate(kty="RSA", size=2048)
EC_KEY = JWK.generate(kty="EC", crv="P-384")


def public(key: JWK, **more: Any) -> dict[str, Any]:
    return {**key.export_public(as_dict=True), **more}


def test_the_thumbprint_is_that_of_the_standard() -> None:
    """Source: RFC 7638, section 3.1, its example key and digest."""
    key = {
        "kty": "RSA",
        "n": "0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_BJECPebWKRXjBZCiFV4n3oknjh"
        "Mstn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgnYb9c7d0zgdAZHzu6qMQvRL5hajrn1n91"
        "CbOpbISD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls1jF44-csFCur-kEgU8awapJzKnqDKgw",
        "e": "AQAB",
        "alg": "RS256",
        "kid": "2011-04-29",
    }
    assert thumbprint(key) == "NzbLsXh8uDCcd-6MNwXF4W_7noWXFZAfHkxZsRGC9Xs"


@pytest.mark.parametrize("key", [RSA_KEY, EC_KEY], ids=["RSA", "EC"])
def test_a_public_key_in_pem_is_named_by_its_thumbprint(key: JWK) -> None:
    (made,) = read_key_set(key_set_of_pem(key.export_to_pem()))
    assert made["kid"] == key.thumbprint() == thumbprint(public(key))


@pytest.mark.parametrize(
    "text",
    [b"", b"-----BEGIN PUBLIC KEY-----", RSA_KEY.export_to_pem(private_key=True, password=None)],
    ids=["nothing", "half", "private"],
)
def test_what_is_no_public_key_in_pem_is_refused(text: bytes) -> None:
    with pytest.raises(NotAcceptable):
        key_set_of_pem(text)


@pytest.mark.parametrize(
    ("document", "code"),
    [
        (b"", "not-a-key-set"),
        (b"\xff", "not-a-key-set"),
        (b"[]", "not-a-key-set"),
        (b'{"keys": []}', "not-a-key-set"),
        (b'{"keys": [1]}', "not-a-key-set"),
        (b"[" * 5000, "not-a-key-set"),
        (b'{"keys": [{"kty": "RSA"}]}', "missing"),
        (b'{"keys": [{"kid": "a", "kty": "oct"}]}', "unfit-key"),
        (b'{"keys": [{"kid": "a", "kty": "oct", "k": "c2VjcmV0"}]}', "private-key"),
        (b'{"keys": [{"kid": "a", "kty": "RSA", "n": "!", "e": "AQAB"}]}', "unfit-key"),
        (b'{"keys": [{"kid": "a", "kty": "EC", "crv": "P-384", "x": "AA", "y": "AA"}]}', "unfit-key"),
        (json.dumps({"keys": [{**json.loads(RSA_KEY.export_private()), "kid": "a"}]}).encode(), "private-key"),
        (json.dumps({"keys": [public(JWK.generate(kty="RSA", size=1024), kid="a")]}).encode(), "unfit-key"),
    ],
    ids=[f"{place}" for place in range(13)],
)
def test_what_may_not_stand_in_a_key_set_is_refused(document: bytes, code: str) -> None:
    with pytest.raises(NotAcceptable) as caught:
        read_key_set(document)
    assert [fault.code for fault in caught.value.faults] == [code]


def test_exactly_one_key_of_a_name_that_fits_the_algorithm_signs() -> None:
    rsa, ec = public(RSA_KEY, kid="a"), public(EC_KEY, kid="a")
    assert choose_key([rsa, ec], "a", "RS384") == rsa and choose_key([rsa, ec], "a", "ES384") == ec
    assert choose_key([rsa, rsa], "a", "RS384") is None
    assert choose_key([rsa], "b", "RS384") is None and choose_key([rsa], None, "RS384") is None
    assert choose_key([{**rsa, "use": "enc"}], "a", "RS384") is None
    assert choose_key([{**rsa, "alg": "RS256"}], "a", "RS384") is None
    assert choose_key([public(JWK.generate(kty="EC", crv="P-256"), kid="a")], "a", "ES384") is None


@pytest.mark.parametrize("text", ["https://keys.example.org/set.json", "http://127.0.0.1:8000/set"])
def test_a_key_set_stands_behind_tls_or_on_this_machine(text: str) -> None:
    assert check_key_set_url(text) == text


@pytest.mark.parametrize(
    "text",
    ["", "keys.example.org", "http://keys.example.org/", "ftp://a/b", "https://u:p@a/", "https://a/#b", "file:///etc/passwd"],
)
def test_other_addresses_of_key_sets_are_refused(text: str) -> None:
    with pytest.raises(NotAcceptable):
        check_key_set_url(text)


class Address:
    """A key set at an address, with a clock and a count of looks at it."""

    def __init__(self) -> None:
        self.keys: list[dict[str, Any]] = []
        self.looks = 0
        self.seconds = 1000.0
        self.sets = KeySets(lambda: self.seconds, self.fetch)

    async def fetch(self, url: str) -> bytes:
        self.looks += 1
        if not self.keys:
            raise ConnectionError
        return json.dumps({"keys": self.keys}).encode()

    def has(self, kid: str) -> bool:
        return asyncio.run(self.sets.key("https://keys.example.org", kid, "RS384")) is not None


def test_a_new_key_is_seen_at_once_and_bad_names_do_not_make_us_ask_each_time() -> None:
    address = Address()
    address.keys = [public(RSA_KEY, kid="old")]
    assert address.has("old") and address.has("old") and address.looks == 1
    address.keys = [public(RSA_KEY, kid="new")]
    address.seconds += LEAST_SECONDS_BETWEEN
    assert address.has("new") and address.looks == 2
    assert not any(address.has("unknown") for _ in range(5)) and address.looks == 2
    assert not address.has("old")


async def test_many_who_wait_for_a_key_set_share_one_look_at_it() -> None:
    looks = []

    async def fetch(url: str) -> bytes:
        looks.append(url)
        await asyncio.sleep(0.05)
        return json.dumps({"keys": [public(RSA_KEY, kid="a")]}).encode()

    sets = KeySets(lambda: 1000.0, fetch)
    waiting = [asyncio.create_task(sets.key("https://keys.example.org", "a", "RS384")) for _ in range(100)]
    await asyncio.sleep(0.01)
    waiting[0].cancel()
    found = await asyncio.gather(*waiting[1:])
    assert all(found) and len(looks) == 1


@pytest.mark.parametrize("address", ["10.0.0.1", "169.254.169.254", "192.0.0.9", "fd00::1", "127.0.0.1"])
async def test_a_key_set_is_not_fetched_from_a_private_address(address: str) -> None:
    async def resolve(host: str, port: int) -> list[str]:
        return [address]

    fetcher = Fetcher(read_allowances([]), resolve)
    for url in ("https://keys.example.org/set", f"https://[{address}]/set" if ":" in address else f"https://{address}/set"):
        if "127.0.0.1" not in url:
            with pytest.raises(PermissionError):
                await fetcher(url)


async def test_a_key_set_is_fetched_from_a_private_address_that_was_named() -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        asked.append(await reader.readuntil(b"\r\n\r\n"))
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{}")
        await writer.drain()
        writer.close()

    async def resolve(host: str, port: int) -> list[str]:
        return ["127.0.0.1"]

    asked: list[bytes] = []
    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    url = f"http://keys.internal:{server.sockets[0].getsockname()[1]}/set"
    for named in ("keys.internal", "127.0.0.0/8"):
        assert await Fetcher(read_allowances([named]), resolve)(url) == b"{}"
    assert b"keys.internal" in asked[0]
    with pytest.raises(PermissionError):
        await Fetcher(read_allowances(["other.internal"]), resolve)(url)
    server.close()


def test_a_key_that_was_taken_out_is_gone_after_minutes_and_an_outage_is_lived_through() -> None:
    address = Address()
    address.keys = [public(RSA_KEY, kid="old")]
    assert address.has("old")
    address.keys, address.seconds = [public(RSA_KEY, kid="new")], address.seconds + KEPT_SECONDS
    assert not address.has("old") and address.has("new")
    address.keys, address.seconds = [], address.seconds + KEPT_SECONDS
    assert address.has("new") and not address.has("old")
