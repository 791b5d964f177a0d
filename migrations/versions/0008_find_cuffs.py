"""Find cuffs: the size of the cuff of each reading, and of the readings in a mean, where searches look for it.

Filled for what is stored already from the documents that its resources are made of.
"""

import json
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

SIZES = ("other", "pediatric", "small-adult", "adult", "large-adult", "extra-large-adult", "thigh")
SAME_SIZE = {"paediatric": "pediatric", "child": "pediatric"}
SETS_A_PAGE = 500
KEY = ("tenant_id", "subject_id", "set_id")
reading_set = sa.table(
    "reading_set",
    sa.column("tenant_id", sa.Integer()),
    sa.column("subject_id", Id()),
    sa.column("set_id", Id()),
    sa.column("version", sa.Integer()),
    sa.column("mean_from_version", sa.Integer()),
    sa.column("mean_cuff", sa.SmallInteger()),
)
set_version = sa.table(
    "set_version",
    sa.column("tenant_id", sa.Integer()),
    sa.column("subject_id", Id()),
    sa.column("set_id", Id()),
    sa.column("version", sa.Integer()),
    sa.column("document", sa.LargeBinary()),
    sa.column("evaluation", sa.LargeBinary()),
)
reading = sa.table(
    "reading",
    sa.column("tenant_id", sa.Integer()),
    sa.column("subject_id", Id()),
    sa.column("set_id", Id()),
    sa.column("reading_index", sa.SmallInteger()),
    sa.column("cuff", sa.SmallInteger()),
)


def upgrade() -> None:
    op.add_column("reading", sa.Column("cuff", sa.SmallInteger()))
    op.add_column("reading_set", sa.Column("mean_cuff", sa.SmallInteger()))
    connection = op.get_bind()
    for tenant_id in connection.execute(sa.text("SELECT tenant_id FROM tenant ORDER BY tenant_id")).scalars().all():
        if connection.dialect.name == "postgresql":
            # Row security shows the owner of the tables no more than one tenant either.
            connection.execute(sa.text("SELECT set_config('quietcuff.tenant', :tenant, true)"), {"tenant": str(tenant_id)})
        for page in pages(connection, tenant_id):
            fill(connection, page)


def downgrade() -> None:
    op.drop_column("reading_set", "mean_cuff")
    op.drop_column("reading", "cuff")


def pages(connection: sa.Connection, tenant_id: int) -> Iterator[list[Any]]:
    """The sets of a tenant with what they say now, and with the version that their mean shows."""
    now, mean = set_version.alias("now"), set_version.alias("mean")
    joined = reading_set.join(now, of_set(now, reading_set.c.version)).outerjoin(
        mean, of_set(mean, reading_set.c.mean_from_version)
    )
    columns = [reading_set.c[name] for name in KEY]
    statement = (
        sa.select(*columns, now.c.document, mean.c.document.label("mean_document"), mean.c.evaluation)
        .select_from(joined)
        .where(reading_set.c.tenant_id == tenant_id)
        .order_by(reading_set.c.subject_id, reading_set.c.set_id)
        .limit(SETS_A_PAGE)
    )
    page = connection.execute(statement).all()
    while page:
        yield list(page)
        last = sa.tuple_(sa.literal(page[-1].subject_id, Id()), sa.literal(page[-1].set_id, Id()))
        after = sa.tuple_(reading_set.c.subject_id, reading_set.c.set_id) > last
        page = connection.execute(statement.where(after)).all()


def of_set(version: Any, number: Any) -> Any:
    same = [version.c[name] == reading_set.c[name] for name in KEY]
    return sa.and_(*same, version.c.version == number)


def fill(connection: sa.Connection, page: list[Any]) -> None:
    """Write the cuffs of a page where there are any."""
    of_readings, of_means = [], []
    for row in page:
        key = {f"of_{name}": getattr(row, name) for name in KEY}
        for index, text in enumerate(cuffs_of(json.loads(row.document))):
            if text is not None:
                of_readings.append({**key, "of_index": index, "size": number_of(text)})
        if row.mean_document is not None:
            texts = cuffs_of(json.loads(row.mean_document))
            counted = {texts[one["index"]] for one in json.loads(row.evaluation)["readings"] if one["counts"]}
            if len(counted) == 1 and (text := counted.pop()) is not None:
                of_means.append({**key, "size": number_of(text)})
    if of_readings:
        of_index = reading.c.reading_index == sa.bindparam("of_index")
        connection.execute(sa.update(reading).where(*named(reading), of_index).values(cuff=sa.bindparam("size")), of_readings)
    if of_means:
        connection.execute(sa.update(reading_set).where(*named(reading_set)).values(mean_cuff=sa.bindparam("size")), of_means)


def named(table: Any) -> list[Any]:
    return [table.c[name] == sa.bindparam(f"of_{name}") for name in KEY]


def cuffs_of(document: dict[str, Any]) -> list[tuple[str | None, str | None] | None]:
    """By reading, the name of the size and the printed range; None where neither is known."""
    return [told(one.get("cuff") or document.get("cuff") or {}) for one in document["readings"]]


def told(cuff: dict[str, Any]) -> tuple[str | None, str | None] | None:
    words = "-".join((cuff.get("size") or "").lower().replace("_", " ").replace("-", " ").split())
    name = SAME_SIZE.get(words, words)
    size = name if name in SIZES[1:] else None
    printed = str(cuff["range_cm"]) if cuff.get("range_cm") else None
    return (size, printed) if size or printed else None


def number_of(text: tuple[str | None, str | None]) -> int:
    return SIZES.index(text[0] or "other")
