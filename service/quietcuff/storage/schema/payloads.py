"""The tables of payloads: the bytes as received, the sets made from them, and the parts that could not be read."""

from __future__ import annotations

from sqlalchemy import Column, Index, Integer, LargeBinary, SmallInteger, String, Table, Text

from quietcuff.storage.schema.base import Id, Instant, metadata

payload = Table(
    "payload",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("payload_id", Id, primary_key=True),
    Column("digest", LargeBinary(16), nullable=False, doc="keyed digest of kind and bytes: the same bytes are kept once"),
    Column("kind", SmallInteger, nullable=False, doc="PAYLOAD_KIND"),
    Column("media_type", String(255), nullable=False),
    Column("size", Integer, nullable=False, doc="bytes, as received"),
    Column("body", LargeBinary, nullable=False, doc="the bytes as received, compressed with zlib"),
    Column("received_by", String(255), nullable=False),
    Column("received_at", Instant, nullable=False),
    Index("ix_payload_digest", "tenant_id", "digest", unique=True),
    Index("ix_payload_received", "tenant_id", "received_at"),
)

payload_link = Table(
    "payload_link",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("set_id", Id, primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("payload_id", Id, nullable=False),
    Column("readings", Text, nullable=False, doc="places of the set that the payload made or changed, such as: 0 2"),
    Column("device_user", SmallInteger, doc="the number of the device's user, where it told one"),
    Index("ix_payload_link_payload", "tenant_id", "payload_id"),
)

payload_claim = Table(
    "payload_claim",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("key_digest", LargeBinary(16), primary_key=True, doc="keyed digest of an Idempotency-Key"),
    Column("body_digest", LargeBinary(16), nullable=False),
    Column("payload_id", Id, nullable=False),
    Column("outcome", LargeBinary, nullable=False, doc="what was answered, by ids and versions, as JSON"),
    Column("created_at", Instant, nullable=False),
    Index("ix_payload_claim_payload", "tenant_id", "payload_id"),
)

payload_person = Table(
    "payload_person",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("payload_id", Id, primary_key=True, doc="it tells of this person, whether anything was made of it or not"),
    Index("ix_payload_person_payload", "tenant_id", "payload_id"),
)

refused_payload = Table(
    "refused_payload",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("refused_id", Id, primary_key=True),
    Column("payload_id", Id, nullable=False),
    Column("place", String(255), nullable=False, doc="where in the payload; empty for all of it"),
    Column("code", String(64), nullable=False),
    Column("detail", Text, nullable=False, doc="what would be accepted; never what was sent"),
    Column("refused_at", Instant, nullable=False),
    Column("settled_at", Instant, doc="when a replay, of it or of a repaired one, was read whole"),
    Column("settled_by", Id, doc="the payload that settled it"),
    Index("ix_refused_payload_refused", "tenant_id", "refused_at"),
    Index("ix_refused_payload_payload", "tenant_id", "payload_id"),
)
