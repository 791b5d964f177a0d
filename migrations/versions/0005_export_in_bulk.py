"""Export in bulk: jobs that survive restarts, the files they make, and groups as stored queries."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

GUARDED_TABLES = ("patient_group", "export_job", "export_file", "export_chunk")
# What SQLite's planner is told, as in the first migration.
EXPECTED_ROWS = (
    ("patient_group", "sqlite_autoindex_patient_group_1", "100 50 1"),
    ("export_job", "sqlite_autoindex_export_job_1", "100 50 1"),
    ("export_file", "sqlite_autoindex_export_file_1", "2000 1000 20 1"),
    ("export_chunk", "sqlite_autoindex_export_chunk_1", "200000 100000 2000 100 1"),
)


def upgrade() -> None:
    create_patient_group()
    create_export_job()
    create_export_file()
    create_export_chunk()
    if op.get_bind().dialect.name == "postgresql":
        for table in GUARDED_TABLES:
            guard(table)
        # The chunks are compressed already.
        op.execute("ALTER TABLE export_chunk ALTER COLUMN data SET STORAGE EXTERNAL")
    else:
        statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))
        op.bulk_insert(statistics, [dict(zip(("tbl", "idx", "stat"), row, strict=True)) for row in EXPECTED_ROWS])


def downgrade() -> None:
    for table in reversed(GUARDED_TABLES):
        op.drop_table(table)


def create_patient_group() -> None:
    op.create_table(
        "patient_group",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("group_id", Id(), nullable=False),
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("filter", sa.LargeBinary(), nullable=False),
        sa.Column("created_by", sa.String(length=255), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "group_id", name="pk_patient_group"),
    )


def create_export_job() -> None:
    op.create_table(
        "export_job",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("job_id", Id(), nullable=False),
        sa.Column("state", sa.SmallInteger(), nullable=False),
        sa.Column("plan", sa.LargeBinary(), nullable=False),
        sa.Column("progress", sa.LargeBinary(), nullable=False),
        sa.Column("transaction_time", Instant()),
        sa.Column("created_by", sa.String(length=255), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("worker", Id()),
        sa.Column("lease_until", Instant()),
        sa.Column("attempts", sa.SmallInteger(), nullable=False),
        sa.Column("next_poll_at", Instant(), nullable=False),
        sa.Column("expires_at", Instant()),
        sa.PrimaryKeyConstraint("tenant_id", "job_id", name="pk_export_job"),
    )


def create_export_file() -> None:
    op.create_table(
        "export_file",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("job_id", Id(), nullable=False),
        sa.Column("file_number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("purpose", sa.SmallInteger(), nullable=False),
        sa.Column("resource_type", sa.String(length=64), nullable=False),
        sa.Column("resources", sa.Integer(), nullable=False),
        sa.Column("chunks", sa.Integer(), nullable=False),
        sa.Column("plain_bytes", sa.BigInteger(), nullable=False),
        sa.Column("packed_bytes", sa.BigInteger(), nullable=False),
        sa.Column("checksum", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "job_id", "file_number", name="pk_export_file"),
    )


def create_export_chunk() -> None:
    op.create_table(
        "export_chunk",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("job_id", Id(), nullable=False),
        sa.Column("file_number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("chunk_number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "job_id", "file_number", "chunk_number", name="pk_export_chunk"),
    )


def guard(table: str) -> None:
    """Show the rows of one tenant only, to the tables' owner too: the tenant that the transaction has set."""
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    op.execute(
        f"CREATE POLICY one_tenant ON {table} "
        "USING (tenant_id = nullif(current_setting('quietcuff.tenant', true), '')::integer)"
    )
