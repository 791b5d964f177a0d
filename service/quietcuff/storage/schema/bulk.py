"""The tables of bulk export: groups as stored queries, jobs, and the files that jobs make.

Files stand in the database in compressed chunks, not in a folder. A chunk and its job's progress are one commit, so that a
killed process leaves nothing half done. Every process can serve every file without a shared disk. Row security and the tenant
in every key protect files like everything else.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Integer, LargeBinary, SmallInteger, String, Table

from quietcuff.storage.schema.base import Id, Instant, lease_columns, metadata

patient_group = Table(
    "patient_group",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("group_id", Id, primary_key=True),
    Column("name", String(255), nullable=False),
    Column("filter", LargeBinary, nullable=False, doc="JSON: who belongs to it"),
    Column("created_by", String(255), nullable=False),
    Column("created_at", Instant, nullable=False),
)

group_former = Table(
    "group_former",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("group_id", Id, primary_key=True),
    Column("subject_id", Id, primary_key=True, doc="who was of the group when something of theirs was deleted"),
)

export_job = Table(
    "export_job",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("job_id", Id, primary_key=True, doc="random: it stands in the addresses of the job and its files"),
    Column("state", SmallInteger, nullable=False, doc="EXPORT_STATE"),
    Column("plan", LargeBinary, nullable=False, doc="JSON: what was asked for"),
    Column("progress", LargeBinary, nullable=False, doc="JSON: how far it has come; committed with the chunks made so far"),
    Column("transaction_time", Instant, doc="null until the job begins"),
    *lease_columns(),
    Column("next_poll_at", Instant, nullable=False, doc="asking earlier is too soon"),
    Column("expires_at", Instant, doc="null until the job ends"),
)

export_file = Table(
    "export_file",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("job_id", Id, primary_key=True),
    Column("file_number", Integer, primary_key=True, autoincrement=False),
    Column("purpose", SmallInteger, nullable=False, doc="FILE_PURPOSE"),
    Column("resource_type", String(64), nullable=False),
    Column("resources", Integer, nullable=False),
    Column("chunks", Integer, nullable=False),
    Column("plain_bytes", BigInteger, nullable=False),
    Column("packed_bytes", BigInteger, nullable=False),
    Column("checksum", BigInteger, nullable=False, doc="CRC-32 of the plain bytes"),
)

export_chunk = Table(
    "export_chunk",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("job_id", Id, primary_key=True),
    Column("file_number", Integer, primary_key=True, autoincrement=False),
    Column("chunk_number", Integer, primary_key=True, autoincrement=False),
    Column("data", LargeBinary, nullable=False, doc="whole lines, deflated, ending at a byte with no last block"),
)
