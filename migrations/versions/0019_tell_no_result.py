"""Tell that a sitting has no result: closed sittings without one get the Observation that says so.

Of what is stored it begins with the version that stands. Earlier versions are told again as they were, so that no Observation
that was read changes its versions; a result that was taken back stays in error until its sitting changes again.
"""

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from math import floor
from typing import Any

import sqlalchemy as sa
from alembic import op

from quietcuff.storage.schema.base import Id, Instant

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

FINAL, IN_ERROR, ACTIVE, NOT_USABLE = 1, 4, 0, 2
SIZES = ("other", "pediatric", "small-adult", "adult", "large-adult", "extra-large-adult", "thigh")
SAME_SIZE = {"paediatric": "pediatric", "child": "pediatric"}
METHODS = ("oscillometric", "auscultatory")
SAYS_NOTHING: tuple[Any, ...] = (None, "not-recorded", [])
SHOWN = ("kind", "site", "validated", "manufacturer", "model", "serial_number", "validated_for")
# Means have four decimals at most.
SHARES, LONG = 10_000, timedelta(days=1)
SETS_A_PAGE = 500
KEY = ("tenant_id", "subject_id", "set_id")
OF_MEAN = {
    **{name: sa.Integer() for name in ("mean_version", "mean_from_version", "mean_systolic", "mean_diastolic")},
    **{name: sa.Integer() for name in ("hours_24_systolic", "hours_24_diastolic")},
    **{name: sa.SmallInteger() for name in ("mean_status", "systolic", "diastolic", "counted", "mean_cuff", "mean_method")},
    **{name: Instant() for name in ("mean_updated_at", "mean_taken_from", "mean_taken_to")},
    **{name: sa.Boolean() for name in ("mean_has_device", "mean_is_long")},
    "mean_device_id": Id(),
}


def keyed(name: str, *columns: Any) -> Any:
    return sa.table(
        name, sa.column("tenant_id", sa.Integer()), sa.column("subject_id", Id()), sa.column("set_id", Id()), *columns
    )


reading_set = keyed(
    "reading_set",
    *(sa.column(name, sa.Integer()) for name in ("version", "status", "state")),
    *(sa.column(name, Instant()) for name in ("closed_at", "taken_from", "taken_to", "updated_at")),
    *(sa.column(name, type) for name, type in OF_MEAN.items()),
)
set_version = keyed(
    "set_version",
    sa.column("version", sa.Integer()),
    sa.column("changed", sa.Text()),
    sa.column("created_at", Instant()),
    sa.column("document", sa.LargeBinary()),
    sa.column("evaluation", sa.LargeBinary()),
    sa.column("tells_no_result", sa.Boolean()),
)
reading = keyed("reading", sa.column("reading_index", sa.SmallInteger()), sa.column("device_id", Id()))


def upgrade() -> None:
    op.add_column("set_version", sa.Column("tells_no_result", sa.Boolean(create_constraint=False)))
    for connection, tenant_id in tenants():
        unsaid = (
            reading_set.c.mean_version.is_(None),
            reading_set.c.closed_at.is_not(None),
            reading_set.c.status == ACTIVE,
            reading_set.c.state == NOT_USABLE,
        )
        for page in pages(connection, tenant_id, *unsaid):
            say_so(connection, page)


def downgrade() -> None:
    for connection, tenant_id in tenants():
        # A program of before knows no such Observation: what had a result once is in error again, of the rest there is none.
        for page in pages(
            connection, tenant_id, reading_set.c.mean_version.is_not(None), reading_set.c.mean_systolic.is_(None)
        ):
            take_back(connection, page)
    op.drop_column("set_version", "tells_no_result")


def tenants() -> Iterator[tuple[sa.Connection, int]]:
    """Every tenant, in the sight of row security, which shows the owner of the tables no more than one either."""
    connection = op.get_bind()
    for tenant_id in connection.execute(sa.text("SELECT tenant_id FROM tenant ORDER BY tenant_id")).scalars().all():
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text("SELECT set_config('quietcuff.tenant', :tenant, true)"), {"tenant": str(tenant_id)})
        yield connection, tenant_id


def pages(connection: sa.Connection, tenant_id: int, *conditions: Any) -> Iterator[list[Any]]:
    """The sets of a tenant for which the conditions hold, with what they say now."""
    now = [set_version.c[name] == reading_set.c[name] for name in (*KEY, "version")]
    statement = (
        sa.select(
            *(reading_set.c[name] for name in (*KEY, "version", "taken_from", "taken_to", "updated_at")),
            set_version.c.changed,
            set_version.c.document,
        )
        .select_from(reading_set.join(set_version, sa.and_(*now)))
        .where(reading_set.c.tenant_id == tenant_id, *conditions)
        .order_by(reading_set.c.subject_id, reading_set.c.set_id)
        .limit(SETS_A_PAGE)
    )
    page = connection.execute(statement).all()
    while page:
        yield list(page)
        last = sa.tuple_(sa.literal(page[-1].subject_id, Id()), sa.literal(page[-1].set_id, Id()))
        after = sa.tuple_(reading_set.c.subject_id, reading_set.c.set_id) > last
        page = connection.execute(statement.where(after)).all()


def named(table: Any, *names: str) -> list[Any]:
    return [table.c[name] == sa.bindparam(f"of_{name}") for name in (*KEY, *names)]


def key_of(row: Any) -> dict[str, Any]:
    return {f"of_{name}": getattr(row, name) for name in KEY}


def say_so(connection: sa.Connection, page: list[Any]) -> None:
    """Begin the Observation of each set of a page in which something was attempted."""
    documents = [(row, json.loads(row.document)) for row in page]
    tried = [(row, document) for row, document in documents if attempts(document)]
    if not tried:
        return
    devices = device_ids(connection, [row.set_id for row, _ in tried])
    means = [
        {
            **key_of(row),
            **owned(
                {
                    "mean_version": 1,
                    "mean_status": FINAL,
                    "mean_from_version": row.version,
                    "mean_updated_at": row.updated_at,
                    "counted": 0,
                    **period(row.taken_from, row.taken_to),
                    **in_common(document, attempts(document), devices[row.set_id]),
                }
            ),
        }
        for row, document in tried
    ]
    write(connection, means)
    told = [{**key_of(row), "of_version": row.version, "places": f"{row.changed} mean".strip()} for row, _ in tried]
    values = {"changed": sa.bindparam("places"), "tells_no_result": sa.true()}
    connection.execute(sa.update(set_version).where(*named(set_version, "version")).values(values), told)


def take_back(connection: sa.Connection, page: list[Any]) -> None:
    """Leave the sets of a page as a program of before reads them."""
    devices = device_ids(connection, [row.set_id for row in page])
    for row in page:
        of_set = [set_version.c[name] == getattr(row, name) for name in KEY]
        columns = [set_version.c[name] for name in ("version", "changed", "created_at", "document", "evaluation")]
        versions = connection.execute(sa.select(*columns).where(*of_set).order_by(set_version.c.version)).all()
        moves = [(one, json.loads(one.evaluation)) for one in versions if "mean" in one.changed.split()]
        given = [place for place, (_, evaluation) in enumerate(moves) if evaluation["result"] is not None]
        if given:
            shown, evaluation = moves[given[-1]]
            gone = moves[min(given[-1] + 1, len(moves) - 1)][0]
            said = in_error(shown, evaluation, devices[row.set_id])
            said |= {"mean_version": len(given) + 1, "mean_updated_at": gone.created_at}
            write(connection, [{**key_of(row), **owned(said)}])
            continue
        write(connection, [{**key_of(row), **owned({})}])
        for one, _ in moves:
            places = " ".join(place for place in one.changed.split() if place != "mean")
            of_version = sa.update(set_version).where(*of_set, set_version.c.version == one.version)
            connection.execute(of_version.values(changed=places))


def in_error(shown: Any, evaluation: dict[str, Any], devices: dict[int, Any]) -> dict[str, Any]:
    """The columns of a result that is gone, whose values stay readable."""
    result, series = evaluation["result"], evaluation.get("series") or {}
    document, part = json.loads(shown.document), series.get("hours_24") or {}
    exact = {
        "mean_systolic": result["systolic_mmhg"],
        "mean_diastolic": result["diastolic_mmhg"],
        "hours_24_systolic": part.get("systolic_mmhg"),
        "hours_24_diastolic": part.get("diastolic_mmhg"),
    }
    return {
        "mean_status": IN_ERROR,
        "mean_from_version": shown.version,
        "systolic": floor(result["systolic_mmhg"] + 0.5),
        "diastolic": floor(result["diastolic_mmhg"] + 0.5),
        "counted": result["readings_counted"],
        **{name: None if value is None else round(value * SHARES) for name, value in exact.items()},
        **period(*(datetime.fromisoformat(result[name]) for name in ("taken_from", "taken_to"))),
        **in_common(document, [one["index"] for one in evaluation["readings"] if one["counts"]], devices),
    }


def period(first: datetime, last: datetime) -> dict[str, Any]:
    return {"mean_taken_from": first, "mean_taken_to": last, "mean_is_long": last - first > LONG}


def attempts(document: dict[str, Any]) -> list[int]:
    return [index for index, one in enumerate(document["readings"]) if not one.get("voided")]


def owned(said: dict[str, Any]) -> dict[str, Any]:
    """The values of all columns of a mean, null where nothing is said of them."""
    return {f"own_{name}": said.get(name) for name in OF_MEAN}


def write(connection: sa.Connection, means: list[dict[str, Any]]) -> None:
    values = {name: sa.bindparam(f"own_{name}") for name in OF_MEAN}
    connection.execute(sa.update(reading_set).where(*named(reading_set)).values(values), means)


def device_ids(connection: sa.Connection, set_ids: list[Any]) -> dict[Any, dict[int, Any]]:
    """By set and place, the id of a reading's device; None where it has no identifier."""
    columns = (reading.c.set_id, reading.c.reading_index, reading.c.device_id)
    found: dict[Any, dict[int, Any]] = {}
    for set_id, index, device_id in connection.execute(sa.select(*columns).where(reading.c.set_id.in_(set_ids))):
        found.setdefault(set_id, {})[index] = device_id
    return found


def in_common(document: dict[str, Any], places: list[int], devices: dict[int, Any]) -> dict[str, Any]:
    """The device, the cuff and the method that some readings share."""
    given = [document["readings"][index] for index in places]
    ids = {devices[index] for index in places}
    shown = [device_of(one, document) for one in given]
    cuffs = {cuff_of(one, document) for one in given}
    cuff = cuffs.pop() if len(cuffs) == 1 else None
    methods = {one.get("method") for one in given}
    method = methods.pop() if len(methods) == 1 else None
    return {
        "mean_device_id": ids.pop() if len(ids) == 1 else None,
        "mean_has_device": (shown[0] is not None and all(one == shown[0] for one in shown)) or None,
        "mean_cuff": None if cuff is None else SIZES.index(cuff[0] or "other"),
        "mean_method": None if method is None else METHODS.index(method),
    }


def device_of(one: dict[str, Any], document: dict[str, Any]) -> dict[str, Any] | None:
    """The device as Observations show it: by its identifier, else by what is said of it; None where nothing is."""
    device = one.get("device") or document.get("device") or {}
    if device.get("identifier"):
        return {"identifier": device["identifier"]}
    said = {name: value for name, value in device.items() if value not in SAYS_NOTHING}
    return {"contained": [said.get(name) for name in SHOWN]} if said else None


def cuff_of(one: dict[str, Any], document: dict[str, Any]) -> tuple[str | None, str | None] | None:
    """The name of the size and the printed range; None where neither is known."""
    cuff = one.get("cuff") or document.get("cuff") or {}
    words = "-".join((cuff.get("size") or "").lower().replace("_", " ").replace("-", " ").split())
    name = SAME_SIZE.get(words, words)
    size = name if name in SIZES[1:] else None
    printed = str(cuff["range_cm"]) if cuff.get("range_cm") else None
    return (size, printed) if size or printed else None
