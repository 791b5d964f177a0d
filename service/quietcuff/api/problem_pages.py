"""``/problems``: the explanation of each kind of problem, at the address that problems give as their type."""

from __future__ import annotations

import msgspec
from litestar import Controller, get
from litestar.params import FromPath
from litestar.response.base import ASGIResponse

from quietcuff.api.operations import Operation, Reply, described
from quietcuff.api.problem_types import FAULT_CODES, PROBLEM_TYPES, ProblemType
from quietcuff.api.responses import answer_struct
from quietcuff.core.model.errors import NotFound


class ProblemList(msgspec.Struct, frozen=True, kw_only=True):
    """Every kind of problem, and every code that a fault can have."""

    items: list[ProblemType]
    codes: dict[str, str]


LIST = Operation(
    id="list_problems",
    tag="Problems",
    summary="Every kind of problem and every code of a fault",
    access="open",
    replies=(Reply(description="The list.", shape=ProblemList),),
)
GET = Operation(
    id="get_problem",
    tag="Problems",
    summary="What one kind of problem means",
    access="open",
    replies=(Reply(description="The kind of problem.", shape=ProblemType),),
)


class ProblemPages(Controller):
    """The explanations."""

    path = "/problems"

    @get(opt=described(LIST))
    async def list_all(self) -> ASGIResponse:
        """List them."""
        return answer_struct(ProblemList(items=list(PROBLEM_TYPES), codes=FAULT_CODES))

    @get("/{slug:str}", opt=described(GET))
    async def get_one(self, slug: FromPath[str]) -> ASGIResponse:
        """Explain one."""
        for kind in PROBLEM_TYPES:
            if kind.type == f"/problems/{slug}":
                return answer_struct(kind)
        raise NotFound
