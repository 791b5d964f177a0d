"""Find readings by the identifiers that their senders gave them. The column is filled from the documents that stand."""

import json
from typing import Any

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

NAMED = "ix_reading_identifier"
SETS_A_PAGE = 500
KEY = ("tenant_id", "subject_id", "set_id")
statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))


def keyed(name: str, *columns: Any) -> Any:
    return sa.table(
        name, sa.column("tenant_id", sa.Integer()), sa.column("subject_id", Id()), sa.column("set_id", Id()), *columns
    )


reading_set = keyed("reading_set", sa.column("version", sa.Integer()))
set_version = keyed("set_version", sa.column("version", sa.Integer()), sa.column("document", sa.LargeBinary()))
reading = keyed("reading", sa.column("reading_index", sa.SmallInteger()), sa.column("identifier", sa.Text()))


def upgrade() -> None:
    op.add_column("reading", sa.Column("identifier", sa.Text()))
    where = sa.text("identifier IS NOT NULL")
    op.create_index(NAMED, "reading", ["tenant_id", "identifier"], postgresql_where=where, sqlite_where=where)
    connection = op.get_bind()
    if connection.dialect.name == "sqlite":
        # The figures that the planner would find in a database that has been in use for long.
        op.bulk_insert(statistics, [{"tbl": "reading", "idx": NAMED, "stat": "100000 50000 1"}])
    for tenant_id in connection.execute(sa.text("SELECT tenant_id FROM tenant ORDER BY tenant_id")).scalars().all():
        if connection.dialect.name == "postgresql":
            # Row security shows the owner of the tables no more than one tenant either.
            connection.execute(sa.text("SELECT set_config('quietcuff.tenant', :tenant, true)"), {"tenant": str(tenant_id)})
        fill(connection, tenant_id)


def downgrade() -> None:
    op.drop_index(NAMED, "reading")
    op.drop_column("reading", "identifier")
    if op.get_bind().dialect.name == "sqlite":
        op.execute(sa.delete(statistics).where(statistics.c.idx == NAMED))


def fill(connection: sa.Connection, tenant_id: int) -> None:
    """Write the identifiers of the readings of a tenant, some sets at a time."""
    same = [set_version.c[name] == reading_set.c[name] for name in (*KEY, "version")]
    statement = (
        sa.select(*(reading_set.c[name] for name in KEY), set_version.c.document)
        .select_from(reading_set.join(set_version, sa.and_(*same)))
        .where(reading_set.c.tenant_id == tenant_id)
        .order_by(reading_set.c.subject_id, reading_set.c.set_id)
        .limit(SETS_A_PAGE)
    )
    page = connection.execute(statement).all()
    while page:
        write(connection, page)
        last = sa.tuple_(sa.literal(page[-1].subject_id, Id()), sa.literal(page[-1].set_id, Id()))
        after = sa.tuple_(reading_set.c.subject_id, reading_set.c.set_id) > last
        page = connection.execute(statement.where(after)).all()


def write(connection: sa.Connection, page: Any) -> None:
    found = [
        {f"of_{name}": getattr(row, name) for name in KEY} | {"of_index": index, "said": f"{own['system']}|{own['value']}"}
        for row in page
        for index, one in enumerate(json.loads(row.document)["readings"])
        if (own := one.get("identifier"))
    ]
    if found:
        named = [reading.c[name] == sa.bindparam(f"of_{name}") for name in KEY]
        of_index = reading.c.reading_index == sa.bindparam("of_index")
        connection.execute(sa.update(reading).where(*named, of_index).values(identifier=sa.bindparam("said")), found)
