"""Faults of the database: each is told as what it is, and none as a defect of the service.

Codes: PostgreSQL's documentation, appendix A; SQLite's "Result and error codes"."""

from __future__ import annotations

import asyncio
import socket
import sqlite3
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing
from functools import partial
from pathlib import Path
from typing import Any

import asyncpg
import pytest
from sqlalchemy import event, make_url
from sqlalchemy.exc import DBAPIError

from databases import PostgresqlServer
from quietcuff.cli.support.complaints import sentence_of
from quietcuff.core.model.errors import Busy, NotAcceptable, StoreFailing, StoreNotUsable
from quietcuff.storage.engine.faults import BY_CLASS, BY_SQLITE_NAME, BY_SQLSTATE, sentence_of_database
from quietcuff.storage.engine.readiness import Readiness
from quietcuff.storage.engine.store import NO_TENANT, Store, open_store
from quietcuff.storage.engine.transactions import Job, Transaction
from storage.rows import count_subjects, insert, subject_row

CLINIC = 1
PLACE = b"\0\1"


def fails_with(sqlstate: str) -> Callable[[Transaction], None]:
    """Work to which PostgreSQL itself answers with that code."""

    def work(transaction: Transaction) -> None:
        transaction.exec_driver_sql(f"DO $$ BEGIN RAISE EXCEPTION 'told' USING ERRCODE = '{sqlstate}'; END $$")

    return work


@pytest.mark.parametrize(
    ("sqlstate", "expected"),
    [
        *[(code, Busy) for code in ("08006", "53200", "53300", "55P03", "57014", "57P01", "40001")],
        *[(code, StoreFailing) for code in ("53100", "25006", "42501", "58030", "XX001", "XX002")],
        ("42P01", StoreNotUsable),
        ("22021", NotAcceptable),
        ("22012", DBAPIError),
    ],
)
async def test_what_postgresql_says_has_its_place_in_the_error_tree(
    postgresql_url: str, sqlstate: str, expected: type[Exception]
) -> None:
    store = open_store(postgresql_url)
    with pytest.raises(expected) as of_write:
        await store.write(CLINIC, fails_with(sqlstate))
    assert type(of_write.value) is expected or expected is DBAPIError
    assert await store.write(CLINIC, insert(subject_row(CLINIC)), order=PLACE)
    await store.close()


def test_every_fault_of_the_table_is_a_sentence_at_a_terminal() -> None:
    for fault in (*BY_SQLSTATE.values(), *BY_SQLITE_NAME.values(), *(fault for _, _, fault in BY_CLASS)):
        assert fault.told[:1].isupper() and fault.told.endswith("."), fault
        assert fault.way_on == "" or (fault.way_on[0].isupper() and fault.way_on.endswith(".")), fault


@pytest.mark.parametrize(("sqlstate", "said"), [("53100", "disk is full"), ("25006", "no writes"), ("42501", "grants")])
async def test_commands_and_http_are_told_the_same_fault(postgresql_url: str, sqlstate: str, said: str) -> None:
    store = open_store(postgresql_url)
    with pytest.raises(StoreFailing) as failed:
        await store.write(CLINIC, fails_with(sqlstate))
    await store.close()
    assert said in failed.value.told
    assert sentence_of(failed.value).startswith(failed.value.told)
    assert sentence_of_database(ValueError("no fault of a database")) is None


@asynccontextmanager
async def refusing_server(sqlstate: str) -> AsyncIterator[str]:
    """Something that speaks PostgreSQL just long enough to refuse whoever connects. Source: PostgreSQL's protocol 3.0."""

    async def refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while length := int.from_bytes(await reader.readexactly(4)):
            if int.from_bytes((await reader.readexactly(length - 4))[:4]) != 80877103:
                break
            writer.write(b"N")
        fields = b"SFATAL\0VFATAL\0C" + sqlstate.encode() + b"\0Mtold\0\0"
        writer.write(b"E" + (len(fields) + 4).to_bytes(4) + fields)
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(refuse, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    yield f"postgresql://nobody:x@127.0.0.1:{port}/nothing"
    server.close()


@pytest.mark.parametrize(
    ("sqlstate", "expected"),
    [("57P03", Busy), ("53300", Busy), ("28P01", StoreFailing), ("3D000", StoreFailing)],
)
async def test_a_server_that_lets_nobody_in_is_no_defect_of_ours(sqlstate: str, expected: type[Exception]) -> None:
    """Starting up, too many connections, a wrong password, no such database: said before there is a connection."""
    async with refusing_server(sqlstate) as url:
        store = open_store(url)
        for ask in (store.read, store.write):
            with pytest.raises(expected) as caught:
                await ask(CLINIC, count_subjects)
            assert type(caught.value) is expected
        await store.close()


@pytest.mark.parametrize(("sqlstate", "expected"), [("57P03", StoreNotUsable), ("53300", Busy)])
async def test_a_server_that_is_starting_is_not_ready_and_a_full_one_is_busy(sqlstate: str, expected: type[Exception]) -> None:
    async with refusing_server(sqlstate) as url:
        store = open_store(url)
        with pytest.raises(expected) as caught:
            await Readiness(store).require()
        assert type(caught.value) is expected
        await store.close()


async def test_a_server_that_is_away_is_not_ready_and_says_so() -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as nobody:
        port = nobody.getsockname()[1]
    store = open_store(f"postgresql://nobody:x@127.0.0.1:{port}/nothing")
    with pytest.raises(StoreNotUsable, match="cannot be reached"):
        await Readiness(store).require()
    await store.close()


async def test_lost_connections_to_a_server_that_runs_are_no_matter_of_readiness(
    postgresql_server: PostgresqlServer, postgresql_url: str
) -> None:
    database = str(make_url(postgresql_url).database)
    store = open_store(postgresql_url)
    await Readiness(store).require()
    end_all = (
        f"SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE datname = '{database}' AND pid <> pg_backend_pid()"
    )
    await on(postgresql_server.as_owner(database), end_all)
    await Readiness(store).require()
    await store.close()


def ends_its_connection(admin: str) -> Callable[[Transaction], Any]:
    """Work whose connection an operator ends while it is under way."""

    def work(transaction: Transaction) -> None:
        insert(subject_row(CLINIC))(transaction)
        process = transaction.exec_driver_sql("SELECT pg_backend_pid()").scalar_one()

        async def end() -> None:
            connection = await asyncpg.connect(admin)
            await connection.execute("SELECT pg_terminate_backend($1, 5000)", process)
            await connection.close()

        import threading

        thread = threading.Thread(target=lambda: asyncio.run(end()))
        thread.start()
        thread.join()
        transaction.exec_driver_sql("SELECT 1")

    return work


@pytest.mark.parametrize("place", [0, 20, 39])
async def test_a_group_whose_connection_is_lost_is_busy_and_not_run_again_on_it(
    postgresql_server: PostgresqlServer, postgresql_url: str, place: int
) -> None:
    admin = postgresql_server.as_owner(str(make_url(postgresql_url).database))
    store = open_store(postgresql_url)
    works: list[Any] = [insert(subject_row(CLINIC)) for _ in range(40)]
    works[place] = ends_its_connection(admin)
    answers = await asyncio.gather(*(store.write(CLINIC, work) for work in works), return_exceptions=True)
    assert {type(answer) for answer in answers} == {Busy}
    assert await store.write(CLINIC, insert(subject_row(CLINIC)))
    assert await store.read(CLINIC, count_subjects) == 1
    await store.close()


async def test_a_connection_lost_under_another_error_is_busy(postgresql_server: PostgresqlServer, postgresql_url: str) -> None:
    admin = postgresql_server.as_owner(str(make_url(postgresql_url).database))
    store = open_store(postgresql_url)

    def hides_it(transaction: Transaction) -> None:
        try:
            ends_its_connection(admin)(transaction)
        except DBAPIError as error:
            raise RuntimeError("a defect that hides the loss") from error

    answers = await asyncio.gather(
        store.write(CLINIC, insert(subject_row(CLINIC))), store.write(CLINIC, hides_it), return_exceptions=True
    )
    assert {type(answer) for answer in answers} == {Busy}
    assert await store.read(CLINIC, count_subjects) == 0
    await store.close()


async def test_work_that_is_cancelled_at_its_statement_ends_as_cancelled(postgresql_url: str) -> None:
    """Its connection is cut; that must not be told as a busy database, or whoever stops it would wait for ever."""
    store = open_store(postgresql_url)
    await store.write(CLINIC, insert(subject_row(CLINIC)), order=PLACE)
    begun = asyncio.Event()
    sleeping = Job(tenant_id=CLINIC, order=PLACE, work=partial(sleep_at_the_server, begun))
    for group in ([sleeping], [Job(tenant_id=CLINIC, order=PLACE, work=spoil), sleeping]):
        begun.clear()
        waiting = asyncio.create_task(store._backend.run_group(group))
        await begun.wait()
        await asyncio.sleep(0.1)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting
    assert await store.read(CLINIC, count_subjects) == 1
    await store.close()


def sleep_at_the_server(begun: asyncio.Event, transaction: Transaction) -> None:
    begun.set()
    transaction.exec_driver_sql("SELECT pg_sleep(20)")


def spoil(transaction: Transaction) -> None:
    """Write, and be refused: the group is done again, each job apart."""
    insert(subject_row(CLINIC))(transaction)
    raise NotAcceptable.of(parameter="x", code="bad-value", detail="told")


async def test_a_standby_takes_no_writes_and_readiness_says_so(
    postgresql_server: PostgresqlServer, postgresql_url: str
) -> None:
    """The same code, 25006, that a hot standby gives. The connections are new, so that the setting holds for them."""
    database = str(make_url(postgresql_url).database)
    await on(postgresql_server.as_owner(database), f'ALTER DATABASE "{database}" SET default_transaction_read_only = on')
    store = open_store(postgresql_url)
    try:
        with pytest.raises(StoreFailing) as caught:
            await store.write(CLINIC, insert(subject_row(CLINIC)))
        assert caught.value.code == "read-only"
        assert await store.read(CLINIC, count_subjects) == 0
        fresh = open_store(postgresql_url)
        with pytest.raises(StoreNotUsable, match="takes no writes"):
            await Readiness(fresh).require()
        await fresh.close()
    finally:
        await store.close()
        await on(postgresql_server.as_owner(database), f'ALTER DATABASE "{database}" RESET default_transaction_read_only')


async def on(url: str, statement: str) -> None:
    connection = await asyncpg.connect(url)
    await connection.execute("SET default_transaction_read_only = off")
    await connection.execute(statement)
    await connection.close()


def limit_pages(store: Store, most: int) -> None:
    """A disk with room for no more than so many pages. Source: SQLite's PRAGMA max_page_count, which gives SQLITE_FULL."""
    engine: Any = store._backend._writer  # type: ignore[attr-defined]
    engine.dispose()

    @event.listens_for(engine, "connect")
    def limit(connection: Any, record: Any) -> None:
        connection.execute(f"PRAGMA max_page_count = {most}").close()


async def test_a_full_disk_is_told_and_readiness_says_so_until_something_is_stored(sqlite_url: str) -> None:
    store = open_store(sqlite_url)
    await Readiness(store).require()
    limit_pages(store, 1)

    def fill(transaction: Transaction) -> None:
        for _ in range(2000):
            insert(subject_row(CLINIC))(transaction)

    with pytest.raises(StoreFailing) as caught:
        await store.write(CLINIC, fill, order=PLACE)
    assert (caught.value.code, caught.value.retry_after_seconds) == ("disk-full", 30)
    with pytest.raises(StoreNotUsable, match="disk is full"):
        await Readiness(store).require()
    engine: Any = store._backend._writer  # type: ignore[attr-defined]
    limit_pages(store, 100_000)
    assert engine is not None and await store.write(CLINIC, insert(subject_row(CLINIC)), order=PLACE)
    await Readiness(store).require()
    assert await store.read(CLINIC, count_subjects) == 1
    await store.close()


async def test_a_damaged_file_is_told_and_readiness_says_so(sqlite_url: str) -> None:
    path = Path(sqlite_url.removeprefix("sqlite:///"))
    store = open_store(sqlite_url)
    await store.write(CLINIC, lambda transaction: [insert(subject_row(CLINIC))(transaction) for _ in range(500)])
    await store.close()
    content = bytearray(path.read_bytes())
    content[3 * 4096 :] = b"\xa5" * (len(content) - 3 * 4096)
    path.write_bytes(content)
    store = open_store(sqlite_url)
    with pytest.raises(StoreFailing) as caught:
        await store.read(CLINIC, count_subjects)
    assert caught.value.code == "damaged"
    with pytest.raises(StoreNotUsable, match="damaged"):
        await Readiness(store).require()
    await store.close()


async def test_a_file_that_is_no_database_needs_no_upgrade(sqlite_url: str) -> None:
    path = Path(sqlite_url.removeprefix("sqlite:///"))
    path.write_bytes(b"no database at all " * 1000)
    store = open_store(sqlite_url)
    with pytest.raises(StoreNotUsable, match="damaged"):
        await Readiness(store).require()
    await store.close()


async def test_a_lock_is_waited_for_once(database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neighbours are stored, and who needed the lock is told so after one wait."""
    monkeypatch.setattr("quietcuff.storage.engine.database.LOCK_SECONDS", 1)
    held, store = subject_row(CLINIC), open_store(database_url)
    await store.write(CLINIC, insert(held))

    def touches(transaction: Transaction) -> None:
        mark, value = ("$1", held.subject_id) if transaction.dialect.name == "postgresql" else ("?", held.subject_id.bytes)
        transaction.exec_driver_sql(f"UPDATE subject SET version = version WHERE subject_id = {mark}", (value,))

    is_sqlite = database_url.startswith("sqlite")
    async with holding(database_url, held):
        began = time.monotonic()
        works = [(touches, b"\0\1"), (insert(subject_row(CLINIC)), b"\0\2"), (touches, b"\0\1")]
        answers = await asyncio.gather(
            *(store.write(CLINIC, work, order=order) for work, order in works), return_exceptions=True
        )
        took = time.monotonic() - began
    told = [type(answer) for answer in answers]
    assert told == ([Busy, Busy, Busy] if is_sqlite else [Busy, bool, Busy])
    assert took < 1.9
    await store.close()


@asynccontextmanager
async def holding(url: str, row: Any) -> AsyncIterator[None]:
    """Somebody else holds the row, or the whole file."""
    if url.startswith("sqlite"):
        other = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")
        other.close()
        return
    connection = await asyncpg.connect(url)
    async with connection.transaction():
        await connection.execute("SELECT set_config('quietcuff.tenant', $1, true)", str(CLINIC))
        await connection.execute("SELECT 1 FROM subject WHERE subject_id = $1 FOR UPDATE", row.subject_id)
        yield
    await connection.close()


async def test_readiness_looks_once_however_many_ask(store: Store) -> None:
    looks = []
    write = store.write

    async def count(*arguments: Any, **more: Any) -> Any:
        looks.append(1)
        return await write(*arguments, **more)

    store.write = count  # type: ignore[method-assign]
    readiness = Readiness(store)
    await asyncio.gather(*(readiness.require() for _ in range(50)))
    assert len(looks) == 1
    assert NO_TENANT == 0
