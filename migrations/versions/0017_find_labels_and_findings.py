"""Find sets by what they were called and what was found in them, by who measured and where.

The columns are filled from the evaluations that stand.
"""

import json
from typing import Any

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

SETS_A_PAGE = 500
KEY = ("tenant_id", "subject_id", "set_id")
INDEXES = {f"ix_reading_set_{name}": name for name in ("observer", "location")}
# The figures that the planner would find in a database that has been in use for long.
STATISTICS = {
    "ix_reading_set_observer": "100000 50000 2000 1",
    "ix_reading_set_location": "100000 50000 2000 1",
}
statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))


def keyed(name: str, *columns: Any) -> Any:
    return sa.table(
        name, sa.column("tenant_id", sa.Integer()), sa.column("subject_id", Id()), sa.column("set_id", Id()), *columns
    )


reading_set = keyed(
    "reading_set", sa.column("version", sa.Integer()), sa.column("labels", sa.Text()), sa.column("findings", sa.Text())
)
set_version = keyed("set_version", sa.column("version", sa.Integer()), sa.column("evaluation", sa.LargeBinary()))


def upgrade() -> None:
    op.add_column("reading_set", sa.Column("labels", sa.Text()))
    op.add_column("reading_set", sa.Column("findings", sa.Text()))
    connection = op.get_bind()
    for index, column in INDEXES.items():
        where = sa.text(f"{column} IS NOT NULL")
        columns = ["tenant_id", column, "taken_from"]
        op.create_index(index, "reading_set", columns, postgresql_where=where, sqlite_where=where)
    if connection.dialect.name == "sqlite":
        op.bulk_insert(statistics, [{"tbl": "reading_set", "idx": index, "stat": stat} for index, stat in STATISTICS.items()])
    for tenant_id in connection.execute(sa.text("SELECT tenant_id FROM tenant ORDER BY tenant_id")).scalars().all():
        if connection.dialect.name == "postgresql":
            # Row security shows the owner of the tables no more than one tenant either.
            connection.execute(sa.text("SELECT set_config('quietcuff.tenant', :tenant, true)"), {"tenant": str(tenant_id)})
        fill(connection, tenant_id)


def downgrade() -> None:
    for index in INDEXES:
        op.drop_index(index, "reading_set")
    op.drop_column("reading_set", "findings")
    op.drop_column("reading_set", "labels")
    if op.get_bind().dialect.name == "sqlite":
        op.execute(sa.delete(statistics).where(statistics.c.idx.in_(list(INDEXES))))


def fill(connection: sa.Connection, tenant_id: int) -> None:
    """Write the labels and findings of the sets of a tenant, some sets at a time."""
    same = [set_version.c[name] == reading_set.c[name] for name in (*KEY, "version")]
    statement = (
        sa.select(*(reading_set.c[name] for name in KEY), set_version.c.evaluation)
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
    named = [reading_set.c[name] == sa.bindparam(f"of_{name}") for name in KEY]
    values = {"labels": sa.bindparam("own_labels"), "findings": sa.bindparam("own_findings")}
    rows = [{f"of_{name}": getattr(row, name) for name in KEY} | marks_of(json.loads(row.evaluation)) for row in page]
    connection.execute(sa.update(reading_set).where(*named).values(values), rows)


def marks_of(evaluation: Any) -> dict[str, str | None]:
    labels = [f"{one['guideline']}:{one['category']}" for one in evaluation["categories"] if one["category"] is not None]
    return {"own_labels": spaced(labels), "own_findings": spaced([one["code"] for one in evaluation["findings"]])}


def spaced(words: list[str]) -> str | None:
    """Words with a space before and after each, each once; null for none."""
    return f" {' '.join(sorted(set(words)))} " if words else None
