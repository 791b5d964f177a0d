"""No statement of the hot path reads more as more is stored: each enters its index with every bound it has."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import make_url

from databases import PostgresqlServer
from quietcuff.storage.engine import migrate
from quietcuff.storage.engine.ids import NOBODY, new_set_id
from quietcuff.storage.engine.statements import Query
from quietcuff.storage.engine.store import Store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows import reading_sets, retention, sitting_lookups, versions
from quietcuff.storage.rows.reading_sets import ListFilter, SetPageEnd, SetRow, page_query
from quietcuff.storage.rows.versions import VersionRow
from storage.rows import NOON

CLINIC = 1
PEOPLE, SETS_EACH = 40, 60
SOMEBODY = UUID(int=7 << 120)
LATE = NOON + timedelta(days=50)
HALFWAY = SetPageEnd(LATE, NOBODY)


def set_row(person: int, number: int) -> SetRow:
    subject_id, taken_at = UUID(int=person << 120), NOON + timedelta(days=number, minutes=person)
    return SetRow(
        tenant_id=CLINIC,
        subject_id=subject_id,
        set_id=new_set_id(subject_id, taken_at),
        taken_from=taken_at,
        taken_to=taken_at,
        from_offset_minutes=120,
        to_offset_minutes=120,
        created_at=taken_at,
        updated_at=taken_at,
        touched_at=taken_at,
        closed_at=None if number == SETS_EACH - 1 and person < 3 else taken_at,
        version=1,
        status="active",
        state="complete",
        setting="office",
        protocol="office-both-arms",
        sitting=b"{}",
    )


def version_row(of_set: dict[str, Any]) -> VersionRow:
    return VersionRow(
        **{name: of_set[name] for name in ("tenant_id", "subject_id", "set_id", "version", "created_at")},
        cause="created",
        status="active",
        closes_at=None,
        document=b"{}",
        evaluation=b"{}",
        rules_digest="sha256:",
        changed="",
        author=None,
        reason=None,
        created_by="key:ab12cd34",
    )


@pytest.fixture
async def filled(store: Store, database_url: str, request: pytest.FixtureRequest) -> Store:
    """A store of 2,400 sets of 40 people, whose database knows what it holds."""
    rows = [reading_sets._to_columns(set_row(person, number)) for person in range(PEOPLE) for number in range(SETS_EACH)]
    notes = [versions.insert_values(version_row(row)) for row in rows]
    await store.write(CLINIC, lambda transaction: reading_sets.INSERT.run_each(transaction, rows))
    await store.write(CLINIC, lambda transaction: versions.INSERT.add(transaction, notes))
    if not database_url.startswith("sqlite"):
        server: PostgresqlServer = request.getfixturevalue("postgresql_server")
        server.analyze(str(make_url(database_url).database))
    return store


# The longest first: a name may begin with another one.
INDEXES_OF_PARTITIONS = """
SELECT part.relname, whole.relname FROM pg_inherits JOIN pg_class part ON part.oid = inhrelid
JOIN pg_class whole ON whole.oid = inhparent WHERE part.relkind = 'i' ORDER BY length(part.relname) DESC
"""


def plan_of(sql: str, values: tuple[Any, ...]) -> Callable[[Transaction], str]:
    """The plan of a statement, in which the index of a partition has the name of the whole one."""

    def explain(transaction: Transaction) -> str:
        if transaction.dialect.name == "sqlite":
            return "\n".join(str(row[-1]) for row in transaction.exec_driver_sql(f"EXPLAIN QUERY PLAN {sql}", values))
        plan = "\n".join(transaction.exec_driver_sql(f"EXPLAIN {sql}", values).scalars())
        for part, whole in transaction.exec_driver_sql(INDEXES_OF_PARTITIONS):
            plan = plan.replace(part, whole)
        return plan

    return explain


def plan_of_query(query: Query[Any], **values: Any) -> Callable[[Transaction], str]:
    def explain(transaction: Transaction) -> str:
        prepared = query.plan(transaction.dialect)
        return plan_of(prepared.text, prepared.arguments({"tenant_id": CLINIC, **values}))(transaction)

    return explain


def plan_of_page(**wanted: Any) -> Callable[[Transaction], str]:
    asked = ListFilter(**{"tenant_id": CLINIC, "subject_id": None, "since": None, "until": None, **wanted})
    return plan_of_query(Query(tuple, page_query(asked, 51)))


@pytest.mark.parametrize(
    ("explain", "index", "bounds"),
    [
        (plan_of_query(reading_sets.FIND, set_id=NOBODY), "ix_reading_set_set", ["set_id"]),
        (
            plan_of_query(sitting_lookups.EARLIER, subject_id=SOMEBODY, taken_before=LATE, set_id=NOBODY),
            "ix_reading_set_subject_taken",
            ["subject_id", "taken_from"],
        ),
        (plan_of_query(versions.NEWEST, set_id=NOBODY), "ix_reading_set_set", ["set_id"]),
        (
            plan_of_query(reading_sets.IDLE, touched_before=LATE, most=10),
            "ix_reading_set_open",
            ["touched_at"],
        ),
        (plan_of_page(after=HALFWAY), "ix_reading_set_taken", ["taken_from"]),
        (
            plan_of_page(after=HALFWAY, subject_id=SOMEBODY),
            "ix_reading_set_subject_taken",
            ["subject_id", "taken_from"],
        ),
        (
            plan_of_query(retention.OLD, before=LATE, most=10, after_taken_from=NOON, after_subject=NOBODY, after_set=NOBODY),
            "ix_reading_set_taken",
            ["taken_from"],
        ),
    ],
    ids=["set by id", "history", "newest answer", "idle sets", "deep page", "deep page of one person", "sets that are over"],
)
async def test_an_index_is_entered_with_every_bound(
    filled: Store, explain: Callable[[Transaction], str], index: str, bounds: list[str]
) -> None:
    plan = await filled.read(CLINIC, explain)
    assert index in plan
    assert "Seq Scan on reading_set" not in plan
    assert "SCAN reading_set" not in plan
    entered = plan[plan.index(index) :]
    assert [bound for bound in bounds if bound not in entered] == []


async def test_what_the_history_finds_is_the_persons_newest(filled: Store) -> None:
    found = await filled.read(
        CLINIC,
        lambda transaction: sitting_lookups.earlier_sittings(
            transaction, CLINIC, SOMEBODY, taken_before=NOON + timedelta(days=5), other_than=NOBODY
        ),
    )
    assert len(found) == 5


def test_the_schema_is_the_newest(sqlite_url: str) -> None:
    migrate.on_connection(sqlite_url, migrate.require_newest_schema)
