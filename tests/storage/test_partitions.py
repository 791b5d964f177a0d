"""People's rows in partitions: the same rows under the same guard, made from either form, and one partition for one person.

Source: PostgreSQL's documentation, "Table Partitioning" and "Row Security Policies".
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Iterator
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import Connection, UniqueConstraint

from application.clinic import reading, sitting
from databases import APP_ROLE, PostgresqlServer
from fhir_r4.stored_sets import Clinic, open_clinic
from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine import migrate
from quietcuff.storage.engine.partitions import partitions_of
from quietcuff.storage.engine.store import open_store
from quietcuff.storage.rows.reading_sets import ListFilter, list_sets
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


TOUCHED = """
SELECT relname, coalesce(seq_scan, 0) + coalesce(idx_scan, 0) + n_tup_ins + n_tup_upd FROM pg_stat_user_tables
WHERE relid IN (SELECT inhrelid FROM pg_inherits)
"""


def touched(owner: str, work: Callable[[Clinic], Awaitable[Any]], url: str) -> tuple[Any, dict[str, set[str]]]:
    """The answer of work of a clinic, and which partitions of each table it read or wrote, as the server counted."""

    async def run() -> Any:
        store = open_store(url)
        try:
            clinic = await open_clinic(store, load_rulebook())
            return await work(clinic)
        finally:
            # The server adds up what a connection did, at the latest when it ends.
            await store.close()

    def counts() -> dict[str, int]:
        return on(owner, lambda connection: {str(name): int(number) for name, number in connection.exec_driver_sql(TOUCHED)})

    before = counts()
    answer = asyncio.run(run())
    found: dict[str, set[str]] = {}
    deadline = time.monotonic() + 5
    while not found and time.monotonic() < deadline:
        for part, number in counts().items():
            if number > before[part]:
                found.setdefault(part.rpartition("_of_")[0], set()).add(part)
    return answer, found


# A table of a few pages is read whole, whatever its indexes.
CROWD = """
CREATE TABLE crowd_{0} AS SELECT whole.* FROM {0} whole, generate_series(1, 200);
UPDATE crowd_{0} SET subject_id = gen_random_uuid(){1};
INSERT INTO {0} SELECT * FROM crowd_{0};
ANALYZE {0};
"""
NO_CROWD = "DELETE FROM {0} whole USING crowd_{0} one WHERE whole.subject_id = one.subject_id; DROP TABLE crowd_{0};"
LARGE = {"reading": "", "reading_set": ", sitting = NULL", "set_version": ", document = '', evaluation = ''"}


@pytest.fixture
def crowd(postgresql_server: PostgresqlServer, database: str, app_url: str) -> Iterator[None]:
    """Rows of thousands of other people, of whom nothing else is stored."""

    def run(script: str) -> None:
        def work(connection: Connection) -> None:
            for statement in filter(str.strip, script.split(";")):
                connection.exec_driver_sql(statement)
            connection.commit()

        on(postgresql_server.as_owner(database), work)

    run("".join(CROWD.format(*one) for one in LARGE.items()))
    yield
    run("".join(NO_CROWD.format(name) for name in LARGE))


@pytest.mark.usefixtures("crowd")
def test_what_is_of_a_known_person_touches_one_partition(
    postgresql_server: PostgresqlServer, database: str, app_url: str
) -> None:
    """A sitting stored after others of its person, the person's list, and readings that are searched of the person."""
    owner = postgresql_server.as_owner(database)
    later = sitting(person="p-1") | {"readings": [reading(1000), reading(1002)]}
    stored, by_storing = touched(owner, lambda clinic: clinic.receive(later), app_url)
    assert {*FILLED} <= {*by_storing}
    asked = ListFilter(tenant_id=1, subject_id=UUID(stored["subject_id"]), since=None, until=None, after=None)
    listed, by_listing = touched(owner, lambda clinic: clinic.store.read(1, lambda read: list_sets(read, asked, 9)), app_url)
    assert len(listed) > 1
    assert {"reading_set", "set_version"} <= {*by_listing}
    for found in (by_storing, by_listing):
        assert {table: len(parts) for table, parts in found.items()} == dict.fromkeys(found, 1)
    person = ("subject", f"Patient/{stored['subject_id']}")
    page, by_searching = touched(owner, lambda clinic: clinic.search(person), app_url)
    assert len(page["entry"]) > len(later["readings"])
    assert by_searching["reading"] == by_storing["reading"]
    # The documents of a page's sets are looked for by their ids alone: in the index of every partition.
    assert len(by_searching["reading_set"]) == PARTS


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
