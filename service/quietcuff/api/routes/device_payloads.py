"""``/v1/device-payloads``, ``/v1/payloads`` and ``/v1/refused-payloads``: payloads, their outcome, and replay."""

from __future__ import annotations

import base64
import binascii
from functools import partial
from typing import Any

import msgspec
from litestar import Controller, Request, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff.answered import PayloadAnswer
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.fhir_responses import FHIR_JSON
from quietcuff.api.operations import AnswerLink, Operation, Reply, described
from quietcuff.api.reads import note_found
from quietcuff.api.requests import (
    IDEMPOTENCY_KEY,
    PAGE_CURSOR,
    PAGE_LENGTH,
    PathText,
    header_of,
    idempotency_key_of,
    limit_parameter,
    query_of,
)
from quietcuff.api.responses import (
    LANGUAGE_HEADERS,
    LANGUAGE_PARAMETERS,
    answer,
    answer_page,
    answer_struct,
    language_headers,
    speaker_of,
)
from quietcuff.api.service import service_of
from quietcuff.application.payloads import refused
from quietcuff.application.payloads.device_payloads import PayloadKind, ReceivedPayload, receive
from quietcuff.application.payloads.hl7v2 import receive_hl7v2
from quietcuff.application.payloads.readers import READERS
from quietcuff.application.payloads.refused import PayloadTold, RefusedListed
from quietcuff.application.payloads.repeats import ReceivedSets
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.decode.gatt.body import GattBody
from quietcuff.decode.hl7v2.message import MEDIA_TYPE as HL7_V2
from quietcuff.decode.own_json import read
from quietcuff.security.scopes import Need
from quietcuff.words.envelopes import spoken_envelope

TAG = "Device payloads"
SEND, READ, SEARCH, UPDATE = (Need("Binary", letter) for letter in "crsu")
FHIR_BODY: dict[str, Any] = {
    "type": "object",
    "required": ["resourceType"],
    "properties": {
        "resourceType": {"type": "string", "enum": ["Bundle", "Observation"]},
        "entry": {"type": "array", "items": {"type": "object"}, "minItems": 1},
    },
    "description": "A FHIR R4 resource.",
}


class RefusedPage(msgspec.Struct, frozen=True, kw_only=True):
    """A page of refused payloads that wait to be settled, the newest first."""

    items: list[RefusedListed]
    next: str | None


class ReplayPayload(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A refused payload to read again: as it is, or repaired, as text or as bytes in base64."""

    text: str | None = None
    base64: str | None = None


LINKS = (AnswerLink(operation="get_payload", parameters={"payload_id": "$response.body#/payload_id"}),)
REPLAYED_HEADER = ("Idempotency-Replayed",)
ANSWER_HEADERS = (*REPLAYED_HEADER, *LANGUAGE_HEADERS)
ANSWERS = (
    Reply(status=200, description="Everything was known already.", shape=PayloadAnswer, headers=ANSWER_HEADERS, links=LINKS),
    Reply(status=201, description="Something new was stored.", shape=PayloadAnswer, headers=ANSWER_HEADERS, links=LINKS),
)
GATT = Operation(
    id="receive_gatt",
    tag=TAG,
    summary="Values of the Bluetooth blood-pressure service",
    description="As a gateway had them from the device, in hexadecimal. Readings join the set named, else an open set "
    "of that person and device of whose sitting they are, else they open a new one. The same reading "
    "sent again is not doubled. What cannot be read is kept and listed as refused; a body of which nothing can be "
    "read is answered 422, and kept as well.",
    access=SEND,
    body=GattBody,
    examples={"one measurement": "gatt"},
    parameters=(IDEMPOTENCY_KEY, *LANGUAGE_PARAMETERS),
    replies=ANSWERS,
)
FHIR = Operation(
    id="receive_fhir",
    tag=TAG,
    summary="Blood pressures as FHIR R4 resources",
    description="An Observation or a Bundle: panels (85354-9) with both pressures, their heart rates and device flags, Patient "
    "and Device. Readings are put into sets by person and device as those of a Bluetooth device are. A mean of several "
    "readings is not a reading. `entered-in-error` takes a reading back, `corrected` and `amended` put it right, by its "
    "identifier. What cannot be read is refused with its place in the resource; the whole is kept as it was received. The "
    "answer speaks the language of `?lang=` or `Accept-Language`, as a set does.",
    access=SEND,
    body=FHIR_BODY,
    media_type=FHIR_JSON,
    examples={"one reading": "fhir-observation"},
    parameters=(IDEMPOTENCY_KEY,),
    replies=ANSWERS,
    problems=(kinds.NOT_READABLE, kinds.NOT_ACCEPTABLE),
)
HL7V2 = Operation(
    id="receive_hl7v2",
    tag=TAG,
    summary="An HL7 v2 report, ORU^R01",
    description="Whenever its MSH can be read the answer is 200 with an acknowledgement: AA, AE or AR, or CA, CE or CR where "
    "MSH-15 or MSH-16 asks. Each thing refused has its ERR. What was acknowledged is on disk; what was refused is kept and "
    "listed. Times without an offset and names of authorities are read as the tenant's settings say.",
    access=SEND,
    body={"type": "string"},
    media_type=HL7_V2,
    examples={"one reading": "hl7v2"},
    parameters=(IDEMPOTENCY_KEY,),
    replies=(
        Reply(description="The acknowledgement.", media_type=HL7_V2, example="hl7v2-acknowledgement", headers=REPLAYED_HEADER),
    ),
    problems=(kinds.NOT_READABLE,),
)
PAYLOAD = Operation(
    id="get_payload",
    tag=TAG,
    summary="A payload as it was received, and what came of it",
    access=READ,
    replies=(Reply(description="The payload.", shape=PayloadTold),),
)
REFUSED = Operation(
    id="list_refused_payloads",
    tag=TAG,
    summary="Payloads that could not be read, newest first",
    access=SEARCH,
    parameters=(PAGE_LENGTH, PAGE_CURSOR),
    replies=(Reply(description="A page.", shape=RefusedPage, headers=("Link",)),),
)
ONE_REFUSED = Operation(
    id="get_refused_payload",
    tag=TAG,
    summary="One part of a payload that was refused",
    access=READ,
    replies=(Reply(description="Why, and whether it was settled since.", shape=RefusedListed),),
)
REPLAY = Operation(
    id="replay_refused_payload",
    tag=TAG,
    summary="Read a refused payload again, as it is or repaired",
    description="The original stays kept. What is read whole is taken off the list.",
    access=UPDATE,
    body=ReplayPayload,
    examples={"as it is": "payload-as-it-is", "repaired": "payload-repaired"},
    parameters=(IDEMPOTENCY_KEY, *LANGUAGE_PARAMETERS),
    replies=ANSWERS,
)


REPEATED = {"Idempotency-Replayed": "true"}


class DevicePayloads(Controller):
    """Payloads as they come."""

    path = "/v1/device-payloads"

    @post("/gatt", opt=described(GATT))
    async def gatt(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Take values of the Bluetooth blood-pressure service."""
        return await take(request, "gatt", body)

    @post("/fhir", opt=described(FHIR))
    async def fhir(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Take FHIR resources."""
        return await take(request, "fhir", body)

    @post("/hl7v2", opt=described(HL7V2))
    async def hl7v2(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Take an HL7 v2 report, and acknowledge it."""
        desk, caller = service_of(request).desk, caller_of(request)
        key = idempotency_key_of(request)
        acknowledged = await receive_hl7v2(desk, caller, body, media_type=media_type_of(request), key=key)
        # An HTTP request is owed an answer, also where MSH-15 and MSH-16 ask for no acknowledgement.
        told = b"".join(acknowledged.answers) or acknowledged.least
        return answer(told, media_type=HL7_V2, headers=REPEATED if acknowledged.repeated else None)


class Payloads(Controller):
    """Payloads as they were received."""

    path = "/v1/payloads"

    @get("/{payload_id:str}", opt=described(PAYLOAD))
    async def payload(self, request: Request[Any, Any, Any], payload_id: PathText) -> ASGIResponse:
        """Answer a payload with its outcome."""
        return answer_struct(await refused.read_payload(service_of(request).desk, caller_of(request), payload_id))


class RefusedPayloads(Controller):
    """Payloads that could not be read."""

    path = "/v1/refused-payloads"

    @get(opt=described(REFUSED))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer a page of them."""
        service, asked = service_of(request), query_of(request, "limit", "cursor")
        limit = limit_parameter(asked)
        page = await refused.list_refused(service.desk, caller_of(request), limit=limit, cursor=asked.get("cursor"))
        note_found(request, page.count)
        return answer_page(page, service.settings.public_url + self.path, asked)

    @get("/{refused_id:str}", opt=described(ONE_REFUSED))
    async def one(self, request: Request[Any, Any, Any], refused_id: PathText) -> ASGIResponse:
        """Answer one of them."""
        return answer_struct(await refused.read_refused(service_of(request).desk, caller_of(request), refused_id))

    @post("/{refused_id:str}/replay", opt=described(REPLAY))
    async def replay(self, request: Request[Any, Any, Any], refused_id: PathText, body: RawBody) -> ASGIResponse:
        """Read one of them again."""
        repaired = repaired_of(read(body, ReplayPayload))
        key = idempotency_key_of(request)
        received = await refused.replay(service_of(request).desk, caller_of(request), refused_id, repaired, key=key)
        return answer_received(request, received)


async def take(request: Request[Any, Any, Any], kind: PayloadKind, body: bytes) -> ASGIResponse:
    """Keep a payload, store its readings, and answer."""
    payload = ReceivedPayload(kind=kind, media_type=media_type_of(request), body=body)
    key = idempotency_key_of(request)
    received = await receive(service_of(request).desk, caller_of(request), payload, READERS[kind], key=key)
    return answer_received(request, received)


def media_type_of(request: Request[Any, Any, Any]) -> str:
    """The Content-Type as sent, cut to the length that can be stored."""
    return (header_of(request, "Content-Type") or "")[:255]


def answer_received(request: Request[Any, Any, Any], received: ReceivedSets) -> ASGIResponse:
    speaker = speaker_of(request)
    headers = {**language_headers(speaker), **(REPEATED if received.repeated else {})}
    body = received.body() if speaker is None else received.body(partial(spoken_envelope, speaker))
    return answer(body, status=201 if received.changed else 200, headers=headers)


def repaired_of(replay: ReplayPayload) -> bytes | None:
    """The repaired bytes; None to read the received ones.

    Raises:
        NotAcceptable: both ways at once, or text that is not base64.
    """
    if replay.text is not None and replay.base64 is not None:
        raise NotAcceptable.of(pointer="/base64", code="named-twice", detail="Either text or base64.")
    if replay.text is not None:
        return replay.text.encode()
    if replay.base64 is None:
        return None
    try:
        return base64.b64decode(replay.base64, validate=True)
    except (binascii.Error, ValueError) as error:
        raise NotAcceptable.of(pointer="/base64", code="not-base64", detail="Base64 (RFC 4648, 4).") from error
