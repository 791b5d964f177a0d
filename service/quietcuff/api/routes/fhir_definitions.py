"""``/fhir/R4/StructureDefinition``, ``CodeSystem`` and ``SearchParameter``: what the service defines, for everybody to read."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Controller, Request, get
from litestar.params import FromPath
from litestar.response.base import ASGIResponse

from quietcuff.api import problem_types as kinds
from quietcuff.api.fhir_responses import FHIR_BASE, FHIR_JSON, FHIR_JSON_UTF8, check_format, formats_of, pairs_of
from quietcuff.api.operations import Operation, OperationParameter, Reply, described
from quietcuff.api.responses import answer
from quietcuff.api.service import service_of
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.fhir.definitions.published import PUBLISHED, Definitions

TAG = "FHIR R4"
FORMAT = OperationParameter(name="_format", within="query", schema={"type": "string"}, description="json.")
URL = OperationParameter(
    name="url", within="query", schema={"type": "string"}, description="The canonical address of the definition."
)


def word_of(kind: str) -> str:
    return "".join(f"_{letter.lower()}" if letter.isupper() else letter for letter in kind).lstrip("_")


def search_operation(kind: str) -> Operation:
    return Operation(
        id=f"search_{word_of(kind)}s",
        tag=TAG,
        summary=f"Find {kind} resources of this service",
        access="open",
        speaks_fhir=True,
        parameters=(URL, FORMAT),
        replies=(Reply(description="A Bundle of type searchset.", media_type=FHIR_JSON),),
        problems=(kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED),
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
        problems=(kinds.NOT_FOUND, kinds.FORMAT_NOT_OFFERED),
    )


def definitions_controller(kind: str) -> type[Controller]:
    """The two routes of one type of definition."""

    class Published(Controller):
        """Read and search by url."""

        path = f"{FHIR_BASE}/{kind}"

        @get("/", opt=described(search_operation(kind)))
        async def search(self, request: Request[Any, Any, Any]) -> ASGIResponse:
            """Answer the definitions of a type, or that of a url."""
            pairs = pairs_of(request.scope["query_string"])
            check_format(request, formats_of(pairs))
            asked = {name: value for name, value in pairs if name != "_format"}
            unknown = [Fault(parameter=name, code="not-supported", detail="Accepted: url.") for name in asked if name != "url"]
            if unknown:
                raise NotAcceptable(unknown)
            return answer_definition(definitions_of(request).search(kind, asked.get("url")))

        @get("/{resource_id:str}", opt=described(read_operation(kind)))
        async def read(self, request: Request[Any, Any, Any], resource_id: FromPath[str]) -> ASGIResponse:
            """Answer one definition."""
            check_format(request, formats_of(pairs_of(request.scope["query_string"])))
            return answer_definition(definitions_of(request).read(kind, resource_id))

    return Published


def definitions_of(request: Request[Any, Any, Any]) -> Definitions:
    service = service_of(request)
    return Definitions(service.desk.rulebook, service.settings.public_url)


def answer_definition(definition: dict[str, Any]) -> ASGIResponse:
    return answer(msgspec.json.encode(definition), media_type=FHIR_JSON_UTF8)


DEFINITION_CONTROLLERS = tuple(definitions_controller(kind) for kind in PUBLISHED)
