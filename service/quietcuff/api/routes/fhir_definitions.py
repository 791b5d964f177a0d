"""``/fhir/R4/StructureDefinition``, ``CodeSystem``, ``SearchParameter`` and ``Measure``: definitions for everybody to read."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Controller, Request, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff.analytics.measures.definitions import counted_definitions
from quietcuff.api import problem_types as kinds
from quietcuff.api.fhir_responses import FHIR_BASE, FHIR_JSON, FHIR_JSON_UTF8, check_format, formats_of, pairs_of
from quietcuff.api.operations import FORM, Operation, OperationParameter, Reply, described
from quietcuff.api.requests import PathText
from quietcuff.api.responses import answer
from quietcuff.api.service import service_of
from quietcuff.fhir.definitions.published import PAGING, PARAMETERS, PUBLISHED, Definitions, Pairs

TAG = "FHIR R4"
FORMAT = OperationParameter(name="_format", within="query", schema={"type": "string"}, description="json.")
ASKED = tuple(
    OperationParameter(name=name, within="query", schema={"type": "string"}, description=text)
    for name, text in {**{one.name: one.documentation for one in PARAMETERS.values()}, **PAGING}.items()
)
BODY = {"type": "object", "properties": {one.name: {"type": "string", "description": one.description} for one in ASKED}}


def word_of(kind: str) -> str:
    return "".join(f"_{letter.lower()}" if letter.isupper() else letter for letter in kind).lstrip("_")


def search_operation(kind: str) -> Operation:
    return Operation(
        id=f"search_{word_of(kind)}s",
        tag=TAG,
        summary=f"Find {kind} resources of this service",
        access="open",
        speaks_fhir=True,
        parameters=(*ASKED, FORMAT),
        replies=(Reply(description="A Bundle of type searchset.", media_type=FHIR_JSON),),
        problems=(kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED),
    )


def search_by_post_operation(kind: str) -> Operation:
    return msgspec.structs.replace(
        search_operation(kind),
        id=f"search_{word_of(kind)}s_by_post",
        summary=f"Find {kind} resources of this service, with the parameters in the body",
        parameters=(),
        body=BODY,
        media_type=FORM,
        examples={"one by its id": f"search-{word_of(kind).replace('_', '-')}"},
    )


def read_operation(kind: str) -> Operation:
    return Operation(
        id=f"read_{word_of(kind)}",
        tag=TAG,
        summary=f"One {kind} of this service",
        access="open",
        speaks_fhir=True,
        parameters=(FORMAT,),
        replies=(Reply(description=f"The {kind}.", media_type=FHIR_JSON),),
        problems=(kinds.BAD_REQUEST, kinds.NOT_FOUND, kinds.FORMAT_NOT_OFFERED),
    )


def definitions_controller(kind: str) -> type[Controller]:
    """The routes of one type of definition."""

    class Published(Controller):
        """Read and search."""

        path = f"{FHIR_BASE}/{kind}"

        @get("/", opt=described(search_operation(kind)))
        async def search(self, request: Request[Any, Any, Any]) -> ASGIResponse:
            """Search by the query."""
            return found(request, kind, pairs_of(request.scope["query_string"]))

        @post("/_search", status_code=200, opt=described(search_by_post_operation(kind)))
        async def search_by_post(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
            """Search by query and body together."""
            return found(request, kind, [*pairs_of(request.scope["query_string"]), *pairs_of(body)])

        @get("/{resource_id:str}", opt=described(read_operation(kind)))
        async def read(self, request: Request[Any, Any, Any], resource_id: PathText) -> ASGIResponse:
            """Answer one definition."""
            check_format(request, formats_of(pairs_of(request.scope["query_string"])))
            return answer_definition(definitions_of(request, kind).read(kind, resource_id))

    return Published


def found(request: Request[Any, Any, Any], kind: str, pairs: Pairs) -> ASGIResponse:
    """Answer the definitions that a search finds."""
    check_format(request, formats_of(pairs))
    asked = [(name, value) for name, value in pairs if name != "_format"]
    return answer_definition(definitions_of(request, kind).search(kind, asked))


def definitions_of(request: Request[Any, Any, Any], kind: str) -> Definitions:
    """The definitions of the service, with those of one type that are of what is counted."""
    rulebook, public_url = service_of(request).desk.rulebook, service_of(request).settings.public_url
    return Definitions(rulebook, public_url, counted_definitions(kind, rulebook, public_url))


def answer_definition(definition: dict[str, Any]) -> ASGIResponse:
    return answer(msgspec.json.encode(definition), media_type=FHIR_JSON_UTF8)


DEFINITION_CONTROLLERS = tuple(definitions_controller(kind) for kind in PUBLISHED)
