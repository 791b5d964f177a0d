"""Count the uses of keys in each minute, for a limit that all processes share."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "key_use",
        sa.Column("key_digest", sa.LargeBinary(length=32), nullable=False),
        sa.Column("minute", sa.BigInteger(), nullable=False),
        sa.Column("taken", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("key_digest", name="pk_key_use"),
    )


def downgrade() -> None:
    op.drop_table("key_use")
