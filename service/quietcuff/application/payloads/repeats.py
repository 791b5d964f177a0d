"""Payloads sent again under a key: recognised by their meaning, and answered as the first time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.answered import RefusedPayload
from quietcuff.application.context import Answer, UnitOfWork
from quietcuff.application.evaluate_and_keep import answer_of
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.storage.engine.ids import keyed_digest
from quietcuff.storage.rows.payload_claims import PayloadClaim, find_payload_claim, insert_payload_claim
from quietcuff.storage.rows.tenants import Tenant
from quietcuff.storage.rows.versions import numbered_answer


class ReceivedSets(msgspec.Struct, frozen=True, kw_only=True):
    """Outcome of a payload. ``sets`` are the envelopes of the sets it changed, then of those that held its readings already.
    ``repeated`` is True if this is the answer to an earlier request, given at ``at``."""

    payload_id: str
    sets: list[Answer]
    changed: int
    replayed: int
    refused: list[RefusedPayload]
    at: datetime
    repeated: bool = False

    @property
    def is_success(self) -> bool:
        """True if anything of it was understood, or there was nothing to refuse."""
        return bool(self.sets or self.replayed or not self.refused)

    def body(self, spoken: Callable[[bytes], bytes] = bytes) -> bytes:
        """The answer as JSON, with the envelopes as stored bytes, or as they are ``spoken`` in a language."""
        sets = b",".join(spoken(answer.body) for answer in self.sets)
        head = f'{{"payload_id":"{self.payload_id}","reading_sets":['.encode()
        tail = f'],"replayed":{self.replayed},"refused":'.encode()
        return head + sets + tail + msgspec.json.encode(self.refused) + b"}"


class KeptAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """An answer as stored: sets by id and version, so that their content is not stored twice."""

    sets: list[tuple[UUID, int]]
    changed: int
    replayed: int
    refused: list[RefusedPayload]


class Retry(msgspec.Struct, frozen=True, kw_only=True):
    """Digests of a key and of the payload sent with it."""

    key: bytes
    body: bytes


OUTCOME = DocumentDecoder(KeptAnswer)


def retry_of(tenant: Tenant, kind: str, body: bytes, key: str | None) -> Retry | None:
    """Digests by which a payload sent with a key is recognised."""
    if key is None:
        return None
    said = keyed_digest(tenant.secret, b"payload-body", kind.encode(), meaning_of(kind, body).hex().encode())
    return Retry(key=keyed_digest(tenant.secret, b"payload-key", key.encode()), body=said)


def meaning_of(kind: str, body: bytes) -> bytes:
    """Bytes of a payload reduced to its meaning: in JSON without key order, white space, nulls, and spelling of numbers."""
    if kind == "hl7v2":
        return body
    try:
        return msgspec.json.encode(without_nulls(JSON.decode(body)), order="sorted")
    except (msgspec.MsgspecError, UnicodeError, RecursionError, ValueError):
        return body


def number_of(text: str) -> Any:
    number = float(text)
    # Above 2**53 a float no longer tells neighbouring whole numbers apart; two of them must not become one.
    return int(number) if number.is_integer() and abs(number) < 2**53 else number


def without_nulls(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: without_nulls(one) for name, one in value.items() if one is not None}
    return [without_nulls(one) for one in value] if isinstance(value, list) else value


JSON = msgspec.json.Decoder(float_hook=number_of)


def answered_before(turn: UnitOfWork, retry: Retry | None) -> ReceivedSets | None:
    """The answer to the same request, if it came before.

    Raises:
        NotAcceptable: the key stands for another payload.
    """
    claim = None if retry is None else find_payload_claim(turn.transaction, turn.tenant.tenant_id, retry.key, turn.now)
    if retry is None or claim is None:
        return None
    if claim.body_digest != retry.body:
        detail = "A key that was not used with another body; each request its own."
        raise NotAcceptable.of(header="Idempotency-Key", code="key-reused", detail=detail)
    outcome = OUTCOME.decode(claim.outcome)
    found = [numbered_answer(turn.transaction, turn.tenant.tenant_id, set_id, number) for set_id, number in outcome.sets]
    return ReceivedSets(
        payload_id=str(claim.payload_id),
        sets=[answer_of(version) for version in found if version is not None],
        changed=outcome.changed,
        replayed=outcome.replayed,
        refused=outcome.refused,
        at=claim.created_at,
        repeated=True,
    )


def remember(turn: UnitOfWork, retry: Retry | None, received: ReceivedSets) -> None:
    """Store an answer under its key, if it was a success."""
    # A refusal is not kept: once the cause is repaired, the same request under the same key may succeed.
    if retry is None or not received.is_success:
        return
    outcome = KeptAnswer(
        sets=[(UUID(answer.set_id), answer.version) for answer in received.sets],
        changed=received.changed,
        replayed=received.replayed,
        refused=received.refused,
    )
    new = PayloadClaim(
        tenant_id=turn.tenant.tenant_id,
        key_digest=retry.key,
        body_digest=retry.body,
        payload_id=UUID(received.payload_id),
        outcome=msgspec.json.encode(outcome),
        created_at=turn.now,
    )
    insert_payload_claim(turn.transaction, new)
