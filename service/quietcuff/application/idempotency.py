"""Idempotency claims: digests that recognise a repeated request, and the first answer to it."""

from __future__ import annotations

from uuid import UUID

import msgspec

from quietcuff.application.context import Answer, UnitOfWork
from quietcuff.application.evaluate_and_keep import answer_of
from quietcuff.core.model.errors import Conflict, Fault, NotAcceptable
from quietcuff.core.model.readings import Identifier
from quietcuff.storage.engine.ids import keyed_digest
from quietcuff.storage.rows.claims import Claim, find_claim, insert_claim
from quietcuff.storage.rows.tenants import Tenant
from quietcuff.storage.rows.versions import numbered_answer
from quietcuff.storage.schema.codes import CLAIM_KIND

ENCODER = msgspec.json.Encoder()


class Claims(msgspec.Struct, frozen=True, kw_only=True):
    """Claims of one request: digests of its key, of its identifier, and of its content. Key and identifier may be missing."""

    key: bytes | None
    identifier: bytes | None
    body: bytes

    def digests(self) -> list[tuple[str, bytes]]:
        """Digests by kind, the key before the identifier."""
        return [(kind, digest) for kind, digest in (("key", self.key), ("identifier", self.identifier)) if digest]


def claims_of(
    tenant: Tenant, route: str, body: msgspec.Struct, *, key: str | None, identifier: Identifier | None = None
) -> Claims:
    """Claims of a request. The body is recognised by its meaning, not by the way its JSON was written. A request with neither
    key nor identifier claims nothing, and its body is not encoded for it."""
    secret = tenant.secret
    if key is None and identifier is None:
        return Claims(key=None, identifier=None, body=b"")
    return Claims(
        key=None if key is None else keyed_digest(secret, b"key", key.encode()),
        identifier=None
        if identifier is None
        else keyed_digest(secret, b"identifier", identifier.system.encode(), identifier.value.encode()),
        body=body_digest(tenant, route, body),
    )


def body_digest(tenant: Tenant, route: str, body: msgspec.Struct) -> bytes:
    """The digest by which the body of a request is recognised."""
    # Encoded anew from the struct, so that other white space or order of keys does not make it another body.
    return keyed_digest(tenant.secret, b"body", route.encode(), ENCODER.encode(body))


def first_answer(turn: UnitOfWork, claims: Claims) -> Answer | None:
    """The answer to the same request, if it came before.

    Raises:
        NotAcceptable: the key stands for a request with another body.
        Conflict: the identifier stands for a set with another body.
    """
    for kind, digest in claims.digests():
        found = find_claim(turn.transaction, turn.tenant.tenant_id, digest, turn.now)
        if found is None:
            continue
        # Bodies are compared, not only keys: a key used for two requests must not return the answer of the wrong one.
        if found.body_digest != claims.body:
            refuse_another_body(kind, found.set_id)
        version = numbered_answer(turn.transaction, turn.tenant.tenant_id, found.set_id, found.version)
        if version is not None:
            return answer_of(version, created=version.cause == "created", replayed=True)
    return None


def refuse_another_body(kind: str, set_id: UUID) -> None:
    if kind == "key":
        detail = "A key that was not used with another body; each request its own."
        raise NotAcceptable([Fault(header="Idempotency-Key", code="key-reused", detail=detail)])
    raise Conflict("identifier-taken", "A set with this identifier and another body is stored.", str(set_id))


def keep_claims(turn: UnitOfWork, claims: Claims, subject_id: UUID, set_id: UUID, version: int) -> None:
    """Store the claims as claims of a version."""
    for kind, digest in claims.digests():
        new = Claim(
            tenant_id=turn.tenant.tenant_id,
            key_digest=digest,
            kind=CLAIM_KIND.number(kind),
            subject_id=subject_id,
            set_id=set_id,
            version=version,
            body_digest=claims.body,
            created_at=turn.now,
        )
        insert_claim(turn.transaction, new)
