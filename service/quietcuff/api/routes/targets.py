"""``/v1/targets``: delivery targets for results, and results that could not be delivered."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Controller, Request, delete, get, patch, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.operations import AnswerLink, Operation, Reply, described
from quietcuff.api.requests import PAGE_LENGTH, Connection, PathText, limit_parameter, query_of
from quietcuff.api.responses import answer_struct
from quietcuff.api.service import service_of
from quietcuff.decode.own_json import read
from quietcuff.delivery import targets
from quietcuff.delivery.documents import (
    NewTarget,
    Replayed,
    SecretMade,
    SendAgain,
    TargetChange,
    TargetList,
    TargetMade,
    TargetRecord,
    UndeliveredList,
)
from quietcuff.security.allowed_addresses import Allowances, read_allowances
from quietcuff.security.scopes import Need

TAG = "Targets"
LINKS = tuple(
    AnswerLink(operation=operation, parameters={"target_id": "$response.body#/id"})
    for operation in ("get_target", "change_target", "rotate_target_secret", "list_undelivered", "delete_target")
)
LIMIT = msgspec.structs.replace(PAGE_LENGTH, description="How many at most.")
MAKE = Operation(
    id="make_target",
    tag=TAG,
    summary="Have everything that is stored from now on sent to a record or a webhook",
    description="A webhook's secret is in this answer and in no other.",
    access=Need("Endpoint", "c"),
    body=NewTarget,
    examples={"a clinical record": "fhir-target", "a webhook": "webhook-target"},
    replies=(Reply(status=201, description="Made.", shape=TargetMade, headers=("Location",), links=LINKS),),
)
LIST = Operation(
    id="list_targets",
    tag=TAG,
    summary="Every target, with how much waits and how much was given up",
    access=Need("Endpoint", "s"),
    replies=(Reply(description="The targets, without their secrets.", shape=TargetList),),
)
GET = Operation(
    id="get_target",
    tag=TAG,
    summary="A target",
    access=Need("Endpoint", "r"),
    replies=(Reply(description="The target, without its secrets.", shape=TargetRecord),),
)
CHANGE = Operation(
    id="change_target",
    tag=TAG,
    summary="Change where or what is sent; pause a target, or have it go on",
    description="`state: active` also tries at once what was put off, and has a target that was stopped go on.",
    access=Need("Endpoint", "u"),
    body=TargetChange,
    examples={"pause": "pause-target", "go on elsewhere": "resume-target"},
    replies=(Reply(description="As it is now.", shape=TargetRecord),),
)
ROTATE = Operation(
    id="rotate_target_secret",
    tag=TAG,
    summary="Make a new secret for a webhook",
    description="For 24 hours both sign: each message carries two signatures.",
    access=Need("Endpoint", "u"),
    replies=(Reply(description="The new secret, shown this once.", shape=SecretMade),),
    problems=(kinds.NOT_ACCEPTABLE,),
)
DELETE = Operation(
    id="delete_target",
    tag=TAG,
    summary="Remove a target, and all that was still to be sent there",
    access=Need("Endpoint", "d"),
    replies=(Reply(status=204, description="Removed."),),
)
UNDELIVERED = Operation(
    id="list_undelivered",
    tag=TAG,
    summary="What was given up on the way to a target, the longest ago first",
    access=Need("Endpoint", "r"),
    parameters=(LIMIT,),
    replies=(Reply(description="The entries, and how many there are in all.", shape=UndeliveredList),),
)
REPLAY = Operation(
    id="replay_undelivered",
    tag=TAG,
    summary="Have what was given up sent again",
    description="The entries named, or all of them. What has moved since is sent as it is now.",
    access=Need("Endpoint", "u"),
    body=SendAgain,
    examples={"everything": "replay-everything", "one": "replay-one"},
    replies=(Reply(description="How many are to be sent again.", shape=Replayed),),
)


class Targets(Controller):
    """Delivery targets."""

    path = "/v1/targets"

    @post(opt=described(MAKE))
    async def make(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Make a target."""
        desk, caller, new = service_of(request).desk, caller_of(request), read(body, NewTarget)
        made = await targets.make_target(desk, caller, new, allowances_of(request))
        return answer_struct(made, status=201, headers={"Location": f"{self.path}/{made.id}"})

    @get(opt=described(LIST))
    async def get_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer every target."""
        return answer_struct(await targets.list_targets(service_of(request).desk, caller_of(request)))

    @get("/{target_id:str}", opt=described(GET))
    async def get_one(self, request: Request[Any, Any, Any], target_id: PathText) -> ASGIResponse:
        """Answer a target."""
        return answer_struct(await targets.read_target(service_of(request).desk, caller_of(request), target_id))

    @patch("/{target_id:str}", opt=described(CHANGE))
    async def change(self, request: Request[Any, Any, Any], target_id: PathText, body: RawBody) -> ASGIResponse:
        """Change a target."""
        desk, caller, wanted = service_of(request).desk, caller_of(request), read(body, TargetChange)
        return answer_struct(await targets.change(desk, caller, target_id, wanted, allowances_of(request)))

    @post("/{target_id:str}/rotate-secret", opt=described(ROTATE))
    async def rotate(self, request: Request[Any, Any, Any], target_id: PathText) -> ASGIResponse:
        """Make a new secret."""
        return answer_struct(await targets.rotate_secret(service_of(request).desk, caller_of(request), target_id))

    @delete("/{target_id:str}", opt=described(DELETE), status_code=200)
    async def remove(self, request: Request[Any, Any, Any], target_id: PathText) -> ASGIResponse:
        """Remove a target."""
        await targets.remove_target(service_of(request).desk, caller_of(request), target_id)
        return ASGIResponse(status_code=204)

    @get("/{target_id:str}/undelivered", opt=described(UNDELIVERED))
    async def undelivered(self, request: Request[Any, Any, Any], target_id: PathText) -> ASGIResponse:
        """Answer the entries that were given up."""
        said = query_of(request, "limit")
        limit = limit_parameter(said)
        return answer_struct(await targets.list_undelivered(service_of(request).desk, caller_of(request), target_id, limit))

    @post("/{target_id:str}/replay", opt=described(REPLAY), status_code=200)
    async def replay(self, request: Request[Any, Any, Any], target_id: PathText, body: RawBody) -> ASGIResponse:
        """Send again."""
        desk, caller, wanted = service_of(request).desk, caller_of(request), read(body, SendAgain)
        return answer_struct(await targets.replay(desk, caller, target_id, wanted))


def allowances_of(connection: Connection) -> Allowances:
    """Addresses to which this service may send beyond public ones."""
    return read_allowances(service_of(connection).settings.deliver_to)
