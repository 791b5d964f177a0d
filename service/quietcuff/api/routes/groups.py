"""``/v1/groups``: named, stored filters of people, for exports."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Controller, Request, delete, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.operations import AnswerLink, Operation, Reply, described
from quietcuff.api.requests import PathText, query_of
from quietcuff.api.responses import answer, answer_struct
from quietcuff.api.service import service_of
from quietcuff.application import groups
from quietcuff.application.groups import Group
from quietcuff.core.model.registry import NewGroup
from quietcuff.decode.own_json import read
from quietcuff.security.scopes import Need

TAG = "Groups"
ITS_ID = {"group_id": "$response.body#/id"}
LINKS = tuple(
    AnswerLink(operation=operation, parameters=ITS_ID)
    for operation in ("get_group", "read_group", "delete_group", "export_group", "export_group_by_post")
)


class GroupList(msgspec.Struct, frozen=True, kw_only=True):
    """Every group, by name."""

    items: list[Group]


SAVE = Operation(
    id="save_group",
    tag=TAG,
    summary="Store a group",
    description="People by identifier, or by a sitting that they had, or both at once. Who belongs to it is found again each "
    "time it is used.",
    access=Need("Group", "c"),
    body=NewGroup,
    examples={"measured at home in May": "group"},
    replies=(Reply(status=201, description="Stored.", shape=Group, headers=("Location",), links=LINKS),),
    problems=(kinds.CONFLICT,),
)
LIST = Operation(
    id="list_groups",
    tag=TAG,
    summary="Every group",
    access=Need("Group", "s"),
    replies=(Reply(description="The groups, by name.", shape=GroupList),),
)
GET = Operation(
    id="get_group",
    tag=TAG,
    summary="A group, and how many people belong to it now",
    access=Need("Group", "r"),
    replies=(Reply(description="The group.", shape=Group),),
)
DELETE = Operation(
    id="delete_group",
    tag=TAG,
    summary="Delete a group",
    description="Nobody's data is touched; exports that were begun go on.",
    access=Need("Group", "d"),
    replies=(Reply(status=204, description="It is gone."),),
)


class Groups(Controller):
    """Groups."""

    path = "/v1/groups"

    @post(opt=described(SAVE))
    async def save(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Store a group."""
        found = await groups.save_group(service_of(request).desk, caller_of(request), read(body, NewGroup))
        return answer_struct(found, status=201, headers={"Location": f"{self.path}/{found.id}"})

    @get(opt=described(LIST))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer every group."""
        query_of(request)
        return answer_struct(GroupList(items=await groups.list_all_groups(service_of(request).desk, caller_of(request))))

    @get("/{group_id:str}", opt=described(GET))
    async def get_one(self, request: Request[Any, Any, Any], group_id: PathText) -> ASGIResponse:
        """Answer a group."""
        return answer_struct(await groups.read_group(service_of(request).desk, caller_of(request), group_id))

    @delete("/{group_id:str}", status_code=200, opt=described(DELETE))
    async def forget(self, request: Request[Any, Any, Any], group_id: PathText) -> ASGIResponse:
        """Delete a group."""
        await groups.forget_group(service_of(request).desk, caller_of(request), group_id)
        return answer(b"", status=204)
