"""Keep payloads as they were received, what was made of them, and the list of what was refused."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

GUARDED_TABLES = ("payload", "payload_link", "refused_payload")
# What SQLite's planner is told, as in the first migration.
EXPECTED_ROWS = (
    ("payload", "sqlite_autoindex_payload_1", "1000000 500000 1"),
    ("payload", "ix_payload_digest", "1000000 500000 1"),
    ("payload_link", "sqlite_autoindex_payload_link_1", "1000000 500000 100 5 1"),
    ("payload_link", "ix_payload_link_payload", "1000000 500000 2"),
    ("refused_payload", "sqlite_autoindex_refused_payload_1", "10000 5000 1"),
    ("refused_payload", "ix_refused_payload_refused", "10000 5000 1"),
    ("refused_payload", "ix_refused_payload_payload", "10000 5000 2"),
    ("reading", "ix_reading_source", "4000000 2000000 80 1"),
)


def upgrade() -> None:
    create_payload()
    create_payload_link()
    create_refused_payload()
    op.create_index(
        "ix_reading_source",
        "reading",
        ["tenant_id", "subject_id", "source_key"],
        postgresql_where=sa.text("source_key IS NOT NULL"),
        sqlite_where=sa.text("source_key IS NOT NULL"),
    )
    if op.get_bind().dialect.name == "postgresql":
        for table in GUARDED_TABLES:
            guard(table)
    else:
        statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))
        op.bulk_insert(statistics, [dict(zip(("tbl", "idx", "stat"), row, strict=True)) for row in EXPECTED_ROWS])


def downgrade() -> None:
    op.drop_index("ix_reading_source", table_name="reading")
    for table in reversed(GUARDED_TABLES):
        op.drop_table(table)


def create_payload() -> None:
    op.create_table(
        "payload",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("payload_id", Id(), nullable=False),
        sa.Column("digest", sa.LargeBinary(length=16), nullable=False),
        sa.Column("kind", sa.SmallInteger(), nullable=False),
        sa.Column("media_type", sa.String(length=255), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("received_by", sa.String(length=255), nullable=False),
        sa.Column("received_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "payload_id", name="pk_payload"),
    )
    op.create_index("ix_payload_digest", "payload", ["tenant_id", "digest"], unique=True)


def create_payload_link() -> None:
    op.create_table(
        "payload_link",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("set_id", Id(), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("payload_id", Id(), nullable=False),
        sa.Column("readings", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", "set_id", "version", name="pk_payload_link"),
    )
    op.create_index("ix_payload_link_payload", "payload_link", ["tenant_id", "payload_id"])


def create_refused_payload() -> None:
    op.create_table(
        "refused_payload",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("refused_id", Id(), nullable=False),
        sa.Column("payload_id", Id(), nullable=False),
        sa.Column("place", sa.String(length=255), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("refused_at", Instant(), nullable=False),
        sa.Column("settled_at", Instant()),
        sa.Column("settled_by", Id()),
        sa.PrimaryKeyConstraint("tenant_id", "refused_id", name="pk_refused_payload"),
    )
    op.create_index("ix_refused_payload_refused", "refused_payload", ["tenant_id", "refused_at"])
    op.create_index("ix_refused_payload_payload", "refused_payload", ["tenant_id", "payload_id"])


def guard(table: str) -> None:
    """Show the rows of one tenant only, as in the first migration."""
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    op.execute(
        f"CREATE POLICY one_tenant ON {table} "
        "USING (tenant_id = nullif(current_setting('quietcuff.tenant', true), '')::integer)"
    )
