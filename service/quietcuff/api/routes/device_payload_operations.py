"""What each route for payloads of devices and systems says of itself."""

from __future__ import annotations

from typing import Any

import msgspec

from quietcuff.api import problem_types as kinds
from quietcuff.api.fhir_responses import FHIR_JSON
from quietcuff.api.operations import Link, Operation, Parameter, Reply
from quietcuff.api.parameters import IDEMPOTENCY_KEY
from quietcuff.api.shapes import Envelope
from quietcuff.application.payloads.refused import PayloadTold, RefusedListed
from quietcuff.application.payloads.repeats import RefusedPayload
from quietcuff.decode.gatt.body import GattBody
from quietcuff.decode.hl7v2.message import MEDIA_TYPE as HL7_V2
from quietcuff.security.scopes import Need
from quietcuff.storage.rows.queries import LONGEST_PAGE

TAG = "Device payloads"
SEND, READ, SEARCH, UPDATE = (Need("Binary", letter) for letter in "crsu")
GATT_EXAMPLE: dict[str, Any] = {
    "subject": {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}},
    "device": {"identifier": {"system": "urn:example:device", "value": "SN-0007"}},
    "site": "left-upper-arm",
    "position": "sitting",
    "received_at": "2026-03-14T07:05:20+01:00",
    "payloads": [
        {
            "characteristic": "2A35",
            "value_hex": "1e8e005b006c00ea07030e0705094d00020000",
            "feature_hex": "1f00",
            "sequence": 1,
        }
    ],
}
HL7_EXAMPLE = "\r".join(
    [
        r"MSH|^~\&|PAD|WESTWING|CUFFHUB|REGION7|20260314071512+0100||ORU^R01^ORU_R01|W-000417|P|2.5.1||||||UNICODE UTF-8",
        "PID|1||p-0001^^^WESTWING^MR||Invented^Person||19710422|F",
        "OBR|1|ORD-7741^WESTWING|OBS-0093^PAD|85354-9^Blood pressure panel^LN|||20260314070500+0100",
        "OBX|1|NM|8480-6^Systolic blood pressure^LN|1|138|mm[Hg]^^UCUM|||||F|||20260314070509+0100",
        "OBX|2|NM|8462-4^Diastolic blood pressure^LN|1|86|mm[Hg]^^UCUM|||||F|||20260314070509+0100",
        "OBX|3|NM|8867-4^Heart rate^LN|1|72|/min^^UCUM|||||F|||20260314070509+0100",
        "",
    ]
)
HL7_ANSWER = "\r".join(
    [
        r"MSH|^~\&|CUFFHUB|REGION7|PAD|WESTWING|20260314061513+0000||ACK^R01^ACK|5d0c6f0e8a4b4b0e9c|P|2.5.1||||||UNICODE UTF-8",
        "MSA|AA|W-000417",
        "",
    ]
)

FHIR_BODY: dict[str, Any] = {
    "type": "object",
    "required": ["resourceType"],
    "properties": {
        "resourceType": {"type": "string", "enum": ["Bundle", "Observation"]},
        "entry": {"type": "array", "items": {"type": "object"}, "minItems": 1},
    },
    "description": "A FHIR R4 resource.",
}
FHIR_EXAMPLE: dict[str, Any] = {
    "resourceType": "Observation",
    "identifier": [{"system": "urn:example:observation", "value": "bp-0001"}],
    "status": "final",
    "code": {"coding": [{"system": "http://loinc.org", "code": "85354-9"}]},
    "subject": {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}},
    "effectiveDateTime": "2026-05-04T09:00:00+02:00",
    "bodySite": {"coding": [{"system": "http://snomed.info/sct", "code": "368208006"}]},
    "device": {"identifier": {"system": "urn:example:device", "value": "SN-0007"}},
    "component": [
        {
            "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
            "valueQuantity": {"value": value, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"},
        }
        for code, value in (("8480-6", 142), ("8462-4", 88))
    ],
}


class PayloadAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """What came of a payload: the sets that it changed, then those that held its readings already; how many were known;
    what could not be read, with the place in the list of refused payloads."""

    payload_id: str
    reading_sets: list[Envelope]
    replayed: int
    refused: list[RefusedPayload]


class RefusedPage(msgspec.Struct, frozen=True, kw_only=True):
    """A page of refused payloads that wait to be settled, the newest first."""

    items: list[RefusedListed]
    next: str | None


class Replay(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How to read a refused payload again: as it is, or repaired, as text or as bytes in base64."""

    text: str | None = None
    base64: str | None = None


LINKS = (Link(operation="get_payload", parameters={"payload_id": "$response.body#/payload_id"}),)
REPEATED = ("Idempotency-Replayed",)
ANSWERS = (
    Reply(status=200, description="Everything was known already.", shape=PayloadAnswer, headers=REPEATED, links=LINKS),
    Reply(status=201, description="Something new was stored.", shape=PayloadAnswer, headers=REPEATED, links=LINKS),
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
    examples={"one measurement": GATT_EXAMPLE},
    parameters=(IDEMPOTENCY_KEY,),
    replies=ANSWERS,
)
FHIR = Operation(
    id="receive_fhir",
    tag=TAG,
    summary="Blood pressures as FHIR R4 resources",
    description="An Observation or a Bundle: panels (85354-9) with both pressures, their heart rates and device flags, Patient "
    "and Device. Readings are put into sets by person and device as those of a Bluetooth device are. A mean of several "
    "readings is not a reading. `entered-in-error` takes a reading back, `corrected` and `amended` put it right, by its "
    "identifier. What cannot be read is refused with its place in the resource; the whole is kept as it was received.",
    access=SEND,
    body=FHIR_BODY,
    media_type=FHIR_JSON,
    examples={"one reading": FHIR_EXAMPLE},
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
    examples={"one reading": HL7_EXAMPLE},
    parameters=(IDEMPOTENCY_KEY,),
    replies=(Reply(description="The acknowledgement.", media_type=HL7_V2, example=HL7_ANSWER, headers=REPEATED),),
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
    parameters=(
        Parameter(
            name="limit",
            within="query",
            schema={"type": "integer", "minimum": 1, "maximum": LONGEST_PAGE, "default": 50},
            description="The length of the page.",
        ),
        Parameter(name="cursor", within="query", schema={"type": "string"}, description="From an earlier page's next link."),
    ),
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
    body=Replay,
    examples={"as it is": {}, "repaired": {"text": "{}"}},
    parameters=(IDEMPOTENCY_KEY,),
    replies=ANSWERS,
)
