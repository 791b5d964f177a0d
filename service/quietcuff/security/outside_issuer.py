"""Tokens of an issuer outside this service, such as a hospital's own authorization server.

The issuer, the audience of its tokens, the address of its keys and the tenant that its tokens open are settings.

Source: RFC 9068, and RFC 7519 where it is silent.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from typing import Any, TypeGuard

import msgspec

from quietcuff.core.model.errors import NotAuthenticated
from quietcuff.security.api_keys import Principal
from quietcuff.security.key_sets import FITTING, KeySets
from quietcuff.security.scopes import read_scope, scopes_of
from quietcuff.security.signed import BRINGS_ITS_OWN, has_plain_dates, read_parts

LEEWAY_SECONDS = 5
KINDS = frozenset({"JWT", "AT+JWT", "APPLICATION/AT+JWT"})
_UNFIT = re.compile(r"[^\x21-\x7e]")


class Issuer(msgspec.Struct, frozen=True, kw_only=True):
    """An outside issuer. Its tokens open the tenant of a fixed name, or the tenant that one of their claims names."""

    name: str
    audience: str
    key_set_url: str
    tenant: str | None = None
    tenant_claim: str | None = None


class OutsideTokens:
    """Finds the holder of an outside issuer's token. ``find_tenant`` gives a tenant's number by its name."""

    def __init__(self, issuer: Issuer, key_sets: KeySets, find_tenant: Callable[[str], Awaitable[int | None]]) -> None:
        self._issuer = issuer
        self._key_sets = key_sets
        self._find_tenant = find_tenant

    async def principal(self, token: str) -> Principal:
        """The holder of a token, with those of its scopes that this service knows.

        Raises:
            NotAuthenticated: it does not hold, for any reason; which is not told.
        """
        claims = await self._proved(token)
        claimed = claims.get(self._issuer.tenant_claim) if self._issuer.tenant_claim else self._issuer.tenant
        tenant_id = await self._find_tenant(claimed) if is_storable(claimed) else None
        if tenant_id is None:
            raise NotAuthenticated
        words = words_of(claims)
        read = [scope for scope in map(read_scope, words) if scope is not None]
        return Principal(tenant_id, actor_of(claims), scopes_of(read, words))

    async def _proved(self, token: str) -> dict[str, Any]:
        import jwt

        try:
            header, claims = read_parts(token)
            algorithm = header.get("alg")
            # The algorithm must be one of public keys: with HS256 a published key would serve as the secret, and "none" needs
            # no key at all.
            is_known = isinstance(algorithm, str) and algorithm in FITTING and BRINGS_ITS_OWN.isdisjoint(header)
            if not is_known or not has_plain_dates(claims) or str(header.get("typ", "JWT")).upper() not in KINDS:
                raise NotAuthenticated
            key = await self._key_sets.key(self._issuer.key_set_url, header.get("kid"), str(algorithm))
            if key is None:
                raise NotAuthenticated
            return jwt.decode(
                token,
                key=jwt.PyJWK.from_dict(key, str(algorithm)),
                algorithms=[str(algorithm)],
                audience=self._issuer.audience,
                issuer=self._issuer.name,
                leeway=LEEWAY_SECONDS,
                options={"require": ["iss", "aud", "exp"]},
            )
        except (jwt.exceptions.PyJWTError, ValueError, TypeError, OverflowError, RecursionError) as error:
            raise NotAuthenticated from error


def is_storable(claimed: Any) -> TypeGuard[str]:
    """True where a claim is text that a database can store."""
    return isinstance(claimed, str) and "\0" not in claimed and not any("\ud800" <= sign <= "\udfff" for sign in claimed)


def words_of(claims: dict[str, Any]) -> list[str]:
    """The scopes of a token: one text, or a list under either of the two common names."""
    said = claims.get("scope", claims.get("scp", ""))
    if isinstance(said, str):
        return said.split()
    return [word for word in said if isinstance(word, str)] if isinstance(said, list) else []


def actor_of(claims: dict[str, Any]) -> str:
    """The name for the trail: the client's, else the subject's."""
    named = next((claims[name] for name in ("client_id", "azp", "sub") if isinstance(claims.get(name), str)), "unnamed")
    return f"outside:{_UNFIT.sub('?', named)[:200]}"
