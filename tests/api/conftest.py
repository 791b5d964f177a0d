"""Servers for the tests that do not mind each other's data, and clients of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import httpx
import pytest

from api.serving import Server, serving
from databases import SqliteFiles


@pytest.fixture(scope="session")
def server(sqlite_files: SqliteFiles) -> Iterator[Server]:
    """A server on SQLite that all tests share."""
    with serving(sqlite_files.new()) as running:
        yield running


@pytest.fixture(scope="session")
def client(server: Server) -> Iterator[httpx.Client]:
    """A client that may do everything, of the tenant ``clinic``."""
    with server.client() as made:
        yield made


@pytest.fixture(scope="session")
def stranger(server: Server) -> Iterator[httpx.Client]:
    """A client without a key."""
    with server.client_of(None) as made:
        yield made


@pytest.fixture(scope="session")
def postgresql_service(request: pytest.FixtureRequest) -> Iterator[Server]:
    """A server on PostgreSQL that all tests share."""
    with serving(request.getfixturevalue("postgresql_server").new()) as running:
        yield running


@pytest.fixture(params=["sqlite", "postgresql"])
def service(request: pytest.FixtureRequest) -> Server:
    """A server of either kind: the test runs on both."""
    running: Server = request.getfixturevalue("server" if request.param == "sqlite" else "postgresql_service")
    return running


@pytest.fixture(scope="session")
def desks() -> Iterator[Callable[[Server], httpx.Client]]:
    """The one client of each server that may do everything: to make a key and a client costs more than most tests."""
    made: dict[Server, httpx.Client] = {}
    yield lambda server: made[server] if server in made else made.setdefault(server, server.client())
    for client in made.values():
        client.close()


@pytest.fixture
def desk(service: Server, desks: Callable[[Server], httpx.Client]) -> httpx.Client:
    """A client that may do everything, of a server of either kind."""
    return desks(service)
