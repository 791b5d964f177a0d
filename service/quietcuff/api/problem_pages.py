"""``/problems``: the explanation of each kind of problem, at the address that problems give as their type."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Controller, Request, get
from litestar.exceptions import HTTPException
from litestar.response.base import ASGIResponse

from quietcuff.api.operations import JSON, Operation, Reply, described
from quietcuff.api.pages import PAGE_POLICY
from quietcuff.api.pages.problems import problem_page, problems_page
from quietcuff.api.problem_types import FAULT_CODES, PROBLEM_TYPES, ProblemType
from quietcuff.api.requests import Connection, PathText, format_of
from quietcuff.api.responses import answer, answer_struct
from quietcuff.core.model.errors import NotFound


class ProblemList(msgspec.Struct, frozen=True, kw_only=True):
    """Every kind of problem, and every code that a fault can have."""

    items: list[ProblemType]
    codes: dict[str, str]


HTML = "text/html"
VARY = {"Vary": "Accept"}
LIST = Operation(
    id="list_problems",
    tag="Problems",
    summary="Every kind of problem and every code of a fault",
    access="open",
    replies=(
        Reply(description="The list.", shape=ProblemList, headers=("Vary",)),
        Reply(description="The list.", media_type=HTML, headers=("Vary",)),
    ),
)
GET = Operation(
    id="get_problem",
    tag="Problems",
    summary="What one kind of problem means",
    access="open",
    replies=(
        Reply(description="The kind of problem.", shape=ProblemType, headers=("Vary",)),
        Reply(description="The kind of problem.", media_type=HTML, headers=("Vary",)),
    ),
)


class ProblemPages(Controller):
    """The explanations."""

    path = "/problems"

    @get(opt=described(LIST))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """List them."""
        if wants_page(request):
            return answer_html(problems_page(PROBLEM_TYPES, FAULT_CODES))
        return answer_struct(ProblemList(items=list(PROBLEM_TYPES), codes=FAULT_CODES), headers=VARY)

    @get("/{slug:str}", opt=described(GET))
    async def get_one(self, request: Request[Any, Any, Any], slug: PathText) -> ASGIResponse:
        """Explain one."""
        for kind in PROBLEM_TYPES:
            if kind.type == f"/problems/{slug}":
                return answer_html(problem_page(kind)) if wants_page(request) else answer_struct(kind, headers=VARY)
        raise NotFound


def wants_page(request: Connection) -> bool:
    """True for a browser, which asks for HTML before anything else. An explanation is never refused for its format."""
    try:
        return format_of(request, JSON, HTML) == HTML
    except HTTPException:
        return False


def answer_html(body: bytes) -> ASGIResponse:
    """A page whose address also answers JSON."""
    return answer(body, media_type=HTML, headers={"Content-Security-Policy": PAGE_POLICY, **VARY})
