"""``/v1/follow-ups``: people who were to be seen again and were not."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import msgspec
from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse

from quietcuff.analytics.follow_ups.follow_ups import REASONS, FollowUp, Why
from quietcuff.analytics.follow_ups.list import FollowUpPage, csv_of, follow_up_page
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of, principal_of
from quietcuff.api.operations import JSON, Operation, OperationParameter, Reply, described
from quietcuff.api.reads import note_found
from quietcuff.api.requests import PAGE_CURSOR, PAGE_LENGTH, format_of, limit_parameter, query_of
from quietcuff.api.responses import answer, answer_page, next_address, next_link
from quietcuff.api.service import service_of
from quietcuff.application import Page
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Action, Number
from quietcuff.core.model.readings import Identifier
from quietcuff.security.scopes import Need

CSV = "text/csv"


class LastResult(msgspec.Struct, frozen=True, kw_only=True):
    """The newest result of a person, in mmHg."""

    systolic_mmhg: Number
    diastolic_mmhg: Number


class NextStep(msgspec.Struct, frozen=True, kw_only=True):
    """The step that the set asks for."""

    action: Action
    reason: str


class FollowUpLine(msgspec.Struct, frozen=True, kw_only=True):
    """One person who is to be seen. ``set_id`` is the set that calls for it; ``identifier`` is null without the scope
    quietcuff/identified; ``by`` is null where no rule names a day."""

    subject_id: str
    identifier: Identifier | None
    why: Why
    also: list[Why]
    since: date
    by: date | None
    set_id: str
    last_taken_at: datetime
    last_result: LastResult | None
    next_step: NextStep


class FollowUpList(msgspec.Struct, frozen=True, kw_only=True):
    """A page; ``next`` is the address of the following one, null on the last. A page may be short while others follow."""

    items: list[FollowUpLine]
    next: str | None


LIST = Operation(
    id="list_follow_ups",
    tag="Follow-ups",
    summary="Who is to be seen and was not, one line a person",
    description="Symptoms, severe and other pressing readings after which nobody came again, labels that were not confirmed by "
    "their day, and sittings without a result that were not repeated. Whatever a set calls for is done once a later set gives "
    "a result. `Accept: text/csv` gives the page as CSV. People are named with the scope `quietcuff/identified` alone.",
    access=Need("FollowUp", "s"),
    parameters=(
        OperationParameter(
            name="why",
            within="query",
            schema={"type": "string", "enum": [*REASONS]},
            description="Only who is to be seen for this reason.",
        ),
        PAGE_LENGTH,
        PAGE_CURSOR,
    ),
    replies=(
        Reply(description="The page, in the order of ids.", shape=FollowUpList, headers=("Link",)),
        Reply(description="The page.", media_type=CSV, headers=("Link",)),
    ),
    problems=(kinds.NOT_ACCEPTABLE, kinds.FORMAT_NOT_OFFERED),
)


class FollowUps(Controller):
    """Follow-ups."""

    path = "/v1/follow-ups"

    @get(opt=described(LIST))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer a page."""
        said, kind = query_of(request, "why", "limit", "cursor"), format_of(request, JSON, CSV)
        if said.get("why", REASONS[0]) not in REASONS:
            raise NotAcceptable.of(parameter="why", code="unknown-code", detail=f"One of {', '.join(REASONS)}.")
        page = await follow_up_page(
            service_of(request).desk,
            caller_of(request).tenant_id,
            cursor=said.get("cursor"),
            limit=limit_parameter(said),
            why=[said["why"]] if "why" in said else None,
        )
        note_found(request, len(page.lines))
        return answered(page, kind, self.path, said, named=principal_of(request).scopes.identified)


def answered(page: FollowUpPage, kind: str, path: str, said: dict[str, str], *, named: bool) -> ASGIResponse:
    """The page in the format asked for; its next link is the same in both formats."""
    if kind == JSON:
        items = msgspec.json.encode([line_of(line, named=named) for line in page.lines])
        return answer_page(Page(items=items, cursor=page.cursor), path, said)
    link = next_link(next_address(page.cursor, path, said))
    return answer(csv_of(page.lines, named=named).encode(), media_type=CSV, headers=link)


def line_of(line: FollowUp, *, named: bool) -> FollowUpLine:
    """A line of the list as answered."""
    last, low = line.last_systolic_mmhg, line.last_diastolic_mmhg
    return FollowUpLine(
        subject_id=str(line.subject_id),
        identifier=line.identifier if named else None,
        why=line.why,
        also=line.also,
        since=line.since,
        by=line.by,
        set_id=str(line.set_id),
        last_taken_at=line.last_taken_at,
        last_result=None if last is None or low is None else LastResult(systolic_mmhg=last, diastolic_mmhg=low),
        next_step=NextStep(action=line.next_step.action, reason=line.next_step.reason),
    )
