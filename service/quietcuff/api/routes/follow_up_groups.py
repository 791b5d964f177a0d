"""``/fhir/R4/Group/follow-ups``: the follow-up list as a Group, whole or for one reason. Stored groups stand beside it."""

from __future__ import annotations

from typing import Any

from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse

from quietcuff.analytics.follow_ups.follow_ups import REASONS, Why
from quietcuff.analytics.follow_ups.list import MOST_AT_ONCE, whole_list
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.fhir_responses import FHIR_BASE, FHIR_JSON, FHIR_JSON_UTF8, check_format, formats_of, pairs_of
from quietcuff.api.operations import Operation, OperationParameter, Reply, described
from quietcuff.api.reads import note_found
from quietcuff.api.requests import query_of
from quietcuff.api.responses import answer
from quietcuff.api.service import service_of
from quietcuff.application.context import now
from quietcuff.fhir.resources.follow_up_group import Member, follow_up_group, follow_up_group_id
from quietcuff.security.scopes import Need

FORMAT = OperationParameter(name="_format", within="query", schema={"type": "string"}, description="json.")


def operation_of_group(why: Why | None) -> Operation:
    return Operation(
        id="read_follow_up_group" + ("" if why is None else f"_{why.replace('-', '_')}"),
        tag="Follow-ups",
        summary="Who is to be seen and was not" + ("" if why is None else f", {why.replace('-', ' ')}") + ", as a Group",
        description="The people of `GET /v1/follow-ups`, with the same scope, as of now. It is not paged: of more than "
        f"{MOST_AT_ONCE:,} people it is refused, and `/v1/follow-ups` gives them page by page.",
        access=Need("FollowUp", "s"),
        lane="file",
        speaks_fhir=True,
        parameters=(FORMAT,),
        replies=(Reply(description="A Group of actual people, with their references.", media_type=FHIR_JSON),),
        problems=(kinds.BAD_REQUEST, kinds.CONFLICT, kinds.FORMAT_NOT_OFFERED),
    )


def follow_up_group_controller(why: Why | None) -> type[Controller]:
    """The route of the whole list, or of those of one reason."""

    class FollowUpGroup(Controller):
        """One group of people who are to be seen."""

        path = f"{FHIR_BASE}/Group/{follow_up_group_id(why)}"

        @get(opt=described(operation_of_group(why)))
        async def read(self, request: Request[Any, Any, Any]) -> ASGIResponse:
            """Answer the group as it is now."""
            query_of(request, "_format")
            check_format(request, formats_of(pairs_of(request.scope["query_string"])))
            desk, public_url = service_of(request).desk, service_of(request).settings.public_url
            lines = await whole_list(desk, caller_of(request).tenant_id, why=None if why is None else [why])
            note_found(request, len(lines))
            members = (Member(str(line.subject_id), line.since) for line in lines)
            return answer(follow_up_group(public_url, why, members, now(desk)), media_type=FHIR_JSON_UTF8)

    return FollowUpGroup


FOLLOW_UP_GROUP_CONTROLLERS = tuple(follow_up_group_controller(why) for why in (None, *REASONS))
