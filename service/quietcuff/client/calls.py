"""The requests of the client, each with its answer's type: what is sent does not depend on who waits for it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Generic, TypeVar
from uuid import uuid4

import msgspec

from quietcuff.answered import Envelope, PayloadAnswer
from quietcuff.client.told import OpenSitting, ToldPayload, ToldSitting, gravest, told_of
from quietcuff.core.model.changes import Append, Correction, VoidSet
from quietcuff.core.model.errors import ServiceFailed
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.over_visits.result import Summary
from quietcuff.decode.gatt.body import GattBody

T = TypeVar("T")
Shape = TypeVar("Shape")
Headers = Mapping[str, str]
SETS = "/v1/reading-sets"


class ClientCall(msgspec.Struct, Generic[T], frozen=True, kw_only=True):
    """One request and the reading of its answer. Each may be sent again: reads change nothing, and changes carry a key."""

    method: str
    path: str
    body: bytes | None = None
    headers: dict[str, str] = {}
    understand: Callable[[bytes, Headers], T]


def opening(reading_set: ReadingSet, key: str | None) -> ClientCall[ToldSitting]:
    """Store a sitting: whole, or under way where it is not closed."""
    return _change(SETS, reading_set, key)


def appending(sitting: OpenSitting, append: Append, key: str | None) -> ClientCall[ToldSitting]:
    """Add readings or answers to an open sitting."""
    return _change(f"{SETS}/{sitting.id}/readings", append, key, sitting)


def closing(sitting: OpenSitting, key: str | None) -> ClientCall[ToldSitting]:
    """Close an open sitting."""
    return appending(sitting, Append(closed=True), key)


def correcting(sitting: OpenSitting, correction: Correction, key: str | None) -> ClientCall[ToldSitting]:
    """Put right what was sent."""
    return _change(f"{SETS}/{sitting.id}/corrections", correction, key, sitting)


def voiding(sitting: OpenSitting, reason: str, key: str | None) -> ClientCall[ToldSitting]:
    """Take a whole sitting back."""
    return correcting(sitting, Correction(reason=reason, changes=[VoidSet()]), key)


def reading(set_id: str) -> ClientCall[ToldSitting]:
    """Read a sitting as it stands."""
    return ClientCall(method="GET", path=f"{SETS}/{_id(set_id)}", understand=_sitting)


def summarising(subject_id: str) -> ClientCall[Summary]:
    """Read what a person's sittings come to."""
    return ClientCall(
        method="GET",
        path=f"/v1/subjects/{_id(subject_id)}/summary",
        understand=lambda body, headers: _decoded(body, Summary, headers),
    )


def forwarding(body: GattBody, key: str | None) -> ClientCall[ToldPayload]:
    """Forward the values of a Bluetooth cuff as the device sent them."""
    return ClientCall(
        method="POST",
        path="/v1/device-payloads/gatt",
        body=msgspec.json.encode(body),
        headers=_headers(key),
        understand=_payload,
    )


def _change(path: str, body: msgspec.Struct, key: str | None, sitting: OpenSitting | None = None) -> ClientCall[ToldSitting]:
    headers = _headers(key) if sitting is None else {**_headers(key), "If-Match": sitting.etag}
    return ClientCall(method="POST", path=path, body=msgspec.json.encode(body), headers=headers, understand=_sitting)


def _headers(key: str | None) -> dict[str, str]:
    return {"Content-Type": "application/json", "Idempotency-Key": key or str(uuid4())}


def _id(text: str) -> str:
    """An id as a step of a path: what is none must not become another path.

    Raises:
        ValueError: it is none.
    """
    if not text or not all(mark.isalnum() or mark == "-" for mark in text):
        raise ValueError("an id as the service gave it")
    return text


def _sitting(body: bytes, headers: Headers) -> ToldSitting:
    envelope = _decoded(body, Envelope, headers)
    return told_of(envelope, etag=headers.get("etag"), replayed=headers.get("idempotency-replayed") == "true")


def _payload(body: bytes, headers: Headers) -> ToldPayload:
    answer = _decoded(body, PayloadAnswer, headers)
    sittings = [told_of(envelope) for envelope in answer.reading_sets]
    first = gravest(sittings)
    return ToldPayload(
        safety=first.safety if first else None,
        next_step=first.next_step if first else None,
        sittings=sittings,
        refused=answer.refused,
        replayed=answer.replayed,
    )


def _decoded(body: bytes, shape: type[Shape], headers: Headers) -> Shape:
    try:
        return msgspec.json.decode(body, type=shape)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        detail = "The answer is not what this client knows: is it of another version than the service?"
        raise ServiceFailed(detail, request_id=headers.get("x-request-id")) from error
