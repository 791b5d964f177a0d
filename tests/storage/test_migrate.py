"""The migrations and the tables say the same, up and down, with rows in them."""

from __future__ import annotations

import itertools
import json
from asyncio import to_thread
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from sqlalchemy import Connection, inspect, make_url

from application.clinic import Clinic, first_visit, open_clinic, sitting
from core.recordings import home_body, home_series
from databases import PostgresqlServer
from quietcuff.application import Answer
from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.fhir.history.read import read_resource
from quietcuff.fhir.history.versions import HistoryRequest, history
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine import migrate
from quietcuff.storage.engine.store import Store
from quietcuff.storage.schema.codes import CUFF_SIZE, OBSERVATION_STATUS, STATE
from quietcuff.storage.schema.sittings import EVERY_TABLE, GUARDED_TABLES, metadata
from quietcuff.storage.search.observations import find_observations
from quietcuff.storage.search.query import ObservationQuery, PointerTest


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A database without any table, as its owner."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'empty.db'}"
    server: PostgresqlServer = request.getfixturevalue("postgresql_server")
    return server.as_owner(server.new_empty())


def test_autogenerate_finds_no_difference(empty_url: str) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    def compare(connection: Connection) -> None:
        options = {"compare_type": True, "compare_server_default": True}
        assert compare_metadata(MigrationContext.configure(connection, opts=options), metadata) == []

    migrate.upgrade(empty_url)
    migrate.on_connection(empty_url, compare)


def test_goes_up_and_down_and_up_again(empty_url: str) -> None:
    def tables(connection: Connection) -> None:
        found.append(set(inspect(connection).get_table_names()) - {"alembic_version"})

    found: list[set[str]] = []
    for step in ("up", "down", "up"):
        if step == "up":
            migrate.upgrade(empty_url)
        else:
            migrate.downgrade(empty_url, "base")
        migrate.on_connection(empty_url, tables)
    assert found == [set(metadata.tables), set(), set(metadata.tables)]


def test_upgrading_twice_changes_nothing(empty_url: str) -> None:
    migrate.upgrade(empty_url)
    migrate.upgrade(empty_url)
    migrate.on_connection(empty_url, migrate.require_newest_schema)


def test_a_database_without_schema_is_refused(empty_url: str) -> None:
    with pytest.raises(StoreNotUsable, match="quietcuff database upgrade"):
        migrate.on_connection(empty_url, migrate.require_newest_schema)


def test_the_newest_revision_is_the_one_the_program_names() -> None:
    from alembic.script import ScriptDirectory

    config = migrate.alembic_config(None)
    assert ScriptDirectory.from_config(config).get_heads() == [migrate.NEWEST_REVISION]


def test_every_table_with_a_tenant_is_guarded(postgresql_server: PostgresqlServer) -> None:
    def guarded(connection: Connection) -> None:
        rows = connection.exec_driver_sql("SELECT relname FROM pg_class WHERE relrowsecurity AND relforcerowsecurity").scalars()
        assert set(rows) == {table.name for table in GUARDED_TABLES}

    url = postgresql_server.as_owner(postgresql_server.new_migrated())
    migrate.on_connection(url, guarded)
    # Erasing a person goes through these.
    assert list(EVERY_TABLE) == metadata.sorted_tables
    unguarded = {name for name, table in metadata.tables.items() if table not in GUARDED_TABLES}
    assert unguarded == {"tenant", "api_key", "client", "assertion_use", "installation", "key_use", "delivery_place"}


def test_a_database_that_cannot_be_reached_is_told_so(tmp_path: Path) -> None:
    for url in (f"sqlite:///{tmp_path}/no-such-folder/file.db", f"postgresql://nobody@/nothing?host={tmp_path}"):
        with pytest.raises(StoreNotUsable, match="not there|cannot be reached"):
            migrate.upgrade(url)


def test_other_addresses_are_refused() -> None:
    for url in ("mysql://host/name", "sqlite://", "sqlite:///:memory:", "no address"):
        with pytest.raises(StoreNotUsable):
            migrate.upgrade(url)


async def test_cuffs_that_are_stored_are_found_after_the_upgrade(
    store: Store, database_url: str, request: pytest.FixtureRequest
) -> None:
    """Of readings and means, of sets that were corrected too, of every tenant."""
    owner_url = database_url
    if not database_url.startswith("sqlite"):
        server: PostgresqlServer = request.getfixturevalue("postgresql_server")
        owner_url = server.as_owner(str(make_url(database_url).database))
    clinics = [await open_clinic(store, load_rulebook(), name) for name in ("clinic", "elsewhere")]
    cuffs: list[Any] = [{"size": "Large Adult"}, {"range_cm": [27, 34]}, {"size": "child"}, {"size": "the blue one"}, None]
    for clinic, cuff in itertools.product(clinics, cuffs):
        readings = [{**one, "cuff": {"size": "thigh"}} if place == 1 else one for place, one in enumerate(first_visit())]
        answer = await clinic.receive(sitting(readings, cuff=cuff))
        if cuff == {"size": "child"}:
            await clinic.correct(answer, {"change": "amend-reading", "index": 3, "set": {"cuff": {"size": "adult"}}})

    async def columns() -> list[Any]:
        statements = ("SELECT set_id, reading_index, cuff FROM reading", "SELECT set_id, mean_cuff, version FROM reading_set")
        return [sorted(map(str, await clinic.rows(one))) for clinic in clinics for one in statements]

    before = await columns()
    told = {row.rpartition(", ")[2].rstrip(")") for row in before[0]}
    assert told == {"None", *(str(CUFF_SIZE.number(word)) for word in ("other", "pediatric", "adult", "large-adult", "thigh"))}
    await to_thread(migrate.downgrade, owner_url, "0007")
    await to_thread(migrate.upgrade, owner_url)
    if not database_url.startswith("sqlite"):
        # Tables that were made anew are the owner's alone, and others will borrow this database.
        await to_thread(request.getfixturevalue("postgresql_server").grant, str(make_url(database_url).database))
    assert await columns() == before


async def test_what_stored_readings_point_to_is_found_after_the_upgrade(
    store: Store, database_url: str, request: pytest.FixtureRequest
) -> None:
    """Who measured, with a device or none, and how means were measured, of sets that were corrected too, of every tenant."""
    owner_url = database_url
    if not database_url.startswith("sqlite"):
        server: PostgresqlServer = request.getfixturevalue("postgresql_server")
        owner_url = server.as_owner(str(make_url(database_url).database))
    clinics = [await open_clinic(store, load_rulebook(), name) for name in ("clinic", "elsewhere")]
    nurse, doctor = ({"system": "urn:example:staff", "value": name} for name in ("n|1", "d-1"))
    named, described = {"identifier": {"system": "urn:example:device", "value": "SN-0007"}}, {"model": "Example 1"}
    sets = [
        {"observer": nurse, "device": named},
        {"device": described},
        {"device": {"clock_drift_seconds": 0}},
        {"device": {"validated": "not-recorded"}},
        {},
    ]
    for clinic, said, method in itertools.product(clinics, sets, ("oscillometric", "auscultatory", None)):
        readings = [{**one, "observer": doctor} if place == 1 else one for place, one in enumerate(first_visit())]
        for one in readings if method is not None else []:
            one |= {"method": method, "identifier": {"system": "urn:example:monitor", "value": f"{uuid4()}|1"}}
        answer = await clinic.receive(sitting(readings, **said))
        if method is None:
            await clinic.correct(answer, {"change": "amend-reading", "index": 2, "set": {"device": described}})

    async def columns() -> list[Any]:
        statements = (
            "SELECT set_id, reading_index, performer, has_device, identifier FROM reading",
            "SELECT set_id, mean_method, mean_has_device, version, labels, findings FROM reading_set",
        )
        return [sorted(map(str, await clinic.rows(one))) for clinic in clinics for one in statements]

    before = await columns()
    for word in ("urn:example:staff|n|1", "urn:example:staff|d-1", "urn:example:monitor|", "None"):
        assert any(word in row for row in before[0])
    assert len({row.partition(", ")[2] for row in before[1]}) > 4
    await to_thread(migrate.downgrade, owner_url, "0008")
    await to_thread(migrate.upgrade, owner_url)
    if not database_url.startswith("sqlite"):
        # Tables that were made anew are the owner's alone, and others will borrow this database.
        await to_thread(request.getfixturevalue("postgresql_server").grant, str(make_url(database_url).database))
    assert await columns() == before


FAILED = {"systolic_mmhg": None, "diastolic_mmhg": None}
# A voided sitting was told before it was taken back: nothing is left of that by way of an earlier program.
STANDING = "FROM reading_set WHERE status = 0"
TOLD = f"SELECT set_id {STANDING} AND mean_version IS NOT NULL"
WITHOUT = f"{TOLD} AND mean_systolic IS NULL"
OF_MEAN = "mean_status, mean_from_version, systolic, mean_diastolic, counted, mean_method, mean_taken_from < mean_taken_to"
# Of each clinic, as below.
WITH_RESULT, WITHOUT_RESULT = 3, 7


class Schema:
    """The database of a store, taken to other revisions by its owner."""

    def __init__(self, database_url: str, request: pytest.FixtureRequest) -> None:
        self.url, self._server = database_url, None
        if not database_url.startswith("sqlite"):
            self._server, self._name = request.getfixturevalue("postgresql_server"), str(make_url(database_url).database)
            self.url = self._server.as_owner(self._name)

    async def move(self, revision: str) -> None:
        if revision == "head":
            await to_thread(migrate.upgrade, self.url)
        else:
            await to_thread(migrate.downgrade, self.url, revision)
        if self._server is not None:
            # Tables that were made anew are the owner's alone, and others will borrow this database.
            await to_thread(self._server.grant, self._name)


async def rows_of(clinics: list[Clinic], statement: str) -> list[list[str]]:
    """By clinic, its rows; of SQLite every tenant sees all."""
    return [sorted(map(str, await clinic.rows(f"{statement} AND tenant_id = {clinic.tenant.tenant_id}"))) for clinic in clinics]


async def receive_some(clinic: Clinic) -> Answer:
    """Sittings of every sort; the answer of one with a result."""
    named, described = {"identifier": {"system": "urn:example:device", "value": "SN-0007"}}, {"model": "Example 1"}
    await clinic.receive(home_body(home_series(2, lambda _: (136, 86))))
    for readings in (first_visit()[:2], [{**one, **FAILED} for one in first_visit()]):
        await clinic.receive(sitting(readings, device=named, cuff={"size": "Large Adult"}))
        await clinic.receive(sitting(readings, device=described))
        await clinic.receive(sitting([{**readings[0], "device": named}, *readings[1:]], device=described))
        await clinic.receive(sitting(first_visit()))
        await clinic.receive(sitting(readings[:1], closed=False))
        await clinic.correct(await clinic.receive(sitting(readings)), {"change": "void-set"})
    return await clinic.receive(sitting(first_visit()))


async def test_sittings_without_a_result_that_are_stored_say_so_after_the_upgrade(
    store: Store, database_url: str, request: pytest.FixtureRequest
) -> None:
    """As what is stored now does."""
    schema = Schema(database_url, request)
    clinics = [await open_clinic(store, load_rulebook(), name) for name in ("clinic", "elsewhere")]
    for clinic in clinics:
        await receive_some(clinic)
    before = await rows_of(clinics, f"SELECT * {STANDING}")
    assert [len(found) for found in await rows_of(clinics, WITHOUT)] == [WITHOUT_RESULT] * 2
    await schema.move("0018")
    assert [len(found) for found in await rows_of(clinics, TOLD)] == [WITH_RESULT] * 2
    await schema.move("head")
    assert await rows_of(clinics, f"SELECT * {STANDING}") == before
    assert [await told_of_before(clinic) for clinic in clinics] == [WITHOUT_RESULT] * 2


async def test_an_earlier_program_finds_a_result_that_is_gone_as_it_was_and_in_error(
    store: Store, database_url: str, request: pytest.FixtureRequest
) -> None:
    schema, clinic = Schema(database_url, request), await open_clinic(store, load_rulebook())
    answer = await receive_some(clinic)
    changes = ({"change": "amend-reading", "index": index, "set": FAILED} for index in (1, 2, 3))
    await clinic.correct(answer, *changes)
    statement = f"SELECT {OF_MEAN} {STANDING} AND version = 2"
    assert (await clinic.rows(statement))[0][:5] == (OBSERVATION_STATUS.number("corrected"), 2, None, None, 0)
    await schema.move("0018")
    assert await clinic.rows(statement) == [(OBSERVATION_STATUS.number("entered-in-error"), 1, 145, 900_000, 2, 0, True)]
    await schema.move("head")


async def told_of_before(clinic: Clinic) -> int:
    """The sittings without a result: each is read, found and remembered as one version of one Observation."""
    publisher = Publisher(tenant=clinic.tenant, public_url="https://bp.example.org")
    not_usable = PointerTest(pointer="state", numbers=frozenset((STATE.number("not-usable"),)))
    query = ObservationQuery(
        kinds=frozenset(("mean",)), pointers=(not_usable,), statuses=frozenset(("final",)), limit=WITHOUT_RESULT
    )

    def check(snapshot: Connection) -> int:
        found = find_observations(snapshot, clinic.tenant.tenant_id, query)
        for one in found:
            name = f"{one.key.set_id}-mean"
            read = json.loads(read_resource(snapshot, publisher, "Observation", name).body)
            (entry,) = json.loads(history(snapshot, publisher, "Observation", name, HistoryRequest()))["entry"]
            assert entry["resource"] == read and read["dataAbsentReason"]
            provenance = json.loads(read_resource(snapshot, publisher, "Provenance", f"{one.key.set_id}-v1").body)
            assert {"reference": f"Observation/{name}"} in provenance["target"]
        return len(found)

    return await clinic.read(check)
