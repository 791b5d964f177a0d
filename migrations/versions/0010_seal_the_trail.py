"""Seal the trail: reads and commands in it, seals of its lanes, and which people each payload tells of.

What is in the trail already is sealed as it stands: it was chained without a key, and what had been done to it before now
cannot be told, but for gaps. From these seals on the chain holds.
"""

import hashlib
import json
from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant, microseconds

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

GUARDED = ("trail_seal", "payload_person")
EXPECTED_ROWS = (
    ("trail_seal", "ix_trail_seal_lane", "1000000 500000 1000 1"),
    ("payload_person", "ix_payload_person_payload", "1000000 500000 2"),
)


def upgrade() -> None:
    op.add_column("trail", sa.Column("what", sa.String(length=255)))
    op.add_column("trail", sa.Column("found", sa.Integer()))
    op.add_column("trail", sa.Column("origin", sa.String(length=64)))
    create_tables()
    connection = op.get_bind()
    for (tenant_id,) in connection.execute(sa.text("SELECT tenant_id FROM tenant ORDER BY tenant_id")).all():
        show_tenant(connection, tenant_id)
        seal_what_is_there(connection, tenant_id)
        link_people(connection, tenant_id)
    if connection.dialect.name == "postgresql":
        for table in GUARDED:
            guard(table)
    else:
        tell_expected_rows()


def downgrade() -> None:
    for table in reversed(GUARDED):
        op.drop_table(table)
    for column in ("origin", "found", "what"):
        op.drop_column("trail", column)


def create_tables() -> None:
    op.create_table(
        "trail_seal",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("lane", sa.BigInteger(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("head", sa.LargeBinary(length=32), nullable=False),
        sa.Column("sealed_at", Instant(), nullable=False),
        sa.Column("key_name", sa.String(length=8)),
        sa.Column("chain", sa.LargeBinary(length=32), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "number", name="pk_trail_seal"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_trail_seal_lane", "trail_seal", ["tenant_id", "lane", "position"])
    op.create_table(
        "payload_person",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.Column("payload_id", Id(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "subject_id", "payload_id", name="pk_payload_person"),
    )
    op.create_index("ix_payload_person_payload", "payload_person", ["tenant_id", "payload_id"])


def show_tenant(connection: sa.Connection, tenant_id: int) -> None:
    """Row security hides every row from the tables' owner too, but for those of the tenant that is set."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("SELECT set_config('quietcuff.tenant', :tenant, true)"), {"tenant": str(tenant_id)})


def seal_what_is_there(connection: sa.Connection, tenant_id: int) -> None:
    """Seal every lane as it stands, without a key."""
    lanes = sa.text(
        "SELECT trail.lane, trail.position, trail.chain FROM trail JOIN"
        " (SELECT lane, max(position) AS position FROM trail WHERE tenant_id = :tenant GROUP BY lane) AS last"
        " ON trail.lane = last.lane AND trail.position = last.position WHERE trail.tenant_id = :tenant ORDER BY trail.lane"
    )
    seal = sa.table(
        "trail_seal",
        *(sa.column(name) for name in ("tenant_id", "number", "lane", "position", "head", "chain")),
        sa.column("sealed_at", Instant()),
    )
    now, link, rows = datetime.now(UTC), bytes(32), []
    for number, (lane, position, head) in enumerate(connection.execute(lanes, {"tenant": tenant_id}).all(), start=1):
        said = [tenant_id, number, lane, position, bytes(head).hex(), microseconds(now)]
        link = hashlib.sha256(link + json.dumps(said, separators=(",", ":")).encode()).digest()
        row = {"tenant_id": tenant_id, "number": number, "lane": lane, "position": position}
        rows.append({**row, "head": bytes(head), "chain": link, "sealed_at": now})
    if rows:
        op.bulk_insert(seal, rows)


def link_people(connection: sa.Connection, tenant_id: int) -> None:
    """Say of each payload that made something whom it tells of."""
    connection.execute(
        sa.text(
            "INSERT INTO payload_person (tenant_id, subject_id, payload_id)"
            " SELECT DISTINCT tenant_id, subject_id, payload_id FROM payload_link WHERE tenant_id = :tenant"
        ),
        {"tenant": tenant_id},
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
