"""The tables of retention: deleted sets and people, and people whose data must not be deleted.

A deleted set leaves its ids. Whoever asks for one is told that it is gone, and an export can list it as deleted. No measured
value and no other content is left.
"""

from __future__ import annotations

from sqlalchemy import Column, Index, Integer, String, Table, Text

from quietcuff.storage.schema.base import Id, Instant, metadata

deleted_set = Table(
    "deleted_set",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("set_id", Id, primary_key=True),
    Column("subject_id", Id, nullable=False),
    Column("version", Integer, nullable=False, doc="the newest that it had"),
    Column("places", Text, nullable=False, doc="where it had Observations, such as: r0 p0 r1 mean"),
    Column("deleted_at", Instant, nullable=False),
    Index("ix_deleted_set_deleted", "tenant_id", "deleted_at", "set_id"),
)

deleted_subject = Table(
    "deleted_subject",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("version", Integer, nullable=False, doc="that of the deletion: one more than the newest"),
    Column("deleted_at", Instant, nullable=False, doc="the last time; a person may come again"),
    Index("ix_deleted_subject_deleted", "tenant_id", "deleted_at", "subject_id"),
)

subject_hold = Table(
    "subject_hold",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("reason", Text, nullable=False),
    Column("held_by", String(255), nullable=False),
    Column("held_at", Instant, nullable=False),
)
