"""The table of what-if jobs: the question, the progress and the report. One worker at a time holds a job's lease."""

from __future__ import annotations

from sqlalchemy import Column, Integer, LargeBinary, SmallInteger, Table

from quietcuff.storage.schema.base import Id, Instant, lease_columns, metadata

what_if_job = Table(
    "what_if_job",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("job_id", Id, primary_key=True, doc="random: it stands in the address of the job"),
    Column("state", SmallInteger, nullable=False, doc="EXPORT_STATE"),
    Column("asked", LargeBinary, nullable=False, doc="JSON: what was asked for"),
    Column("reached", LargeBinary, nullable=False, doc="JSON: how far it has come, and what was counted on the way"),
    Column("report", LargeBinary, doc="JSON; null until it is done"),
    *lease_columns(),
    Column("expires_at", Instant, doc="null until the job ends"),
)
