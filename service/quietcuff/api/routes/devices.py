"""``/v1/devices``: the registry of devices, with their validation, cuffs and checks."""

from __future__ import annotations

from typing import Any

from litestar import Controller, Request, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff import application
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.openapi import DeviceRecord
from quietcuff.api.operations import AnswerLink, Operation, Reply, described, saved_replies
from quietcuff.api.requests import IF_MATCH_OPTIONAL, IF_NONE_MATCH, PathText, if_match_of, is_known_already
from quietcuff.api.responses import answer_record, not_modified
from quietcuff.api.service import service_of
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.decode.own_json import read
from quietcuff.security.scopes import Need

TAG = "Devices"
LINKS = (
    AnswerLink(operation="get_device", parameters={"device_id": "$response.body#/id"}),
    AnswerLink(operation="read_device", parameters={"resource_id": "$response.body#/id"}),
)
SAVE = Operation(
    id="save_device",
    tag=TAG,
    summary="Register a device, or replace what is known of it",
    description="By identifier; the whole document each time.",
    access=Need("Device", "c"),
    parameters=(IF_MATCH_OPTIONAL,),
    body=RegisteredDevice,
    examples={"a validated device with two cuffs": "device"},
    replies=saved_replies(DeviceRecord, LINKS),
    problems=(kinds.BAD_HEADER, kinds.VERSION_STALE),
)
GET = Operation(
    id="get_device",
    tag=TAG,
    summary="A registered device",
    access=Need("Device", "r"),
    parameters=(IF_NONE_MATCH,),
    replies=(
        Reply(description="The device.", shape=DeviceRecord, headers=("ETag",)),
        Reply(status=304, description="The caller has it already.", headers=("ETag",)),
    ),
)


class Devices(Controller):
    """Devices."""

    path = "/v1/devices"

    @post(opt=described(SAVE))
    async def save(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Register a device."""
        desk, caller = service_of(request).desk, caller_of(request)
        document = read(body, RegisteredDevice, application.faults_of_device)
        record = await application.save_device(desk, caller, document, if_match=if_match_of(request))
        return answer_record(record, location=f"{self.path}/{record.id}")

    @get("/{device_id:str}", opt=described(GET))
    async def get_one(self, request: Request[Any, Any, Any], device_id: PathText) -> ASGIResponse:
        """Answer the device."""
        record = await application.read_device(service_of(request).desk, caller_of(request), device_id)
        etag = f'"{record.version}"'
        return not_modified(etag) if is_known_already(request, etag) else answer_record(record)
