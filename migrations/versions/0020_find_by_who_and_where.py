"""Find what somebody measured, means by who measured and where, and flags of a device, in the order of time."""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None

# By name: the table, its columns behind the tenant, and the column without which a row is left out.
INDEXES = {
    "ix_reading_performer": ("reading", ["performer", "taken_at"], "performer"),
    "ix_reading_flags_device": ("reading", ["device_id", "taken_at"], "flags_version"),
    "ix_reading_set_mean_observer": ("reading_set", ["observer", "mean_taken_from"], "observer"),
    "ix_reading_set_mean_location": ("reading_set", ["location", "mean_taken_from"], "location"),
}
# The figures that the planner would find in a database that has been in use for long.
STATISTICS = {
    "ix_reading_performer": "100000 50000 2000 1",
    "ix_reading_flags_device": "1000 500 20 1",
    "ix_reading_set_mean_observer": "100000 50000 2000 1",
    "ix_reading_set_mean_location": "100000 50000 2000 1",
}
statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))


def upgrade() -> None:
    for index, (table, columns, needed) in INDEXES.items():
        where = sa.text(f"{needed} IS NOT NULL")
        op.create_index(index, table, ["tenant_id", *columns], postgresql_where=where, sqlite_where=where)
    if op.get_bind().dialect.name == "sqlite":
        rows = [{"tbl": INDEXES[index][0], "idx": index, "stat": stat} for index, stat in STATISTICS.items()]
        op.bulk_insert(statistics, rows)


def downgrade() -> None:
    for index, (table, _, _) in INDEXES.items():
        op.drop_index(index, table)
    if op.get_bind().dialect.name == "sqlite":
        op.execute(sa.delete(statistics).where(statistics.c.idx.in_(INDEXES)))
