"""Find cuffs: the size of the cuff of each reading, and of the readings in a mean, where searches look for it."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("reading", sa.Column("cuff", sa.SmallInteger()))
    op.add_column("reading_set", sa.Column("mean_cuff", sa.SmallInteger()))


def downgrade() -> None:
    op.drop_column("reading_set", "mean_cuff")
    op.drop_column("reading", "cuff")
