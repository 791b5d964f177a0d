"""Remember who was of a group when something of theirs was deleted, so that its exports tell of that and of nothing else.

Of what was deleted before nobody knows any more of which groups it was: groups made of sittings go on telling of all of it.
"""

import json

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

SITTINGS = ("taken_from", "taken_until", "location", "protocol", "setting")
patient_group = sa.table(
    "patient_group", sa.column("tenant_id", sa.Integer()), sa.column("group_id", Id()), sa.column("filter", sa.LargeBinary())
)
group_former = sa.table(
    "group_former", sa.column("tenant_id", sa.Integer()), sa.column("group_id", Id()), sa.column("subject_id", Id())
)
DELETED = [
    sa.table(name, sa.column("tenant_id", sa.Integer()), sa.column("subject_id", Id()))
    for name in ("deleted_set", "deleted_subject")
]


def upgrade() -> None:
    op.create_table(
        "group_former",
        sa.Column("tenant_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("group_id", Id(), nullable=False),
        sa.Column("subject_id", Id(), nullable=False),
        sa.PrimaryKeyConstraint("tenant_id", "group_id", "subject_id", name="pk_group_former"),
    )
    connection = op.get_bind()
    for tenant_id in connection.execute(sa.text("SELECT tenant_id FROM tenant ORDER BY tenant_id")).scalars().all():
        if connection.dialect.name == "postgresql":
            # Row security shows the owner of the tables no more than one tenant either.
            connection.execute(sa.text("SELECT set_config('quietcuff.tenant', :tenant, true)"), {"tenant": str(tenant_id)})
        fill(connection, tenant_id)
    if connection.dialect.name == "postgresql":
        guard("group_former")


def downgrade() -> None:
    op.drop_table("group_former")


def fill(connection: sa.Connection, tenant_id: int) -> None:
    """Have the groups of sittings remember everybody of whom something was deleted before."""
    groups = connection.execute(sa.select(patient_group).where(patient_group.c.tenant_id == tenant_id)).all()
    gone = sa.union(*(sa.select(table.c.subject_id).where(table.c.tenant_id == tenant_id) for table in DELETED))
    people = connection.execute(gone).scalars().all()
    found = [
        {"tenant_id": tenant_id, "group_id": group.group_id, "subject_id": person}
        for group in groups
        if any(json.loads(group.filter).get(name) is not None for name in SITTINGS)
        for person in people
    ]
    if found:
        connection.execute(sa.insert(group_former), found)


def guard(table: str) -> None:
    """Show the rows of one tenant only, to the tables' owner too: the tenant that the transaction has set."""
    op.execute(f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY")
    op.execute(f"ALTER TABLE {table} FORCE ROW LEVEL SECURITY")
    op.execute(
        f"CREATE POLICY one_tenant ON {table} "
        "USING (tenant_id = nullif(current_setting('quietcuff.tenant', true), '')::integer)"
    )
