"""Create the schema: tenants and keys, subjects and devices, sets with their versions and readings, claims, the trail."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

GUARDED_TABLES = ("subject", "device", "reading_set", "set_version", "reading", "claim", "trail")
# SQLite plans by what ANALYZE last counted, or by guesses: on a new file it would look for a set by its tenant alone.
# So it is told at once how many rows there are in the long run, and how many share the first columns of each index.
EXPECTED_ROWS = (
    ("subject", "sqlite_autoindex_subject_1", "100000 50000 1"),
    ("device", "sqlite_autoindex_device_1", "1000 500 1"),
    ("reading_set", "reading_set", "1000000 500000 20 1"),
    ("reading_set", "ix_reading_set_set", "1000000 500000 1"),
    ("reading_set", "ix_reading_set_subject_taken", "1000000 500000 20 1"),
    ("reading_set", "ix_reading_set_taken", "1000000 500000 10"),
    ("reading_set", "ix_reading_set_updated", "1000000 500000 10"),
    ("reading_set", "ix_reading_set_open", "1000 500 2"),
    ("set_version", "sqlite_autoindex_set_version_1", "5000000 2500000 100 5 1"),
    ("reading", "reading", "4000000 2000000 80 4 1"),
    ("reading", "ix_reading_subject_taken", "4000000 2000000 80 2"),
    ("claim", "claim", "1000000 500000 1"),
    ("trail", "trail", "5000000 2500000 10000 1"),
    ("trail", "ix_trail_subject_at", "5000000 2500000 100 2"),
)


def upgrade() -> None:
    create_tenant()
    create_api_key()
    create_subject()
    create_device()
    create_reading_set()
    create_set_version()
    create_reading()
    create_claim()
    create_trail()
    if op.get_bind().dialect.name == "postgresql":
        for table in GUARDED_TABLES:
            guard(table)
    else:
        tell_expected_rows()


def downgrade() -> None:
    for table in (*reversed(GUARDED_TABLES), "api_key", "tenant"):
        op.drop_table(table)


def create_tenant() -> None:
    op.create_table(
        "tenant",
        sa.Column("tenant_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("secret", sa.LargeBinary(length=32), nullable=False),
        sa.Column("settings", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", name="pk_tenant"),
        sa.UniqueConstraint("name", name="uq_tenant_name"),
    )


def create_api_key() -> None:
    op.create_table(
        "api_key",
        sa.Column("key_id", Id(), nullable=False),
        sa.Column("prefix", sa.String(length=8), nullable=False),
        sa.Column("tenant_id", sa.Integer(), nullable=False),
        sa.Column("secret_hash", sa.LargeBinary(length=32), nullable=False),
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("expires_at", Instant()),
        sa.Column("revoked_at", Instant()),
        sa.Column("last_used_at", Instant()),
        sa.PrimaryKeyConstraint("key_id", name="pk_api_key"),
        sa.UniqueConstraint("prefix", name="uq_api_key_prefix"),
    )


def create_subject() -> None:
    op.create_table(
        "subject",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("system", sa.String(length=255), nullable=False),
        sa.Column("value", sa.String(length=255), nullable=False),
        sa.Column("facts", sa.LargeBinary(), nullable=False),
        sa.Column("alias_of", Id()),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("updated_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", name="pk_subject"),
    )


def create_device() -> None:
    op.create_table(
        "device",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("device_id", Id(), nullable=False),
        sa.Column("system", sa.String(length=255), nullable=False),
        sa.Column("value", sa.String(length=255), nullable=False),
        sa.Column("registered", sa.Boolean(), nullable=False),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("updated_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "device_id", name="pk_device"),
    )


def create_reading_set() -> None:
    op.create_table(
        "reading_set",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("set_id", Id(), nullable=False),
        sa.Column("taken_from", Instant(), nullable=False),
        sa.Column("taken_to", Instant(), nullable=False),
        sa.Column("from_offset_minutes", sa.SmallInteger(), nullable=False),
        sa.Column("to_offset_minutes", sa.SmallInteger(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("updated_at", Instant(), nullable=False),
        sa.Column("touched_at", Instant(), nullable=False),
        sa.Column("closed_at", Instant()),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("status", sa.SmallInteger(), nullable=False),
        sa.Column("state", sa.SmallInteger(), nullable=False),
        sa.Column("setting", sa.SmallInteger(), nullable=False),
        sa.Column("protocol", sa.String(length=64), nullable=False),
        sa.Column("device_id", Id()),
        sa.Column("observer", sa.Text()),
        sa.Column("location", sa.Text()),
        sa.Column("encounter", sa.Text()),
        sa.Column("based_on", sa.Text()),
        sa.Column("mean_version", sa.Integer()),
        sa.Column("mean_status", sa.SmallInteger()),
        sa.Column("mean_from_version", sa.Integer()),
        sa.Column("mean_updated_at", Instant()),
        sa.Column("mean_taken_from", Instant()),
        sa.Column("mean_taken_to", Instant()),
        sa.Column("systolic", sa.SmallInteger()),
        sa.Column("diastolic", sa.SmallInteger()),
        sa.Column("counted", sa.SmallInteger()),
        sa.Column("sitting", sa.LargeBinary()),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", "set_id", name="pk_reading_set"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "ix_reading_set_open",
        "reading_set",
        ["tenant_id", "touched_at"],
        postgresql_where=sa.text("closed_at IS NULL"),
        sqlite_where=sa.text("closed_at IS NULL"),
    )
    op.create_index("ix_reading_set_set", "reading_set", ["tenant_id", "set_id"])
    op.create_index("ix_reading_set_subject_taken", "reading_set", ["tenant_id", "subject_id", "taken_from"])
    op.create_index("ix_reading_set_taken", "reading_set", ["tenant_id", "taken_from"])
    op.create_index("ix_reading_set_updated", "reading_set", ["tenant_id", "updated_at"])


def create_set_version() -> None:
    op.create_table(
        "set_version",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("set_id", Id(), nullable=False),
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("cause", sa.SmallInteger(), nullable=False),
        sa.Column("status", sa.SmallInteger(), nullable=False),
        sa.Column("closes_at", Instant()),
        sa.Column("document", sa.LargeBinary(), nullable=False),
        sa.Column("evaluation", sa.LargeBinary(), nullable=False),
        sa.Column("rules_digest", sa.String(length=80), nullable=False),
        sa.Column("changed", sa.Text(), nullable=False),
        sa.Column("author", sa.Text()),
        sa.Column("reason", sa.Text()),
        sa.Column("created_by", sa.String(length=255), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", "set_id", "version", name="pk_set_version"),
    )


def create_reading() -> None:
    op.create_table(
        "reading",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("set_id", Id(), nullable=False),
        sa.Column("reading_index", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("taken_at", Instant(), nullable=False),
        sa.Column("offset_minutes", sa.SmallInteger(), nullable=False),
        sa.Column("systolic", sa.Integer()),
        sa.Column("diastolic", sa.Integer()),
        sa.Column("mean_arterial", sa.Integer()),
        sa.Column("pulse", sa.Integer()),
        sa.Column("site", sa.SmallInteger(), nullable=False),
        sa.Column("position", sa.SmallInteger(), nullable=False),
        sa.Column("method", sa.SmallInteger()),
        sa.Column("rhythm", sa.SmallInteger(), nullable=False),
        sa.Column("flags", sa.SmallInteger(), nullable=False),
        sa.Column("counts", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.SmallInteger()),
        sa.Column("device_id", Id()),
        sa.Column("source_key", sa.LargeBinary(length=16)),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("status", sa.SmallInteger(), nullable=False),
        sa.Column("updated_at", Instant(), nullable=False),
        sa.Column("pulse_version", sa.Integer()),
        sa.Column("pulse_status", sa.SmallInteger()),
        sa.Column("pulse_updated_at", Instant()),
        sa.Column("flags_version", sa.Integer()),
        sa.Column("flags_status", sa.SmallInteger()),
        sa.Column("flags_updated_at", Instant()),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", "set_id", "reading_index", name="pk_reading"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_reading_subject_taken", "reading", ["tenant_id", "subject_id", "taken_at"])


def create_claim() -> None:
    op.create_table(
        "claim",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("key_digest", sa.LargeBinary(length=16), nullable=False),
        sa.Column("kind", sa.SmallInteger(), nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("set_id", Id(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("body_digest", sa.LargeBinary(length=16), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "key_digest", name="pk_claim"),
        sqlite_with_rowid=False,
    )


def create_trail() -> None:
    op.create_table(
        "trail",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("lane", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", Instant(), nullable=False),
        sa.Column("actor", sa.String(length=255), nullable=False),
        sa.Column("action", sa.SmallInteger(), nullable=False),
        sa.Column("outcome", sa.SmallInteger(), nullable=False),
        sa.Column("subject_id", Id()),
        sa.Column("set_id", Id()),
        sa.Column("version", sa.Integer()),
        sa.Column("request_id", Id(), nullable=False),
        sa.Column("chain", sa.LargeBinary(length=32), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "lane", "position", name="pk_trail"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_trail_subject_at", "trail", ["tenant_id", "subject_id", "at"])


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
    op.execute("ANALYZE")
    op.execute("DELETE FROM sqlite_stat1")
    statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))
    op.bulk_insert(statistics, [dict(zip(("tbl", "idx", "stat"), row, strict=True)) for row in EXPECTED_ROWS])
