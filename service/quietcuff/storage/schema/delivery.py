"""The tables of delivery: a tenant's targets, and what is still to be sent to them.

A row of the outbox is written in the same transaction as the version it announces. It holds no content: what is sent is read
when it is sent. A delivered row is removed. A row that was given up stays until it is replayed or its target is removed.
"""

from __future__ import annotations

from sqlalchemy import Column, Index, Integer, LargeBinary, SmallInteger, String, Table, Text

from quietcuff.storage.schema.base import Id, Instant, metadata, where

target = Table(
    "target",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("target_id", Id, primary_key=True),
    Column("kind", SmallInteger, nullable=False, doc="TARGET_KIND"),
    Column("url", Text, nullable=False),
    Column("options", LargeBinary, nullable=False, doc="JSON: what to send"),
    Column("secret", LargeBinary, doc="key of signatures, or the bearer token; null for none"),
    Column("earlier_secret", LargeBinary, doc="the key before, which still signs for a while"),
    Column("earlier_secret_until", Instant),
    Column("state", SmallInteger, nullable=False, doc="TARGET_STATE"),
    Column("reason", String(64), doc="why it is not active"),
    Column("created_at", Instant, nullable=False),
    Column("updated_at", Instant, nullable=False),
)

delivery_place = Table(
    "delivery_place",
    metadata,
    Column("delivery_place_id", Integer, primary_key=True, autoincrement=False, doc="1: there is one"),
    Column("place", Text, nullable=False, doc="where the database was when it was last told to deliver"),
    Column("public_url", Text, nullable=False, doc="under which address; empty where none was set"),
    Column("set_at", Instant, nullable=False),
)

outbox = Table(
    "outbox",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("target_id", Id, primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False, doc="order among what waits for one person and target"),
    Column("set_id", Id, nullable=False),
    Column("version", Integer, nullable=False),
    Column("queued_at", Instant, nullable=False),
    Column("due_at", Instant, nullable=False, doc="not to be tried before"),
    Column("attempts", SmallInteger, nullable=False),
    Column("tried_at", Instant),
    Column("reason", String(64), doc="what came of the last attempt"),
    Column("status", SmallInteger, doc="HTTP status of the last attempt"),
    Column("lease", Id, doc="the claim of the worker that has it, until leased_until"),
    Column("leased_until", Instant),
    Column("given_up_at", Instant, doc="null while it is still to be sent"),
    sqlite_with_rowid=False,
)
Index("ix_outbox_due", outbox.c.tenant_id, outbox.c.target_id, outbox.c.due_at, **where(outbox.c.given_up_at.is_(None)))
Index(
    "ix_outbox_given_up",
    outbox.c.tenant_id,
    outbox.c.target_id,
    outbox.c.given_up_at,
    **where(outbox.c.given_up_at.is_not(None)),
)
