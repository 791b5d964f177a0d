"""Descriptions of the routes: name, access, input and all possible answers of each operation.

Admission takes access from it, the OpenAPI document everything else. A route without a description admits nobody.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any, Literal

import msgspec

from quietcuff.api import problem_types as kinds
from quietcuff.api.lanes import LaneName
from quietcuff.api.problem_types import ProblemType
from quietcuff.security.scopes import Need

Access = Need | Literal["open", "any-key", "quietcuff/metrics"]
JSON = "application/json"
NDJSON = "application/x-ndjson"
FORM = "application/x-www-form-urlencoded"
CSV = "text/csv"


class OperationParameter(msgspec.Struct, frozen=True, kw_only=True):
    """A query parameter, a header or a part of the path."""

    name: str
    within: Literal["query", "header", "path"]
    schema: dict[str, Any]
    description: str
    required: bool = False


class AnswerLink(msgspec.Struct, frozen=True, kw_only=True):
    """Link from an answer to a further operation, with the parameters taken from the answer."""

    operation: str
    parameters: dict[str, str]


class Lines(msgspec.Struct, frozen=True):
    """NDJSON: each line is one of these structs."""

    structs: tuple[type, ...]


class Reply(msgspec.Struct, frozen=True, kw_only=True):
    """A successful answer: its status, its shape (a struct, or ``Lines`` of them), its headers, and an example by its
    file in ``openapi/examples``."""

    status: int = 200
    description: str
    shape: Any = None
    media_type: str = JSON
    example: str | None = None
    headers: tuple[str, ...] = ()
    links: tuple[AnswerLink, ...] = ()


def saved_replies(shape: type, links: tuple[AnswerLink, ...]) -> tuple[Reply, Reply]:
    """The answers of a registry: what was saved, known before or new."""
    known = Reply(description="Known before.", shape=shape, headers=("ETag", "Location"), links=links)
    return known, msgspec.structs.replace(known, status=201, description="New.")


class OtherBody(msgspec.Struct, frozen=True, kw_only=True):
    """A further kind of body that an operation takes: its JSON Schema, and an example file for each summary."""

    schema: dict[str, Any]
    examples: Mapping[str, str]


class Operation(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """One method of one route. ``body`` is the struct it takes, ``Lines`` of them, or the JSON Schema of a form.

    ``examples`` names a file of ``openapi/examples`` for each summary, or several files for a list. ``also`` are further
    kinds of body by media type.

    ``narrows`` is True if a caller who may see only a part of the type is answered with that part.
    """

    id: str
    tag: str
    summary: str
    description: str = ""
    access: Access
    parameters: tuple[OperationParameter, ...] = ()
    body: Any = None
    media_type: str = JSON
    examples: Mapping[str, str | tuple[str, ...]] = {}
    also: Mapping[str, OtherBody] = {}
    replies: tuple[Reply, ...]
    problems: tuple[ProblemType, ...] = ()
    speaks_fhir: bool = False
    speaks_oauth: bool = False
    narrows: bool = False
    lane: LaneName | None = None
    documented: bool = True

    def __deepcopy__(self, _: dict[int, Any]) -> Operation:
        """The operation itself, which nobody changes: the framework copies every route it registers, with all that it names."""
        return self

    @cached_property
    def lane_taken(self) -> LaneName:
        """The lane of its requests: the named one, or else the one that follows from its access."""
        if self.lane is not None:
            return self.lane
        if self.access == "open":
            return "free"
        return "write" if isinstance(self.access, Need) and set(self.access.letter) & set("cud") else "read"

    def all_problems(self) -> list[ProblemType]:
        """Every problem that this operation can answer, including the common ones."""
        found = [*self.problems, kinds.INTERNAL_ERROR]
        if self.access != "open":
            found += [kinds.NOT_AUTHENTICATED, kinds.BUSY, kinds.TOO_OFTEN]
        if self.access not in ("open", "any-key"):
            found.append(kinds.NOT_ALLOWED)
        if self.body is not None:
            found.append(kinds.UNSUPPORTED_MEDIA_TYPE)
        # The body of a batch has no limit as a whole; each of its lines has one.
        if self.body is not None and (self.media_type != NDJSON or self.also):
            found.append(kinds.TOO_LARGE)
        if self.body is not None and self.media_type == JSON:
            found += [kinds.NOT_READABLE, kinds.NOT_ACCEPTABLE]
        return sorted(set(found), key=lambda kind: (kind.status, kind.type))


def described(operation: Operation) -> dict[str, Any]:
    """The ``opt`` of a route handler, with its operation."""
    return {"operation": operation}


def operation_of(opt: Mapping[str, Any]) -> Operation | None:
    """The operation of a route handler, or None."""
    operation = opt.get("operation")
    return operation if isinstance(operation, Operation) else None
