"""One server for the tests that do not mind each other's data, and clients of it."""

from __future__ import annotations

from collections.abc import Iterator

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
