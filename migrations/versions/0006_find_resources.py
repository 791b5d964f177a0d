"""Find resources: the ways into readings, means, versions, people and the trail that searches take; earlier parties kept."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

# By name: the table, its columns, and for an index of some rows only, which.
INDEXES = {
    "ix_reading_taken": ("reading", ["tenant_id", "taken_at"], None),
    "ix_reading_flags_taken": ("reading", ["tenant_id", "taken_at"], "flags_version IS NOT NULL"),
    "ix_reading_flags_updated": ("reading", ["tenant_id", "flags_updated_at"], "flags_version IS NOT NULL"),
    "ix_reading_device": ("reading", ["tenant_id", "device_id", "taken_at"], "device_id IS NOT NULL"),
    "ix_reading_set_mean_taken": ("reading_set", ["tenant_id", "mean_taken_from"], "mean_version IS NOT NULL"),
    "ix_reading_set_mean_updated": ("reading_set", ["tenant_id", "mean_updated_at"], "mean_version IS NOT NULL"),
    "ix_reading_set_mean_device": (
        "reading_set",
        ["tenant_id", "mean_device_id", "mean_taken_from"],
        "mean_device_id IS NOT NULL",
    ),
    "ix_reading_set_based_on": ("reading_set", ["tenant_id", "based_on"], "based_on IS NOT NULL"),
    "ix_set_version_created": ("set_version", ["tenant_id", "created_at"], None),
    "ix_subject_value": ("subject", ["tenant_id", "value"], None),
    "ix_subject_updated": ("subject", ["tenant_id", "updated_at"], None),
    "ix_trail_at": ("trail", ["tenant_id", "at"], None),
}
EXPECTED_ROWS = (
    ("reading", "ix_reading_taken", "4000000 2000000 2"),
    ("reading", "ix_reading_flags_taken", "40000 20000 2"),
    ("reading", "ix_reading_flags_updated", "40000 20000 2"),
    ("reading", "ix_reading_device", "4000000 2000000 4000 2"),
    ("reading_set", "ix_reading_set_mean_taken", "1000000 500000 2"),
    ("reading_set", "ix_reading_set_mean_updated", "1000000 500000 2"),
    ("reading_set", "ix_reading_set_mean_device", "1000000 500000 1000 2"),
    ("reading_set", "ix_reading_set_mean_long", "10000 5000 2"),
    ("reading_set", "ix_reading_set_based_on", "100000 50000 2"),
    ("set_version", "ix_set_version_created", "5000000 2500000 2"),
    ("subject", "ix_subject_value", "100000 50000 2"),
    ("subject", "ix_subject_updated", "100000 50000 2"),
    ("trail", "ix_trail_at", "5000000 2500000 2"),
)
PAST = ("subject_past", "device_past")


def upgrade() -> None:
    is_postgresql = op.get_bind().dialect.name == "postgresql"
    for column in mean_columns():
        op.add_column("reading_set", column)
    for name, (table, columns, of_rows) in INDEXES.items():
        where = None if of_rows is None else sa.text(of_rows)
        op.create_index(name, table, columns, postgresql_where=where, sqlite_where=where)
    op.create_index(
        "ix_reading_set_mean_long",
        "reading_set",
        ["tenant_id", "mean_taken_from"],
        postgresql_where=sa.text("mean_is_long = true"),
        sqlite_where=sa.text("mean_is_long = 1"),
    )
    create_past()
    if is_postgresql:
        for table in PAST:
            guard(table)
    else:
        tell_expected_rows()


def downgrade() -> None:
    for table in PAST:
        op.drop_table(table)
    op.drop_index("ix_reading_set_mean_long", "reading_set")
    for name, (table, _, _) in reversed(INDEXES.items()):
        op.drop_index(name, table)
    for column in mean_columns():
        op.drop_column("reading_set", column.name)


def mean_columns() -> list[sa.Column]:
    """What the mean shows, exactly; and whether its period is longer than a day."""
    return [
        sa.Column("mean_systolic", sa.Integer()),
        sa.Column("mean_diastolic", sa.Integer()),
        sa.Column("hours_24_systolic", sa.Integer()),
        sa.Column("hours_24_diastolic", sa.Integer()),
        sa.Column("mean_device_id", Id()),
        sa.Column("mean_is_long", sa.Boolean()),
    ]


def create_past() -> None:
    """What people and devices were before they were last changed."""
    op.create_table(
        "subject_past",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("system", sa.String(length=255), nullable=False),
        sa.Column("value", sa.String(length=255), nullable=False),
        sa.Column("facts", sa.LargeBinary(), nullable=False),
        sa.Column("updated_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", "version", name="pk_subject_past"),
    )
    op.create_table(
        "device_past",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("device_id", Id(), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("system", sa.String(length=255), nullable=False),
        sa.Column("value", sa.String(length=255), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("updated_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "device_id", "version", name="pk_device_past"),
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
