"""Delete after retention: what was deleted, whose data is held back, and the ways to what a set leaves elsewhere."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

GUARDED = ("deleted_set", "deleted_subject", "subject_hold")
EXPECTED_ROWS = (
    ("deleted_set", "ix_deleted_set_deleted", "100000 50000 2 1"),
    ("deleted_subject", "ix_deleted_subject_deleted", "10000 5000 2 1"),
    ("claim", "ix_claim_set", "2000000 1000000 2"),
    ("payload", "ix_payload_received", "1000000 500000 2"),
)


def upgrade() -> None:
    create_tables()
    op.create_index("ix_claim_set", "claim", ["tenant_id", "set_id"])
    op.create_index("ix_payload_received", "payload", ["tenant_id", "received_at"])
    if op.get_bind().dialect.name == "postgresql":
        for table in GUARDED:
            guard(table)
    else:
        tell_expected_rows()


def downgrade() -> None:
    op.drop_index("ix_payload_received", "payload")
    op.drop_index("ix_claim_set", "claim")
    for table in reversed(GUARDED):
        op.drop_table(table)


def create_tables() -> None:
    op.create_table(
        "deleted_set",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("set_id", Id(), nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("places", sa.Text(), nullable=False),
        sa.Column("deleted_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "set_id", name="pk_deleted_set"),
    )
    op.create_index("ix_deleted_set_deleted", "deleted_set", ["tenant_id", "deleted_at", "set_id"])
    op.create_table(
        "deleted_subject",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("deleted_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", name="pk_deleted_subject"),
    )
    op.create_index("ix_deleted_subject_deleted", "deleted_subject", ["tenant_id", "deleted_at", "subject_id"])
    op.create_table(
        "subject_hold",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("held_by", sa.String(length=255), nullable=False),
        sa.Column("held_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", name="pk_subject_hold"),
    )


def guard(table: str) -> None:
    """Show the rows of one tenant only, to the tables' owner too: the tenant that the transaction has set."""
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    op.execute(
        f"CREATE POLICY one_tenant ON {table} "
        "USING (tenant_id = nullif(current_setting('quietcuff.tenant', true), '')::integer)"
    )


def tell_expected_rows() -> None:
    """Give SQLite's planner the figures it would find in a database that has been in use for long."""
    statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))
    op.bulk_insert(statistics, [dict(zip(("tbl", "idx", "stat"), row, strict=True)) for row in EXPECTED_ROWS])
