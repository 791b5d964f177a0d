"""Find what Observations point to: who measured, on which visit, whether a device is named, and how a mean was measured.
The public URL belongs to the database.

Columns are filled for what is stored already from the documents that its resources are made of.
"""

import json
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

METHODS = ("oscillometric", "auscultatory")
# What a device says of itself where nothing is said: such a device is not shown.
SAYS_NOTHING: tuple[Any, ...] = (None, "not-recorded", [])
SHOWN = ("kind", "site", "validated", "manufacturer", "model", "serial_number", "validated_for")
SETS_A_PAGE = 500
KEY = ("tenant_id", "subject_id", "set_id")
ENCOUNTERS = "ix_reading_set_encounter"
statistics = sa.table("sqlite_stat1", sa.column("tbl"), sa.column("idx"), sa.column("stat"))
reading_set = sa.table(
    "reading_set",
    sa.column("tenant_id", sa.Integer()),
    sa.column("subject_id", Id()),
    sa.column("set_id", Id()),
    sa.column("version", sa.Integer()),
    sa.column("mean_from_version", sa.Integer()),
    sa.column("mean_method", sa.SmallInteger()),
    sa.column("mean_has_device", sa.Boolean()),
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
    sa.column("performer", sa.Text()),
    sa.column("has_device", sa.Boolean()),
)


def upgrade() -> None:
    op.create_table(
        "installation",
        sa.Column("installation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("public_url", sa.Text(), nullable=False),
        sa.Column("set_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("installation_id", name="pk_installation"),
    )
    op.add_column("reading", sa.Column("has_device", sa.Boolean(create_constraint=False)))
    op.add_column("reading", sa.Column("performer", sa.Text()))
    op.add_column("reading_set", sa.Column("mean_method", sa.SmallInteger()))
    op.add_column("reading_set", sa.Column("mean_has_device", sa.Boolean(create_constraint=False)))
    where = sa.text("encounter IS NOT NULL")
    op.create_index(ENCOUNTERS, "reading_set", ["tenant_id", "encounter"], postgresql_where=where, sqlite_where=where)
    connection = op.get_bind()
    if connection.dialect.name == "sqlite":
        # The figures that the planner would find in a database that has been in use for long.
        op.bulk_insert(statistics, [{"tbl": "reading_set", "idx": ENCOUNTERS, "stat": "100000 50000 2"}])
    for tenant_id in connection.execute(sa.text("SELECT tenant_id FROM tenant ORDER BY tenant_id")).scalars().all():
        if connection.dialect.name == "postgresql":
            # Row security shows the owner of the tables no more than one tenant either.
            connection.execute(sa.text("SELECT set_config('quietcuff.tenant', :tenant, true)"), {"tenant": str(tenant_id)})
        for page in pages(connection, tenant_id):
            fill(connection, page)


def downgrade() -> None:
    op.drop_table("installation")
    op.drop_index(ENCOUNTERS, "reading_set")
    for table, column in (
        *(("reading_set", name) for name in ("mean_has_device", "mean_method")),
        *(("reading", name) for name in ("performer", "has_device")),
    ):
        op.drop_column(table, column)
    if op.get_bind().dialect.name == "sqlite":
        op.execute(sa.delete(statistics).where(statistics.c.idx == ENCOUNTERS))


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
    """Write what the readings and means of a page point to."""
    of_readings, of_means = [], []
    for row in page:
        key = {f"of_{name}": getattr(row, name) for name in KEY}
        document = json.loads(row.document)
        for index, one in enumerate(document["readings"]):
            performer = pair(one.get("observer") or document.get("observer"))
            told = device_of(one, document) is not None
            of_readings.append({**key, "of_index": index, "who": performer, "device": told or None})
        if row.mean_document is not None:
            of_means.append({**key, **mean_values(json.loads(row.mean_document), json.loads(row.evaluation))})
    if of_readings:
        values = {"performer": sa.bindparam("who"), "has_device": sa.bindparam("device")}
        of_index = reading.c.reading_index == sa.bindparam("of_index")
        connection.execute(sa.update(reading).where(*named(reading), of_index).values(values), of_readings)
    if of_means:
        values = {"mean_method": sa.bindparam("method"), "mean_has_device": sa.bindparam("device")}
        connection.execute(sa.update(reading_set).where(*named(reading_set)).values(values), of_means)


def named(table: Any) -> list[Any]:
    return [table.c[name] == sa.bindparam(f"of_{name}") for name in KEY]


def mean_values(document: dict[str, Any], evaluation: dict[str, Any]) -> dict[str, Any]:
    """What the readings that count have in common: how they were taken, and whether it was with one device."""
    counted = [document["readings"][one["index"]] for one in evaluation["readings"] if one["counts"]]
    methods = {one.get("method") for one in counted}
    method = methods.pop() if len(methods) == 1 else None
    devices = [device_of(one, document) for one in counted]
    is_one = bool(devices) and devices[0] is not None and all(one == devices[0] for one in devices)
    return {"method": None if method is None else METHODS.index(method), "device": is_one or None}


def device_of(one: dict[str, Any], document: dict[str, Any]) -> dict[str, Any] | None:
    """The device as Observations show it: by its identifier, else by what is said of it; None where nothing is."""
    device = one.get("device") or document.get("device") or {}
    if device.get("identifier"):
        return {"identifier": device["identifier"]}
    said = {name: value for name, value in device.items() if value not in SAYS_NOTHING}
    return {"contained": [said.get(name) for name in SHOWN]} if said else None


def pair(identifier: dict[str, str] | None) -> str | None:
    return None if identifier is None else f"{identifier['system']}|{identifier['value']}"
