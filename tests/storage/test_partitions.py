"""People's rows in partitions: the same rows under the same guard, made from either form, and one partition for one person.

Source: PostgreSQL's documentation, "Table Partitioning" and "Row Security Policies".
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Connection, UniqueConstraint

from application.clinic import sitting
from databases import APP_ROLE, PostgresqlServer
from fhir_r4.stored_sets import open_clinic
from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine import migrate
from quietcuff.storage.engine.partitions import partitions_of
from quietcuff.storage.engine.store import open_store
from quietcuff.storage.schema.partitions import PARTITION_KEYS
from quietcuff.storage.schema.sittings import metadata

PARTS, PEOPLE = 4, 12
FILLED = ("subject", "reading_set", "set_version", "reading", "claim")
Seen = dict[str, list[str]]


@pytest.fixture(scope="module")
def database(postgresql_server: PostgresqlServer) -> str:
    """A database of whole tables, with the sittings of two tenants."""
    name = postgresql_server.new_empty()
    assert migrate.upgrade(postgresql_server.as_owner(name), partitions=1) == 1
    postgresql_server.grant(name)
    asyncio.run(fill(postgresql_server.as_app(name)))
    return name


async def fill(url: str) -> None:
    store = open_store(url)
    for tenant in ("clinic", "elsewhere"):
        clinic = await open_clinic(store, load_rulebook(), tenant)
        await clinic.receive_all(sitting(person=f"p-{person}") for person in range(PEOPLE))
    await store.close()


def seen_by_tenants(connection: Connection) -> Seen:
    """Every row that each tenant sees of each table, as text."""
    found: Seen = {}
    for tenant_id in (1, 2):
        enter(connection, tenant_id)
        for name in metadata.tables:
            rows = connection.exec_driver_sql(f"SELECT t::text FROM {name} t ORDER BY 1").scalars()
            found[f"{name} of {tenant_id}"] = list(rows)
    return found


def enter(connection: Connection, tenant_id: int) -> None:
    connection.exec_driver_sql("SELECT set_config('quietcuff.tenant', $1::text, true)", (str(tenant_id),))


def on(url: str, work: Callable[[Connection], Any]) -> Any:
    answers: list[Any] = []
    migrate.on_connection(url, lambda connection: answers.append(work(connection)))
    return answers[0]


@pytest.fixture(scope="module")
def before_and_after(postgresql_server: PostgresqlServer, database: str) -> tuple[Seen, Seen]:
    """What the role that serves saw before and after the database got its partitions."""
    owner, app = postgresql_server.as_owner(database), postgresql_server.as_app(database)
    before = on(app, seen_by_tenants)
    assert migrate.upgrade(owner, partitions=PARTS) == PARTS
    return before, on(app, seen_by_tenants)


@pytest.fixture
def app_url(postgresql_server: PostgresqlServer, database: str, before_and_after: tuple[Seen, Seen]) -> str:
    """The database in its partitions, as the role that serves."""
    return postgresql_server.as_app(database)


def test_every_row_and_right_is_there_as_before(before_and_after: tuple[Seen, Seen], app_url: str) -> None:
    before, after = before_and_after
    assert before == after
    assert all(len(before[f"{name} of {tenant}"]) >= PEOPLE for name in FILLED for tenant in (1, 2))

    def look(connection: Connection) -> None:
        keys = connection.exec_driver_sql("SELECT relname, pg_get_partkeydef(oid) FROM pg_class WHERE relkind = 'p'")
        assert {tuple(row) for row in keys} == {
            (table.name, f"HASH ({', '.join(key)})") for table, key in PARTITION_KEYS.items()
        }
        assert partitions_of(connection) == PARTS
        enter(connection, 1)
        # Twelve random ids are in one of four with a chance of one in four million.
        assert connection.exec_driver_sql("SELECT count(DISTINCT tableoid) FROM reading_set").scalar_one() > 1

    on(app_url, look)


def test_a_partition_keeps_tenants_apart_by_itself(postgresql_server: PostgresqlServer, database: str, app_url: str) -> None:
    """Also for a role that was given every table of the schema, as the page about PostgreSQL has it."""
    part = f"reading_set_of_{PARTS}_000"

    def look(connection: Connection) -> set[int]:
        enter(connection, 2)
        return set(connection.exec_driver_sql(f"SELECT tenant_id FROM {part}").scalars())

    def grant(connection: Connection) -> None:
        connection.exec_driver_sql(f"GRANT SELECT ON {part} TO {APP_ROLE}")
        connection.commit()

    on(postgresql_server.as_owner(database), grant)
    assert on(app_url, look) <= {2}
    guards = (
        "SELECT count(*) FROM pg_class c JOIN pg_policy p ON p.polrelid = c.oid WHERE relispartition AND relforcerowsecurity"
    )
    assert on(app_url, lambda c: c.exec_driver_sql(guards).scalar_one()) == PARTS * len(PARTITION_KEYS)


def test_the_key_of_the_partitions_is_in_every_key_that_is_unique() -> None:
    """So that one part, or one machine of a distributed database, can keep it unique by itself."""
    for table, key in PARTITION_KEYS.items():
        unique = [index.columns for index in table.indexes if index.unique]
        unique += [one.columns for one in table.constraints if isinstance(one, UniqueConstraint)]
        for columns in (table.primary_key.columns, *unique):
            assert set(key) <= {column.name for column in columns}, table.name
    # What is of one person, and small or found without the person: deletions, holds, and who left a group.
    of_person = {table for table in metadata.tables.values() if "subject_id" in table.c and not table.c.subject_id.nullable}
    rest = {table.name for table in of_person - set(PARTITION_KEYS)}
    assert rest == {"deleted_set", "deleted_subject", "subject_hold", "group_former"}


def test_a_way_down_and_up_again_ends_in_as_many_partitions(
    postgresql_server: PostgresqlServer, database: str, app_url: str
) -> None:
    """Tables that an older schema does not have are made whole, and follow the others."""
    owner = postgresql_server.as_owner(database)
    migrate.downgrade(owner, "0005")
    assert migrate.upgrade(owner) == PARTS
    known = "SELECT count(*) FROM pg_class WHERE relkind = 'p'"
    assert on(owner, lambda c: c.exec_driver_sql(known).scalar_one()) == len(PARTITION_KEYS)
    assert migrate.upgrade(owner, partitions=1) == 1
    assert on(owner, lambda c: c.exec_driver_sql(known).scalar_one()) == 0


@pytest.mark.parametrize(
    ("revision", "partitions", "said"),
    [("head", 0, "1 to 64"), ("head", 65, "1 to 64"), ("0018", 16, "newest schema"), ("head", 2, "for PostgreSQL")],
)
def test_partitions_that_cannot_be_are_refused(sqlite_url: str, revision: str, partitions: int, said: str) -> None:
    url = sqlite_url if said == "for PostgreSQL" else "postgresql://nobody@127.0.0.1:1/nothing"
    with pytest.raises(StoreNotUsable, match=said):
        migrate.upgrade(url, revision, partitions)
