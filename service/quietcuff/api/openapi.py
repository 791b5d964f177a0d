"""The OpenAPI 3.1 document, built from the operations of the routes and their structs.

The structs at the end describe answers that are joined from bytes; they exist for this document and for clients.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from http import HTTPStatus
from typing import Any, Literal

import msgspec
from litestar import Litestar
from litestar.routes import HTTPRoute

from quietcuff import __version__
from quietcuff.answered import Problem
from quietcuff.api import problem_types as kinds
from quietcuff.api.examples import example
from quietcuff.api.fhir_responses import FHIR_JSON
from quietcuff.api.operations import JSON, Lines, Operation, OperationParameter, Reply, operation_of
from quietcuff.api.problem_types import ProblemType
from quietcuff.api.problems import MEDIA_TYPE as PROBLEM_JSON
from quietcuff.application.read_sittings import SetListed
from quietcuff.core.model.history import History
from quietcuff.core.model.readings import Facts, Identifier
from quietcuff.core.model.registry import RegisteredDevice

REFERENCE = "#/components/schemas/{name}"
DESCRIPTION = """Raw blood-pressure readings of one sitting go in; one honest result comes out, is kept, and is handed on
as FHIR R4.

Pressures are mmHg, times RFC 3339 with an offset, codes lower-case words joined by hyphens. In requests null is the same
as left out. In answers every key is present. Errors are RFC 9457 problems that name every fault at once.

Not a medical device: local protocol and licensed practice decide."""

# As pages that show the document list them.
FIRST_TAGS = ("Evaluations", "Reading sets", "Subjects", "Devices", "Device payloads", "Rules", "FHIR R4")
# What is taken of times beside RFC 3339: a space for the T, and an offset without its colon.
LOOSE_TIME = (
    "^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])[ Tt]([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]([.][0-9]+)?"
    "([Zz]|[+-]([01][0-9]|2[0-3]):?[0-5][0-9])$"
)

RESPONSE_HEADERS: dict[str, dict[str, Any]] = {
    "ETag": {"description": "The version of the answer, in quotation marks.", "schema": {"type": "string"}},
    "Location": {"description": "Where what was made is.", "schema": {"type": "string"}},
    "Cache-Control": {"description": "no-store.", "schema": {"type": "string"}},
    "Link": {"description": 'The next page: <URL>; rel="next".', "schema": {"type": "string"}},
    "Last-Modified": {"description": "When it last changed.", "schema": {"type": "string"}},
    "Idempotency-Replayed": {
        "description": "true: this is the first answer to the same request again.",
        "schema": {"type": "string", "enum": ["true"]},
    },
    "Preference-Applied": {
        "description": "The preference that was followed.",
        "schema": {"type": "string", "enum": ["return=representation"]},
    },
    "X-Request-Id": {"description": "The id of this request, also in the log.", "schema": {"type": "string"}},
    "WWW-Authenticate": {"description": "How to authenticate.", "schema": {"type": "string"}},
    "Content-Location": {"description": "Where to ask how it stands.", "schema": {"type": "string"}},
    "X-Progress": {"description": "How far it is, in words.", "schema": {"type": "string"}},
    "Expires": {"description": "Until when it is kept.", "schema": {"type": "string"}},
    "Content-Encoding": {"description": "gzip, where it was accepted.", "schema": {"type": "string"}},
    "Content-Language": {"description": "The language of the texts.", "schema": {"type": "string"}},
    "Vary": {"description": "The request headers that choose the answer.", "schema": {"type": "string"}},
    "Retry-After": {"description": "Seconds to wait.", "schema": {"type": "string"}},
}
PROBLEM_HEADERS = {
    kinds.NOT_AUTHENTICATED: "WWW-Authenticate",
    kinds.NOT_ALLOWED: "WWW-Authenticate",
    kinds.BUSY: "Retry-After",
    kinds.NOT_READY: "Retry-After",
    kinds.TOO_OFTEN: "Retry-After",
    kinds.VERSION_STALE: "ETag",
}
PATH_PARAMETERS: dict[str, dict[str, Any]] = {
    "number": {"type": "integer", "minimum": 1, "maximum": 999_999_999},
    "rule_id": {"type": "string", "pattern": "^[a-z0-9-]{1,64}$"},
    "slug": {"type": "string", "pattern": "^[a-z-]{1,64}$"},
    "resource_id": {"type": "string", "pattern": "^[A-Za-z0-9.-]{1,64}$"},
    "version_id": {"type": "string", "pattern": "^[A-Za-z0-9.-]{1,64}$"},
}
# What has such an id can be deleted, and its id stays known.
RETAINED = frozenset({"set_id", "subject_id"})
ANY_ID = {"type": "string", "format": "uuid"}


def make_document(app: Litestar) -> bytes:
    """The whole document as indented JSON."""
    # Sorted, so that the document does not change with the order in which the controllers are listed.
    described = sorted((entry for entry in operations(app) if entry[2].documented), key=lambda entry: entry[:2])
    shapes: list[type] = [Problem]
    for _, _, operation in described:
        for shape in (operation.body, *(reply.shape for reply in operation.replies)):
            shapes += structs_of(shape)
    references, components = msgspec.json.schema_components(shapes, ref_template=REFERENCE)
    schemas = {shape: reference for shape, reference in zip(shapes, references, strict=True)}
    for _, _, operation in described:
        for struct in structs_of(operation.body):
            reached: set[str] = set()
            admit_null(components, schemas[struct], reached)
            for name in sorted(reached):
                admit_loose_times(components[name])
    paths: dict[str, dict[str, Any]] = {}
    for path, method, operation in described:
        paths.setdefault(path, {})[method] = _operation(path, operation, schemas)
    document = {
        "openapi": "3.1.0",
        "info": {
            "title": "Quietcuff",
            "version": __version__,
            "summary": "One honest blood-pressure result from the raw readings of a sitting.",
            "description": DESCRIPTION,
        },
        "servers": [{"url": "/"}],
        "tags": [{"name": tag} for tag in tags_in_order(operation.tag for _, _, operation in described)],
        "paths": paths,
        "components": {
            "schemas": components,
            "securitySchemes": {
                "key": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "A key made with `quietcuff keys create`; the scopes named at each operation are its own.",
                }
            },
        },
    }
    return msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"


def tags_in_order(tags: Iterable[str]) -> list[str]:
    """The tags, each once, those first that a reader needs first."""
    found = dict.fromkeys(tags)
    return [tag for tag in FIRST_TAGS if tag in found] + [tag for tag in found if tag not in FIRST_TAGS]


def structs_of(shape: Any) -> tuple[type, ...]:
    """The structs of a body or an answer; none of a JSON Schema."""
    return shape.structs if isinstance(shape, Lines) else (shape,) if isinstance(shape, type) else ()


def schema_of(shape: Any, schemas: dict[Any, Any]) -> Any:
    """The JSON Schema of a body or an answer."""
    if not isinstance(shape, Lines):
        return schemas[shape] if isinstance(shape, type) else shape
    kinds_of_line = [schemas[struct] for struct in shape.structs]
    item = kinds_of_line[0] if len(kinds_of_line) == 1 else {"anyOf": kinds_of_line}
    return {"type": "array", "items": item, "description": "One a line."}


def operations(app: Litestar) -> Iterator[tuple[str, str, Operation]]:
    """Path, method and operation of every route that has an operation."""
    for route in app.routes:
        for handler in route.route_handlers if isinstance(route, HTTPRoute) else ():
            operation = operation_of(handler.opt)
            if operation is not None:
                # OPTIONS is answered by admission, whichever handler stands for it.
                for method in handler.http_methods - {"OPTIONS"}:
                    yield re.sub(r":[a-z]+\}", "}", route.path_format), method.lower(), operation


def _operation(path: str, operation: Operation, schemas: dict[Any, Any]) -> dict[str, Any]:
    said: dict[str, Any] = {"operationId": operation.id, "tags": [operation.tag], "summary": operation.summary}
    if operation.description:
        said["description"] = operation.description
    within = [_path_parameter(name) for name in re.findall(r"\{(\w+)\}", path)]
    if within or operation.parameters:
        said["parameters"] = [*within, *(_parameter(parameter) for parameter in operation.parameters)]
    if operation.body is not None:
        schema = schema_of(operation.body, schemas)
        content = {operation.media_type: {"schema": schema, "examples": _examples(operation.examples)}}
        for media_type, other in operation.also.items():
            content[media_type] = {"schema": other.schema, "examples": _examples(other.examples)}
        said["requestBody"] = {"required": True, "content": content}
    said["responses"] = _responses(operation, schemas, [parameter["name"] for parameter in within])
    if operation.access == "open":
        said["security"] = []
    else:
        said["security"] = [{"key": [] if operation.access == "any-key" else [str(operation.access)]}]
    return said


def _examples(files: Mapping[str, str | tuple[str, ...]]) -> dict[str, Any]:
    return {name.replace(" ", "-"): {"summary": name, "value": example(file)} for name, file in files.items()}


def _path_parameter(name: str) -> dict[str, Any]:
    return {"name": name, "in": "path", "required": True, "schema": PATH_PARAMETERS.get(name, ANY_ID)}


def _parameter(parameter: OperationParameter) -> dict[str, Any]:
    return {
        "name": parameter.name,
        "in": parameter.within,
        "required": parameter.required,
        "description": parameter.description,
        "schema": parameter.schema,
    }


def _responses(operation: Operation, schemas: dict[Any, Any], within: Sequence[str]) -> dict[str, Any]:
    said: dict[str, Any] = {}
    for reply in operation.replies:
        told = _reply(reply, schemas)
        # A reply in more than one format is one response with several kinds of content.
        former = said.setdefault(str(reply.status), told)
        former.get("content", {}).update(told.get("content", {}))
    found = operation.all_problems()
    if within and kinds.NOT_FOUND not in found:
        found.append(kinds.NOT_FOUND)
    if not RETAINED.isdisjoint(within):
        found.append(kinds.DELETED)
    has_query = any(parameter.within == "query" for parameter in operation.parameters)
    if has_query and not operation.speaks_fhir and kinds.NOT_ACCEPTABLE not in found:
        found.append(kinds.NOT_ACCEPTABLE)
    for status in sorted({kind.status for kind in found}):
        of_status = [kind for kind in found if kind.status == status]
        said[str(status)] = _problem(of_status, schemas, operation)
    return said


def _reply(reply: Reply, schemas: dict[Any, Any]) -> dict[str, Any]:
    said: dict[str, Any] = {"description": reply.description, "headers": _headers("X-Request-Id", *reply.headers)}
    if reply.status != 304 and (reply.shape is not None or reply.media_type != JSON):
        shapeless = {"type": "object" if reply.media_type.endswith("json") else "string"}
        schema = schema_of(reply.shape, schemas) or shapeless
        content: dict[str, Any] = {"schema": schema}
        if reply.example is not None:
            content["example"] = example(reply.example)
        said["content"] = {reply.media_type: content}
    if reply.links:
        said["links"] = {link.operation: {"operationId": link.operation, "parameters": link.parameters} for link in reply.links}
    return said


def _problem(of_status: list[ProblemType], schemas: dict[Any, Any], operation: Operation) -> dict[str, Any]:
    words = " ".join(f"{kind.title} (`{kind.type}`)." for kind in of_status)
    headers = [PROBLEM_HEADERS[kind] for kind in of_status if kind in PROBLEM_HEADERS]
    speaks_otherwise = operation.speaks_fhir or operation.speaks_oauth
    schema = {"type": "object"} if speaks_otherwise else schemas[Problem]
    media_type = FHIR_JSON if operation.speaks_fhir else JSON if operation.speaks_oauth else PROBLEM_JSON
    status = HTTPStatus(of_status[0].status).phrase
    return {
        "description": f"{status}. {words}",
        "headers": _headers("X-Request-Id", *headers),
        "content": {media_type: {"schema": schema}},
    }


def _headers(*names: str) -> dict[str, Any]:
    return {name: RESPONSE_HEADERS[name] for name in sorted(set(names))}


def admit_null(components: dict[str, Any], schema: Any, seen: set[str]) -> None:
    """Allow null in the schema of every optional request field, because it means the same as leaving the field out."""
    if isinstance(schema, list):
        for part in schema:
            admit_null(components, part, seen)
    if not isinstance(schema, dict):
        return
    name = str(schema.get("$ref", "")).rpartition("/")[2]
    if name and name not in seen:
        seen.add(name)
        component = components[name]
        for field, said in component.get("properties", {}).items():
            if field not in component.get("required", []) and {"type": "null"} not in said.get("anyOf", []):
                component["properties"][field] = _or_null(said)
        admit_null(components, component, seen)
    for part in schema.values():
        admit_null(components, part, seen)


def admit_loose_times(schema: Any) -> None:
    """Describe the accepted forms of request times: a space for the T, as RFC 3339, 5.6 allows, and ``+0200``."""
    if isinstance(schema, dict):
        if schema.get("type") == "string" and schema.get("format") == "date-time":
            del schema["format"]
            schema["anyOf"] = [{"format": "date-time"}, {"pattern": LOOSE_TIME}]
        for part in schema.values():
            admit_loose_times(part)
    elif isinstance(schema, list):
        for part in schema:
            admit_loose_times(part)


def _or_null(said: dict[str, Any]) -> dict[str, Any]:
    """The schema or null, with default and description kept outside ``anyOf``."""
    outside: dict[str, Any] = {key: said[key] for key in ("default", "description") if key in said}
    inside = {key: value for key, value in said.items() if key not in outside}
    choices = inside["anyOf"] if list(inside) == ["anyOf"] else [inside]
    return {"anyOf": [*choices, {"type": "null"}], **outside}


class VersionListed(msgspec.Struct, frozen=True, kw_only=True):
    """The cause of one version of a set, and the payload of a device or system that made it, if one did."""

    version: int
    cause: Literal["created", "appended", "closed", "timed-out", "reopened", "corrected", "voided", "re-evaluated"]
    created_at: datetime
    by: str
    author: Identifier | None
    reason: str | None
    rules_digest: str
    payload_id: str | None


class VersionList(msgspec.Struct, frozen=True, kw_only=True):
    """Every version of a set, oldest first."""

    items: list[VersionListed]


class SetPage(msgspec.Struct, frozen=True, kw_only=True):
    """A page of sets, newest first; ``next`` is the address of the next page, null on the last."""

    items: list[SetListed]
    next: str | None


class SubjectRecord(Facts, frozen=True, kw_only=True):
    """A person as registered; ``history`` is what a sitting of this moment would be evaluated with."""

    id: str
    version: int
    identifier: Identifier
    history: History


class SubjectFound(msgspec.Struct, frozen=True, kw_only=True):
    """The id of a person; it is the id of the FHIR Patient too."""

    id: str


class DeviceRecord(RegisteredDevice, frozen=True, kw_only=True):
    """A device as registered."""

    id: str
    version: int
