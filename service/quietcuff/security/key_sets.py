"""Public keys of others: JSON Web Key Sets, checked before use, and fetched from their addresses.

Source: RFC 7517 (key sets), RFC 7518 (algorithms), RFC 7638 (thumbprints).
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import urlsplit

import msgspec

from quietcuff.core.model.base64url import base64url
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.security.allowed_addresses import Allowances, Resolve, find_address, resolve_by_system

Key = dict[str, Any]
# The type and curve of the keys that may sign with each algorithm.
FITTING = {
    "RS256": ("RSA", None),
    "RS384": ("RSA", None),
    "RS512": ("RSA", None),
    "PS256": ("RSA", None),
    "PS384": ("RSA", None),
    "PS512": ("RSA", None),
    "ES256": ("EC", "P-256"),
    "ES384": ("EC", "P-384"),
    "ES512": ("EC", "P-521"),
}
PRIVATE_PARTS = frozenset({"d", "p", "q", "dp", "dq", "qi", "oth", "k"})
LEAST_RSA_BITS = 2048
MOST_KEYS = 100
LARGEST_SET_BYTES = 256 * 1024
FETCH_SECONDS = 5.0
KEPT_SECONDS = 300.0
LEAST_SECONDS_BETWEEN = 10.0
DEFAULT_PORTS = {"http": 80, "https": 443}
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


def read_key_set(document: bytes) -> list[Key]:
    """The keys of a set, as they stand in it.

    Raises:
        NotAcceptable: no key set, or one whose keys have no ``kid`` or ``kty``, hold private parts, or are too weak.
    """
    try:
        keys = msgspec.json.decode(document)["keys"]
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError, KeyError, TypeError) as error:
        raise unfit("not-a-key-set", 'A JSON Web Key Set: {"keys": [...]}.') from error
    if not isinstance(keys, list) or not 0 < len(keys) <= MOST_KEYS or not all(isinstance(key, dict) for key in keys):
        raise unfit("not-a-key-set", f"1 to {MOST_KEYS} keys, each an object.")
    for place, key in enumerate(keys):
        check_key(key, place)
    return keys


def check_key(key: Key, place: int) -> None:
    """Check that a key may stand in a public set.

    Raises:
        NotAcceptable: why it may not.
    """
    pointer = f"/keys/{place}"
    # Checked first: whoever sent a private key must learn that it is no longer private.
    if PRIVATE_PARTS & set(key):
        raise unfit("private-key", "Public keys only: this one holds private parts and should be replaced.", pointer)
    if not all(isinstance(key.get(name), str) and key[name] for name in ("kid", "kty")):
        raise unfit("missing", "Each key has a kid and a kty.", pointer)
    if key["kty"] not in ("RSA", "EC"):
        raise unfit("unfit-key", "RSA, or EC on the curve P-256, P-384 or P-521.", pointer)
    # Loaded with the first key that is read, for it brings cryptography along, which most commands do not need.
    from jwt.algorithms import ECAlgorithm, RSAAlgorithm
    from jwt.exceptions import PyJWTError

    try:
        public = (RSAAlgorithm if key["kty"] == "RSA" else ECAlgorithm).from_jwk(key)
    except (PyJWTError, ValueError, TypeError) as error:
        raise unfit("unfit-key", "A whole RSA or EC public key.", pointer) from error
    if key["kty"] == "RSA" and public.key_size < LEAST_RSA_BITS:
        raise unfit("unfit-key", f"RSA keys have at least {LEAST_RSA_BITS} bits.", pointer)


def unfit(code: str, detail: str, pointer: str = "") -> NotAcceptable:
    return NotAcceptable.of(pointer=pointer, code=code, detail=detail)


def key_set_of_pem(text: bytes) -> bytes:
    """The key set of one public key in PEM. Its ``kid`` is the thumbprint of RFC 7638, which clients with a PEM use.

    Raises:
        NotAcceptable: not a public RSA or EC key in PEM.
    """
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePublicKey
    from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key
    from jwt.algorithms import ECAlgorithm, RSAAlgorithm

    try:
        public = load_pem_public_key(text)
    except ValueError as error:
        raise unfit("not-a-key", "A public key in PEM: -----BEGIN PUBLIC KEY-----.") from error
    if isinstance(public, RSAPublicKey):
        key: Key = RSAAlgorithm.to_jwk(public, as_dict=True)
    elif isinstance(public, EllipticCurvePublicKey):
        key = ECAlgorithm.to_jwk(public, as_dict=True)
    else:
        raise unfit("unfit-key", "RSA, or EC on the curve P-256, P-384 or P-521.")
    # PyJWT adds this, and it is no part of what the client's key is.
    key.pop("key_ops", None)
    document = msgspec.json.encode({"keys": [{**key, "kid": thumbprint(key)}]})
    read_key_set(document)
    return document


def thumbprint(key: Key) -> str:
    """The standard name of a key, computed alike by everybody. Source: RFC 7638, 3; its example is a test."""
    required = ("e", "kty", "n") if key["kty"] == "RSA" else ("crv", "kty", "x", "y")
    canonical = json.dumps({name: key[name] for name in required}, separators=(",", ":"), sort_keys=True)
    return base64url(hashlib.sha256(canonical.encode()).digest())


def choose_key(keys: list[Key], kid: str | None, algorithm: str) -> Key | None:
    """The one key of that name that may sign with the algorithm; None where there is none, or more than one.

    Source: SMART App Launch 2.2, asymmetric authentication, "signature verification".
    """
    kind, curve = FITTING[algorithm]
    found = [
        key
        for key in keys
        if key["kid"] == kid
        and key["kty"] == kind
        and key.get("crv") == curve
        and key.get("alg", algorithm) == algorithm
        and key.get("use", "sig") == "sig"
    ]
    return found[0] if len(found) == 1 else None


def check_key_set_url(text: str) -> str:
    """The address of a key set: https, or http on this machine only.

    Raises:
        NotAcceptable: any other address.
    """
    parts = urlsplit(text)
    is_own = parts.scheme == "http" and parts.hostname in LOOPBACK
    if not parts.hostname or parts.username or parts.fragment or not (parts.scheme == "https" or is_own):
        fault = Fault(parameter="key-set-url", code="bad-address", detail="An https address without user or fragment.")
        raise NotAcceptable([fault])
    return text


class Fetcher:
    """Fetches key sets from public addresses, from this machine where the URL names it, and from allowed ones."""

    def __init__(self, allowed: Allowances, resolve: Resolve = resolve_by_system) -> None:
        self._allowed = allowed
        self._resolve = resolve

    async def __call__(self, url: str) -> bytes:
        """The bytes at an address, fetched within five seconds and without following redirects.

        Raises:
            OSError: not allowed, not reachable, not 200, or far too long.
        """
        # Imported where it is used: a service without such clients need not load it.
        import httpx

        try:
            async with asyncio.timeout(FETCH_SECONDS):
                return await self._read(httpx.URL(url))
        except (httpx.HTTPError, httpx.InvalidURL, UnicodeError) as error:
            raise ConnectionError("the key set cannot be reached") from error

    async def _read(self, url: Any) -> bytes:
        import httpx

        host = url.raw_host.decode("ascii").rstrip(".")
        address = await self._address(host, url.port or DEFAULT_PORTS[url.scheme])
        # The connection goes to the checked address, but the certificate must still be that of the name.
        extensions = {"sni_hostname": host} if url.scheme == "https" else {}
        headers = {"Accept": "application/json", "Accept-Encoding": "identity", "Host": url.netloc.decode("ascii")}
        body = b""
        async with (
            httpx.AsyncClient(timeout=FETCH_SECONDS, trust_env=False, follow_redirects=False) as client,
            client.stream("GET", url.copy_with(host=address), headers=headers, extensions=extensions) as answer,
        ):
            async for part in answer.aiter_bytes():
                body += part
                # Left at once, so that a host that sends without end cannot fill the memory.
                if answer.status_code != 200 or len(body) > LARGEST_SET_BYTES:
                    break
        if answer.status_code != 200 or len(body) > LARGEST_SET_BYTES:
            raise ConnectionError("the key set cannot be had")
        return body

    async def _address(self, host: str, port: int) -> str:
        found = host if host in LOOPBACK else await find_address(host, port, self._allowed, self._resolve)
        if found is None:
            raise PermissionError("the key set stands at an address that is not public")
        return found


class KeySets:
    """Key sets by address, kept for five minutes, and fetched again when a key that they do not hold is asked for.

    A set that can no longer be fetched is used as it was last seen, so that its owner's outage is not ours.
    """

    def __init__(self, monotonic: Callable[[], float], fetch: Callable[[str], Awaitable[bytes]]) -> None:
        self._monotonic = monotonic
        self._fetch = fetch
        self._known: dict[str, tuple[float, list[Key]]] = {}
        self._looking: dict[str, asyncio.Task[list[Key]]] = {}

    async def key(self, url: str, kid: str | None, algorithm: str) -> Key | None:
        """The key of that name that may sign with the algorithm; None where the set lacks it or cannot be fetched."""
        fetched_at, keys = self._known.get(url, (float("-inf"), []))
        age = self._monotonic() - fetched_at
        found = choose_key(keys, kid, algorithm)
        if age >= KEPT_SECONDS or (found is None and age >= LEAST_SECONDS_BETWEEN):
            keys = await self._look_together(url, keys)
            found = choose_key(keys, kid, algorithm)
        return found

    async def _look_together(self, url: str, keys: list[Key]) -> list[Key]:
        """Fetch once for all who wait for the same set. A caller who goes away leaves the fetch to the others."""
        looking = self._looking.get(url)
        if looking is None:
            looking = self._looking[url] = asyncio.create_task(self._look_again(url, keys))
            looking.add_done_callback(lambda _: self._looking.pop(url, None))
        return await asyncio.shield(looking)

    async def _look_again(self, url: str, keys: list[Key]) -> list[Key]:
        with contextlib.suppress(OSError, NotAcceptable):
            keys = read_key_set(await self._fetch(url))
        # Noted even where it failed, or every bad token would make us fetch again.
        self._known[url] = self._monotonic(), keys
        return keys
