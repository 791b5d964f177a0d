"""Know payloads again: the keys under which they were sent, with what was answered; the device's user behind a version."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("payload_link", sa.Column("device_user", sa.SmallInteger()))
    op.create_table(
        "payload_claim",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("key_digest", sa.LargeBinary(length=16), nullable=False),
        sa.Column("body_digest", sa.LargeBinary(length=16), nullable=False),
        sa.Column("payload_id", Id(), nullable=False),
        sa.Column("outcome", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "key_digest", name="pk_payload_claim"),
    )
    op.create_index("ix_payload_claim_payload", "payload_claim", ["tenant_id", "payload_id"])
    if op.get_bind().dialect.name == "postgresql":
        guard("payload_claim")


def downgrade() -> None:
    op.drop_table("payload_claim")
    op.drop_column("payload_link", "device_user")


def guard(table: str) -> None:
    """Show the rows of one tenant only, to the tables' owner too: the tenant that the transaction has set."""
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    op.execute(
        f"CREATE POLICY one_tenant ON {table} "
        "USING (tenant_id = nullif(current_setting('quietcuff.tenant', true), '')::integer)"
    )
