"""The tables of the trail: its rows, and the seals of its chains."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Index, Integer, LargeBinary, SmallInteger, String, Table

from quietcuff.storage.schema.base import Id, Instant, metadata

trail = Table(
    "trail",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("lane", BigInteger, primary_key=True, autoincrement=False, doc="one writer's own chain"),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("at", Instant, nullable=False),
    Column("actor", String(255), nullable=False),
    Column("action", SmallInteger, nullable=False, doc="ACTION"),
    Column("outcome", SmallInteger, nullable=False, doc="OUTCOME"),
    Column("subject_id", Id),
    Column("set_id", Id),
    Column("version", Integer),
    Column("request_id", Id, nullable=False),
    Column("chain", LargeBinary(32), nullable=False, doc="digest of this row and the one before in its lane"),
    Column("what", String(255), doc="operation, search, setting or command; names only, never a value"),
    Column("found", Integer, doc="how many were answered"),
    Column("origin", String(64), doc="from where: an address, or the user of the machine"),
    Index("ix_trail_subject_at", "tenant_id", "subject_id", "at"),
    Index("ix_trail_at", "tenant_id", "at"),
    sqlite_with_rowid=False,
)
trail_seal = Table(
    "trail_seal",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False, doc="of the tenant's seals, from 1 without a gap"),
    Column("lane", BigInteger, nullable=False),
    Column("position", Integer, nullable=False, doc="how many rows the lane had"),
    Column("head", LargeBinary(32), nullable=False, doc="the chain of the last of them"),
    Column("sealed_at", Instant, nullable=False),
    Column("key_name", String(8), doc="of the key in use; null where there is none"),
    Column("chain", LargeBinary(32), nullable=False, doc="digest of this seal and the one before"),
    Index("ix_trail_seal_lane", "tenant_id", "lane", "position"),
    sqlite_with_rowid=False,
)
