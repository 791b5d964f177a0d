"""Shared parts of the FHIR routes: the publisher with its read scope, the JSON format, and parameters."""

from __future__ import annotations

from urllib.parse import parse_qsl

from litestar.exceptions import HTTPException

from quietcuff.api.authentication import principal_of
from quietcuff.api.requests import Connection, header_of, refuse_nul
from quietcuff.api.service import service_of
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.fhir.capability import FHIR_TYPES
from quietcuff.fhir.model.scope import ReadScope
from quietcuff.fhir.search.narrowing import kinds_of
from quietcuff.fhir.search.request import MOST_PARAMETERS
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.security.scopes import Need, Scopes

FHIR_BASE = "/fhir/R4"
FHIR_VERSION = "4.0"
FHIR_JSON = "application/fhir+json"
FHIR_JSON_UTF8 = f"{FHIR_JSON}; charset=utf-8"
ACCEPTED = frozenset((FHIR_JSON, "application/json", "application/*", "*/*", "json", "text/json"))


async def publisher_of(connection: Connection, letter: str = "r") -> Publisher:
    """The publisher of this request: its tenant, the public address, and the resources its caller may see. ``letter`` is ``r``
    to read, ``s`` to search."""
    service = service_of(connection)
    principal = principal_of(connection)
    tenant = await service.desk.tenants.get(principal.tenant_id)
    return Publisher(tenant=tenant, public_url=service.settings.public_url, sight=read_scope_of(principal.scopes, letter))


def read_scope_of(scopes: Scopes, letter: str) -> ReadScope:
    """Read scope of a token: the types it may read, and the parts of Observation if it may not see all of them."""
    types = frozenset(type for type in FHIR_TYPES if scopes.parts(Need(type, "r")) != [])
    parts = scopes.parts(Need("Observation", letter))
    return ReadScope(types) if parts is None else ReadScope(types, frozenset().union(*(kinds_of(part) for part in parts)))


def formats_of(pairs: list[tuple[str, str]]) -> list[str]:
    return [value for name, value in pairs if name == "_format" and value]


def pairs_of(raw: bytes) -> list[tuple[str, str]]:
    """Query or form parameters in the order in which they were sent.

    Raises:
        NotAcceptable: not percent-encoded UTF-8, or far too many.
    """
    try:
        # Strict: a byte that is not UTF-8 would otherwise be replaced, and the search would silently look for something else.
        pairs = parse_qsl(raw.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=2 * MOST_PARAMETERS)
        return refuse_nul(pairs)
    except ValueError as error:
        accepted = f"At most {MOST_PARAMETERS} parameters, percent-encoded UTF-8 without U+0000."
        raise NotAcceptable.of(parameter="", code="not-utf-8", detail=accepted) from error


def check_format(connection: Connection, formats: list[str]) -> None:
    """Refuse formats other than JSON. ``_format`` takes precedence over the Accept header.

    Raises:
        HTTPException: 406.
    """
    accept = header_of(connection, "Accept")
    # A plus that was not encoded arrives as a space.
    wanted = [text.replace(" ", "+") for text in formats] or (accept.split(",") if accept else ["*/*"])
    if not any(is_offered(text) for text in wanted):
        raise HTTPException(status_code=406, detail=f"Accept {FHIR_JSON}.")


def is_offered(text: str) -> bool:
    """True if a media type with its parameters is the one offered here. Source: FHIR R4 http, 3.1.0.1.12."""
    media_type, *said = ("".join(part.split()).lower() for part in text.split(";"))
    weight, version = (next((one[len(name) :] for one in said if one.startswith(name)), "") for name in ("q=", "fhirversion="))
    # RFC 9110, 12.4.2: a weight of 0 means that the client does not accept the type.
    is_refused = weight.startswith("0") and not weight.strip("0.")
    return media_type in ACCEPTED and not is_refused and version.strip('"') in ("", FHIR_VERSION)
