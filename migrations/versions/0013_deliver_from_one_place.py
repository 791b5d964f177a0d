"""Deliver from one place: where a database was when it last was told to deliver, so that a copy of it sends nothing."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Instant

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "delivery_place",
        sa.Column("delivery_place_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("public_url", sa.Text(), nullable=False),
        sa.Column("set_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("delivery_place_id", name="pk_delivery_place"),
    )


def downgrade() -> None:
    op.drop_table("delivery_place")
