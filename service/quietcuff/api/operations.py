"""What a route is, said once: its name, whom it lets in, what it takes and everything it can answer.

The guard reads from it whom to let in, the OpenAPI document everything else; a route that says nothing lets nobody in.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import msgspec

from quietcuff.api import problem_types as kinds
from quietcuff.api.lanes import LaneName
from quietcuff.api.problem_types import ProblemType
from quietcuff.security.scopes import Need

Access = Need | Literal["open", "any-key"]
JSON = "application/json"
NDJSON = "application/x-ndjson"
FORM = "application/x-www-form-urlencoded"


class OperationParameter(msgspec.Struct, frozen=True, kw_only=True):
    """A query parameter, a header or a part of the path."""

    name: str
    within: Literal["query", "header", "path"]
    schema: dict[str, Any]
    description: str
    required: bool = False


class AnswerLink(msgspec.Struct, frozen=True, kw_only=True):
    """Where an answer leads: the operation, and what of the answer its parameters are."""

    operation: str
    parameters: dict[str, str]


class Reply(msgspec.Struct, frozen=True, kw_only=True):
    """A good answer: its status, what it holds (a struct, or for lines a JSON Schema), and the headers it carries."""

    status: int = 200
    description: str
    shape: Any = None
    media_type: str = JSON
    example: Any = None
    headers: tuple[str, ...] = ()
    links: tuple[AnswerLink, ...] = ()


class Operation(msgspec.Struct, frozen=True, kw_only=True):
    """One method of one route. ``body`` is the struct it takes, or for a form or for lines its JSON Schema.

    ``narrows`` where it answers a caller who may see a part of the type with that part alone.
    """

    id: str
    tag: str
    summary: str
    description: str = ""
    access: Access
    parameters: tuple[OperationParameter, ...] = ()
    body: Any = None
    media_type: str = JSON
    examples: dict[str, Any] = {}
    replies: tuple[Reply, ...]
    problems: tuple[ProblemType, ...] = ()
    speaks_fhir: bool = False
    speaks_oauth: bool = False
    narrows: bool = False
    lane: LaneName | None = None
    documented: bool = True

    @property
    def lane_taken(self) -> LaneName:
        """The lane of its requests: the one named, or by what its access says it does."""
        if self.lane is not None:
            return self.lane
        if self.access == "open":
            return "free"
        return "write" if isinstance(self.access, Need) and set(self.access.letter) & set("cud") else "read"

    def all_problems(self) -> list[ProblemType]:
        """Every problem this operation can answer, the common ones included."""
        found = [*self.problems, kinds.INTERNAL_ERROR]
        if self.access != "open":
            found += [kinds.NOT_AUTHENTICATED, kinds.BUSY, kinds.TOO_OFTEN]
        if isinstance(self.access, Need):
            found.append(kinds.NOT_ALLOWED)
        if self.body is not None:
            found.append(kinds.UNSUPPORTED_MEDIA_TYPE)
        if self.body is not None and self.media_type != NDJSON:
            found.append(kinds.TOO_LARGE)
        if self.body is not None and self.media_type == JSON:
            found += [kinds.NOT_READABLE, kinds.NOT_ACCEPTABLE]
        return sorted(set(found), key=lambda kind: (kind.status, kind.type))


def described(operation: Operation) -> dict[str, Any]:
    """The ``opt`` of a route handler that carries its operation."""
    return {"operation": operation}


def operation_of(opt: Mapping[str, Any]) -> Operation | None:
    """The operation that a route handler carries, if it says what it is."""
    operation = opt.get("operation")
    return operation if isinstance(operation, Operation) else None
