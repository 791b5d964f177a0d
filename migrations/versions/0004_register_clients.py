"""Register clients of backend authorization, the tokens that they are given, and which of their assertions were used."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("api_key", sa.Column("client_id", Id()))
    op.create_index("ix_api_key_client", "api_key", ["client_id"])
    op.create_table(
        "client",
        sa.Column("client_id", Id(), nullable=False),
        sa.Column("tenant_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("key_set", sa.LargeBinary()),
        sa.Column("key_set_url", sa.Text()),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("revoked_at", Instant()),
        sa.PrimaryKeyConstraint("client_id", name="pk_client"),
    )
    op.create_table(
        "assertion_use",
        sa.Column("client_id", Id(), nullable=False),
        sa.Column("assertion_digest", sa.LargeBinary(length=32), nullable=False),
        sa.Column("expires_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("client_id", "assertion_digest", name="pk_assertion_use"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_assertion_use_expires", "assertion_use", ["expires_at"])


def downgrade() -> None:
    op.drop_table("assertion_use")
    op.drop_table("client")
    op.drop_index("ix_api_key_client", table_name="api_key")
    op.drop_column("api_key", "client_id")
