"""Discovery and token endpoint for OAuth clients. Source: SMART App Launch 2.2."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Controller, Request, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff.api import problem_types as kinds
from quietcuff.api.fhir_responses import FHIR_BASE
from quietcuff.api.operations import FORM, Operation, Reply, described
from quietcuff.api.responses import answer_struct
from quietcuff.api.service import service_of
from quietcuff.fhir.capability import FHIR_TYPES
from quietcuff.security.scopes import OWN_WORDS, Need
from quietcuff.security.tokens import ALGORITHMS, ASSERTION_TYPE, TOKEN_PATH, Token, check_outside_form

TAG = "Authorization"
WELL_KNOWN = "/.well-known/smart-configuration"

# What opens routes of FHIR under names that are no type of FHIR: measures, and the follow-up list as a Group.
OF_OWN_TYPES = (Need("Quality", "r"), Need("FollowUp", "s"))


class SmartConfiguration(msgspec.Struct, frozen=True, kw_only=True):
    """The configuration document that SMART clients read first."""

    token_endpoint: str
    grant_types_supported: tuple[str, ...] = ("client_credentials",)
    token_endpoint_auth_methods_supported: tuple[str, ...] = ("private_key_jwt",)
    token_endpoint_auth_signing_alg_values_supported: tuple[str, ...] = ALGORITHMS
    scopes_supported: list[str]
    capabilities: tuple[str, ...] = ("client-confidential-asymmetric", "permission-v2", "permission-v1")
    code_challenge_methods_supported: tuple[str, ...] = ("S256",)


def _discovery(id: str) -> Operation:
    return Operation(
        id=id,
        tag=TAG,
        summary="Where tokens are given, and for what",
        access="open",
        replies=(Reply(description="The SMART configuration.", shape=SmartConfiguration),),
    )


TOKEN = Operation(
    id="give_token",
    tag=TAG,
    summary="A token for a client that signs for itself",
    description="Client credentials with a signed assertion (RS384 or ES384), as SMART Backend Services has it. A client gets "
    "those of the scopes it asks for that it was registered with. Errors have OAuth's fields.",
    access="open",
    media_type=FORM,
    body={
        "type": "object",
        "properties": {
            "grant_type": {"type": "string", "enum": ["client_credentials"]},
            "scope": {"type": "string", "description": "Space-separated, such as system/Observation.rs."},
            "client_assertion_type": {"type": "string", "enum": [ASSERTION_TYPE]},
            "client_assertion": {"type": "string", "description": "A JSON Web Token that the client signed."},
            "client_id": {"type": "string", "description": "That of the assertion; best left out."},
        },
        "required": ["grant_type", "scope", "client_assertion_type", "client_assertion"],
    },
    examples={"a reader of Observations": "token-request"},
    replies=(Reply(description="A token that lives for five minutes.", shape=Token, headers=("Cache-Control",)),),
    lane="write",
    problems=(kinds.BAD_REQUEST, kinds.NOT_AUTHENTICATED, kinds.BUSY),
    speaks_oauth=True,
)


class Authorization(Controller):
    """Discovery and the token route."""

    @get(WELL_KNOWN, opt=described(_discovery("smart_configuration")))
    async def configuration(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer at the root."""
        return _configuration(request)

    @get(f"{FHIR_BASE}{WELL_KNOWN}", opt=described(_discovery("smart_configuration_of_fhir")))
    async def configuration_of_fhir(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer where SMART has it, beside the FHIR base."""
        return _configuration(request)

    @post(TOKEN_PATH, opt=described(TOKEN))
    async def token(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Give a token."""
        # RFC 6749, 2.3 and 3.2: a client authenticates in one way only, and never by parameters in the address.
        schemes = (line.strip().partition(" ")[0] for line in request.headers.getall("Authorization", []))
        check_outside_form(schemes, request.scope["query_string"])
        token = await service_of(request).token_desk.give(body)
        return answer_struct(token, headers={"Cache-Control": "no-store", "Pragma": "no-cache"})


def _configuration(request: Request[Any, Any, Any]) -> ASGIResponse:
    public_url = service_of(request).settings.public_url
    scopes = [f"system/{name}.{letters}" for name in ("*", *FHIR_TYPES) for letters in ("rs", "read")]
    known = [*scopes, *map(str, OF_OWN_TYPES), *OWN_WORDS]
    return answer_struct(SmartConfiguration(token_endpoint=public_url + TOKEN_PATH, scopes_supported=known))
