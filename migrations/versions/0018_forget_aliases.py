"""Drop a column that nothing ever filled: the subject into which another was merged."""

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_column("subject", "alias_of")


def downgrade() -> None:
    op.add_column("subject", sa.Column("alias_of", Id()))
