"""Deliver resources: targets, and the outbox that is written with what it sends."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

GUARDED_TABLES = ("target", "outbox")
EXPECTED_ROWS = (
    ("target", "sqlite_autoindex_target_1", "20 10 1"),
    ("outbox", "outbox", "100000 50000 5 3 1"),
    ("outbox", "ix_outbox_due", "100000 50000 20000 2"),
    ("outbox", "ix_outbox_given_up", "1000 500 200 2"),
)


def upgrade() -> None:
    create_target()
    create_outbox()
    if op.get_bind().dialect.name == "postgresql":
        for table in GUARDED_TABLES:
            guard(table)
    else:
        statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))
        op.bulk_insert(statistics, [dict(zip(("tbl", "idx", "stat"), row, strict=True)) for row in EXPECTED_ROWS])


def downgrade() -> None:
    for table in reversed(GUARDED_TABLES):
        op.drop_table(table)


def create_target() -> None:
    op.create_table(
        "target",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("target_id", Id(), nullable=False),
        sa.Column("kind", sa.SmallInteger(), nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("options", sa.LargeBinary(), nullable=False),
        sa.Column("secret", sa.LargeBinary()),
        sa.Column("earlier_secret", sa.LargeBinary()),
        sa.Column("earlier_secret_until", Instant()),
        sa.Column("state", sa.SmallInteger(), nullable=False),
        sa.Column("reason", sa.String(length=64)),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("updated_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "target_id", name="pk_target"),
    )


def create_outbox() -> None:
    op.create_table(
        "outbox",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("target_id", Id(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("set_id", Id(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("queued_at", Instant(), nullable=False),
        sa.Column("due_at", Instant(), nullable=False),
        sa.Column("attempts", sa.SmallInteger(), nullable=False),
        sa.Column("tried_at", Instant()),
        sa.Column("reason", sa.String(length=64)),
        sa.Column("status", sa.SmallInteger()),
        sa.Column("lease", Id()),
        sa.Column("leased_until", Instant()),
        sa.Column("given_up_at", Instant()),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", "target_id", "position", name="pk_outbox"),
        sqlite_with_rowid=False,
    )
    for name, column, of_rows in (
        ("due", "due_at", "given_up_at IS NULL"),
        ("given_up", "given_up_at", "given_up_at IS NOT NULL"),
    ):
        where = sa.text(of_rows)
        op.create_index(
            f"ix_outbox_{name}", "outbox", ["tenant_id", "target_id", column], postgresql_where=where, sqlite_where=where
        )


def guard(table: str) -> None:
    """Show the rows of one tenant only, to the tables' owner too: the tenant that the transaction has set."""
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    op.execute(
        f"CREATE POLICY one_tenant ON {table} "
        "USING (tenant_id = nullif(current_setting('quietcuff.tenant', true), '')::integer)"
    )
