"""Tokens for clients that prove their identity with a signed assertion, as SMART Backend Services describes.

A token is a key of this service that lives for five minutes and carries the granted scopes.

Source: SMART App Launch 2.2, backend services and asymmetric authentication; RFC 6749, 7521, 7523.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import parse_qsl, unquote_plus
from uuid import UUID, uuid4

import msgspec

from quietcuff.core.model.errors import TokenRefused
from quietcuff.security.api_keys import make_key
from quietcuff.security.key_sets import FITTING, Key, KeySets, choose_key, read_key_set
from quietcuff.security.scopes import grant
from quietcuff.security.signed import BRINGS_ITS_OWN, DATES, LONGEST, has_plain_dates, read_parts
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.api_keys import KeyRow, delete_old_tokens, insert_key
from quietcuff.storage.rows.clients import ClientRow, delete_old_uses, find_client, use_assertion

TOKEN_PATH = "/oauth2/token"  # noqa: S105
ALGORITHMS = ("RS384", "ES384")
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
TOKEN_SECONDS = 300
LONGEST_ASSERTION_SECONDS = 300
LEEWAY_SECONDS = 5
LONGEST_NAME = 255
FIELDS = frozenset(("grant_type", "scope", "client_assertion_type", "client_assertion", "client_id", "client_secret"))
# Source: RFC 6749, 3.3; spaces at the ends and further ones between do no harm.
SCOPE_TEXT = re.compile(r"[\x20\x21\x23-\x5b\x5d-\x7e]+", re.ASCII)
REQUIRED = ("iss", "sub", "aud", "exp", "jti")


class TokenRequest(msgspec.Struct, frozen=True):
    """A request for a token, read from its form. ``client_id`` is None where only the assertion names the client."""

    assertion: str
    scope: str
    client_id: str | None = None


class Token(msgspec.Struct, frozen=True, kw_only=True):
    """A token as it is answered. Source: RFC 6749, 5.1."""

    access_token: str
    token_type: str = "bearer"  # noqa: S105
    expires_in: int
    scope: str


class Assertion(msgspec.Struct, frozen=True):
    """The content of an assertion that has been proved."""

    client: ClientRow
    jti: str
    expires_at: datetime


def read_form(body: bytes) -> TokenRequest:
    """The request for a token in a form.

    Raises:
        TokenRefused: ``invalid_request`` or ``unsupported_grant_type``.
    """
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=20)
    except ValueError as error:
        raise TokenRefused("invalid_request", "The form cannot be read: percent-encoded UTF-8, at most 20 fields.") from error
    form = dict(pairs)
    if len(form) != len(pairs):
        raise TokenRefused("invalid_request", "Each field once.")
    if not form.get("grant_type"):
        raise TokenRefused("invalid_request", "grant_type is missing: client_credentials.")
    if form["grant_type"] != "client_credentials":
        raise TokenRefused("unsupported_grant_type", "Accepted: client_credentials.")
    if form.get("client_assertion_type") != ASSERTION_TYPE:
        raise TokenRefused("invalid_request", f"client_assertion_type is {ASSERTION_TYPE}.")
    for name in ("client_assertion", "scope"):
        if not form.get(name, "").strip():
            raise TokenRefused("invalid_request", f"{name} is missing.")
    if form.get("client_secret"):
        raise doubled()
    if not SCOPE_TEXT.fullmatch(form["scope"]):
        raise TokenRefused("invalid_scope", "Scopes with one space between, such as system/Observation.rs.")
    return TokenRequest(form["client_assertion"], form["scope"], form.get("client_id") or None)


def check_outside_form(schemes: Iterable[str], query: bytes) -> None:
    """Refuse credentials sent beside those of the form. A bearer token does not count: it is not a client's proof.

    Raises:
        TokenRefused: ``invalid_request``: Authorization has another scheme, or the address holds a field of the form.
    """
    if any(scheme.lower() != "bearer" for scheme in schemes):
        raise doubled()
    named = {unquote_plus(part.partition(b"=")[0].decode("latin-1")) for part in query.split(b"&")}
    if named & FIELDS:
        raise TokenRefused("invalid_request", "The fields stand in the body, none in the address.")


def doubled() -> TokenRefused:
    """The refusal of more than one proof of a client's identity. Source: RFC 6749, 2.3 and 5.2."""
    return TokenRefused("invalid_request", "One proof of who the client is: the assertion, and no other credentials.")


class TokenIssuer:
    """Issues tokens. ``token_url`` is the audience of every assertion."""

    def __init__(self, store: Store, key_sets: KeySets, clock: Callable[[], datetime], token_url: str) -> None:
        self._store = store
        self._key_sets = key_sets
        self._clock = clock
        self._token_url = token_url

    async def give(self, body: bytes) -> Token:
        """The token that a form asks for.

        Raises:
            TokenRefused: why there is none, in OAuth's words.
        """
        asked = read_form(body)
        proved = await self._prove(asked.assertion)
        if asked.client_id not in (None, str(proved.client.client_id)):
            raise unproved("client_id is that of the assertion, or left out.")
        granted = " ".join(grant(asked.scope, proved.client.scopes))
        if not granted:
            raise TokenRefused("invalid_scope", "None of these scopes is this client's.")
        key, now = make_key(), self._clock()
        row = KeyRow(
            key_id=uuid4(),
            prefix=key.prefix,
            tenant_id=proved.client.tenant_id,
            secret_hash=key.secret_hash,
            name=proved.client.name,
            scopes=granted,
            created_at=now,
            expires_at=now + timedelta(seconds=TOKEN_SECONDS),
            client_id=proved.client.client_id,
        )

        def keep(transaction: Transaction) -> bool:
            # A digest has one length whatever the client sends, and a lone surrogate in a jti cannot be encoded otherwise.
            used = hashlib.sha256(proved.jti.encode("utf-8", "surrogatepass")).digest()
            # Token and use are one commit: two requests with one assertion can never both get a token.
            is_new = use_assertion(transaction, proved.client.client_id, used, proved.expires_at)
            if is_new:
                insert_key(transaction, row)
            return is_new

        if not await self._store.write(NO_TENANT, keep):
            raise unproved("This assertion was used before: each has a jti of its own.")
        return Token(access_token=key.text, expires_in=TOKEN_SECONDS, scope=granted)

    async def forget_old(self) -> None:
        """Delete expired tokens, and used assertions that would be refused for their age anyway."""
        # With more than the leeway to spare, so that no assertion is forgotten while it could still be accepted.
        before = self._clock() - timedelta(seconds=2 * LEEWAY_SECONDS)

        def forget(transaction: Transaction) -> None:
            delete_old_tokens(transaction, before)
            delete_old_uses(transaction, before)

        await self._store.write(NO_TENANT, forget)

    async def _prove(self, assertion: str) -> Assertion:
        """Check an assertion against the client's key, and against the rules for every assertion.

        Raises:
            TokenRefused: ``invalid_client``.
        """
        import jwt

        header, claims = peek(assertion)
        client = await self._client(claims.get("iss"))
        key = await self._key(client, header)
        try:
            proved = jwt.decode(
                assertion,
                key=jwt.PyJWK.from_dict(key, header["alg"]),
                algorithms=[header["alg"]],
                audience=self._token_url,
                issuer=str(client.client_id),
                subject=str(client.client_id),
                leeway=LEEWAY_SECONDS,
                options={"require": list(REQUIRED)},
            )
        except (jwt.exceptions.PyJWTError, ValueError, TypeError, OverflowError) as error:
            raise unproved(why(error)) from error
        return Assertion(client, jti_of(proved), self._end_of(proved))

    async def _client(self, named: Any) -> ClientRow:
        client_id = _id_of(named)
        found = None
        if client_id is not None:
            found = await self._store.read(NO_TENANT, lambda snapshot: find_client(snapshot, client_id))
        if found is None or found.revoked_at is not None:
            raise unproved("iss and sub are the id of a client that is registered here and not revoked.")
        return found

    async def _key(self, client: ClientRow, header: dict[str, Any]) -> Key:
        # SMART: a jku must be the registered address, or the token would choose whose keys prove it.
        if "jku" in header and header["jku"] != client.key_set_url:
            raise unproved("jku is the address that was registered, or left out.")
        if client.key_set_url is not None:
            found = await self._key_sets.key(client.key_set_url, header.get("kid"), header["alg"])
        else:
            found = choose_key(read_key_set(client.key_set or b""), header.get("kid"), header["alg"])
        if found is None:
            raise unproved("kid names exactly one registered key that fits alg.")
        return found

    def _end_of(self, claims: dict[str, Any]) -> datetime:
        """The end of an assertion, with the tolerance for clocks that differ."""
        latest, end = self._clock().timestamp() + LONGEST_ASSERTION_SECONDS + LEEWAY_SECONDS, claims["exp"]
        # Whole numbers of any length can be compared as they are; arithmetic would turn them into floats and may overflow.
        if type(end) not in (int, float) or not end <= latest:
            raise unproved(f"exp is a number of seconds since 1970, at most {LONGEST_ASSERTION_SECONDS} ahead.")
        return datetime.fromtimestamp(float(end), UTC) + timedelta(seconds=LEEWAY_SECONDS)


def peek(assertion: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """The header and claims of an assertion, of which only the form is checked yet.

    Raises:
        TokenRefused: ``invalid_client``: no JSON Web Token, or none of a kind that is accepted.
    """
    if len(assertion) > LONGEST:
        raise unproved(f"An assertion has at most {LONGEST} characters.")
    try:
        header, claims = read_parts(assertion)
    except ValueError as error:
        raise unproved("client_assertion is a signed JSON Web Token, each name in it once.") from error
    if header.get("alg") not in ALGORITHMS or header["alg"] not in FITTING:
        raise unproved(f"alg is {' or '.join(ALGORITHMS)}.")
    if "typ" in header and str(header["typ"]).upper() != "JWT":
        raise unproved("typ is JWT.")
    if not BRINGS_ITS_OWN.isdisjoint(header):
        raise unproved("The header names a registered key, and brings neither a key nor an extension of its own.")
    if not has_plain_dates(claims):
        raise unproved(f"{', '.join(DATES)} are numbers of seconds since 1970.")
    return header, claims


def jti_of(claims: dict[str, Any]) -> str:
    """The assertion's own id.

    Raises:
        TokenRefused: ``invalid_client``: empty, or too long.
    """
    jti = claims["jti"]
    if not isinstance(jti, str) or not 0 < len(jti) <= LONGEST_NAME:
        raise unproved(f"jti is text of 1 to {LONGEST_NAME} characters.")
    return jti


def _id_of(named: Any) -> UUID | None:
    try:
        found = UUID(named) if isinstance(named, str) else None
    except ValueError:
        return None
    return found if found is not None and str(found) == named else None


def unproved(detail: str) -> TokenRefused:
    return TokenRefused("invalid_client", detail)


def why(error: Exception) -> str:
    """The fault of an assertion, in words that do not quote it."""
    import jwt

    match error:
        case jwt.exceptions.ExpiredSignatureError():
            return "The assertion has expired."
        case jwt.exceptions.ImmatureSignatureError():
            return "The assertion is not valid yet, or was issued in the future."
        case jwt.exceptions.InvalidAudienceError():
            return "aud is the address of this token route."
        case jwt.exceptions.InvalidIssuerError() | jwt.exceptions.InvalidSubjectError():
            return "iss and sub are both the client's id."
        case jwt.exceptions.MissingRequiredClaimError():
            return f"An assertion says {', '.join(REQUIRED)}."
        case jwt.exceptions.InvalidSignatureError():
            return "The signature does not fit the registered key."
    return "The assertion does not hold."
