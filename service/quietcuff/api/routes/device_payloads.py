"""``/v1/device-payloads``, ``/v1/payloads`` and ``/v1/refused-payloads``: what is sent, and what came of it."""

from __future__ import annotations

import base64
import binascii
from typing import Any

from litestar import Controller, Request, get, post
from litestar.params import FromPath, RawBody
from litestar.response.base import ASGIResponse

from quietcuff.api.caller import caller_of
from quietcuff.api.operations import described
from quietcuff.api.reads import tell_found
from quietcuff.api.requests import header_of, idempotency_key_of, limit_parameter, query_of
from quietcuff.api.responses import answer, answer_page, answer_struct
from quietcuff.api.routes import device_payload_operations as operations
from quietcuff.api.routes.device_payload_operations import Replay
from quietcuff.api.service import service_of
from quietcuff.application.payloads import refused
from quietcuff.application.payloads.device_payloads import Payload, PayloadKind, receive
from quietcuff.application.payloads.hl7v2 import receive_hl7v2
from quietcuff.application.payloads.readers import READERS
from quietcuff.application.payloads.repeats import Received
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.decode.hl7v2.message import MEDIA_TYPE as HL7_V2
from quietcuff.decode.own_json import read
from quietcuff.storage.rows.queries import LONGEST_PAGE

REPEATED = {"Idempotency-Replayed": "true"}


class DevicePayloads(Controller):
    """Payloads as they come."""

    path = "/v1/device-payloads"

    @post("/gatt", opt=described(operations.GATT))
    async def gatt(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Take values of the Bluetooth blood-pressure service."""
        return await take(request, "gatt", body)

    @post("/fhir", opt=described(operations.FHIR))
    async def fhir(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Take FHIR resources."""
        return await take(request, "fhir", body)

    @post("/hl7v2", opt=described(operations.HL7V2))
    async def hl7v2(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Take an HL7 v2 report, and acknowledge it."""
        desk, caller = service_of(request).desk, caller_of(request)
        key = idempotency_key_of(request)
        acknowledged = await receive_hl7v2(desk, caller, body, media_type=media_type_of(request), key=key)
        told = b"".join(acknowledged.answers) or acknowledged.least
        return answer(told, media_type=HL7_V2, headers=REPEATED if acknowledged.repeated else None)


class Payloads(Controller):
    """Payloads as they were received."""

    path = "/v1/payloads"

    @get("/{payload_id:str}", opt=described(operations.PAYLOAD))
    async def payload(self, request: Request[Any, Any, Any], payload_id: FromPath[str]) -> ASGIResponse:
        """Answer a payload with what came of it."""
        return answer_struct(await refused.read_payload(service_of(request).desk, caller_of(request), payload_id))


class RefusedPayloads(Controller):
    """Payloads that could not be read."""

    path = "/v1/refused-payloads"

    @get(opt=described(operations.REFUSED))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer a page of them."""
        service, asked = service_of(request), query_of(request, "limit", "cursor")
        limit = limit_parameter("limit", asked.get("limit", "50"), LONGEST_PAGE)
        page = await refused.list_refused(service.desk, caller_of(request), limit=limit, cursor=asked.get("cursor"))
        tell_found(request, page.count)
        return answer_page(page, service.settings.public_url + self.path, asked)

    @get("/{refused_id:str}", opt=described(operations.ONE_REFUSED))
    async def one(self, request: Request[Any, Any, Any], refused_id: FromPath[str]) -> ASGIResponse:
        """Answer one of them."""
        return answer_struct(await refused.read_refused(service_of(request).desk, caller_of(request), refused_id))

    @post("/{refused_id:str}/replay", opt=described(operations.REPLAY))
    async def replay(self, request: Request[Any, Any, Any], refused_id: FromPath[str], body: RawBody) -> ASGIResponse:
        """Read one of them again."""
        repaired = repaired_of(read(body, Replay))
        key = idempotency_key_of(request)
        received = await refused.replay(service_of(request).desk, caller_of(request), refused_id, repaired, key=key)
        return answer_received(received)


async def take(request: Request[Any, Any, Any], kind: PayloadKind, body: bytes) -> ASGIResponse:
    """Keep a payload, store what it says, and answer."""
    payload = Payload(kind=kind, media_type=media_type_of(request), body=body)
    key = idempotency_key_of(request)
    return answer_received(await receive(service_of(request).desk, caller_of(request), payload, READERS[kind], key=key))


def media_type_of(request: Request[Any, Any, Any]) -> str:
    """As it was sent, as far as it can be kept."""
    return (header_of(request, "Content-Type") or "")[:255]


def answer_received(received: Received) -> ASGIResponse:
    headers = REPEATED if received.repeated else None
    return answer(received.body(), status=201 if received.changed else 200, headers=headers)


def repaired_of(replay: Replay) -> bytes | None:
    """The repaired bytes; None to read what was received.

    Raises:
        NotAcceptable: both ways at once, or text that is no base64.
    """
    if replay.text is not None and replay.base64 is not None:
        raise NotAcceptable([Fault(pointer="/base64", code="named-twice", detail="Either text or base64.")])
    if replay.text is not None:
        return replay.text.encode()
    if replay.base64 is None:
        return None
    try:
        return base64.b64decode(replay.base64, validate=True)
    except (binascii.Error, ValueError) as error:
        raise NotAcceptable([Fault(pointer="/base64", code="not-base64", detail="Base64 (RFC 4648, 4).")]) from error
