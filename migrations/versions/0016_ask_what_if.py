"""Ask what other rules would have said: jobs that survive restarts, with what they counted so far."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "what_if_job",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("job_id", Id(), nullable=False),
        sa.Column("state", sa.SmallInteger(), nullable=False),
        sa.Column("asked", sa.LargeBinary(), nullable=False),
        sa.Column("reached", sa.LargeBinary(), nullable=False),
        sa.Column("report", sa.LargeBinary()),
        sa.Column("created_by", sa.String(length=255), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("worker", Id()),
        sa.Column("lease_until", Instant()),
        sa.Column("attempts", sa.SmallInteger(), nullable=False),
        sa.Column("expires_at", Instant()),
        sa.PrimaryKeyConstraint("tenant_id", "job_id", name="pk_what_if_job"),
    )
    if op.get_bind().dialect.name == "postgresql":
        guard("what_if_job")
    else:
        # What SQLite's planner is told, as in the first migration.
        statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))
        known = {"tbl": "what_if_job", "idx": "sqlite_autoindex_what_if_job_1", "stat": "100 50 1"}
        op.bulk_insert(statistics, [known])


def downgrade() -> None:
    op.drop_table("what_if_job")


def guard(table: str) -> None:
    """Show the rows of one tenant only, to the tables' owner too: the tenant that the transaction has set."""
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    op.execute(
        f"CREATE POLICY one_tenant ON {table} "
        "USING (tenant_id = nullif(current_setting('quietcuff.tenant', true), '')::integer)"
    )
