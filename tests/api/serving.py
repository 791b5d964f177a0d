"""A server of the whole service on a loopback port, and clients with keys of their own."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import httpx
import uvicorn

from quietcuff.api.app import create_app
from quietcuff.api.bounded_http import BoundedHttp
from quietcuff.security.api_keys import make_key
from quietcuff.security.outside_issuer import Issuer
from quietcuff.settings import Settings
from quietcuff.storage.engine.store import NO_TENANT, open_store
from quietcuff.storage.rows.api_keys import KeyRow, insert_key
from quietcuff.storage.rows.tenants import find_or_create_tenant

PROBLEM_JSON = "application/problem+json"


def new_key(database_url: str, *, tenant: str = "clinic", scopes: str = "system/*.cruds") -> str:
    """A key in the database, made as the command line makes it."""
    key, now = make_key(), datetime.now(UTC)

    def insert(connection: Any) -> None:
        tenant_id = find_or_create_tenant(connection, tenant, now).tenant_id
        insert_key(connection, KeyRow(uuid4(), key.prefix, tenant_id, key.secret_hash, "test", scopes, now))

    async def run() -> None:
        store = open_store(database_url)
        await store.write(NO_TENANT, insert)
        await store.close()

    asyncio.run(run())
    return key.text


class Server:
    """The service as it runs in a thread of the test, answering on a port of its own.

    With a port named, that is its public address too, for clients that go wherever an answer sends them. ``wrap`` makes the
    application that is served of the service.
    """

    def __init__(
        self,
        database_url: str,
        issuer: Issuer | None = None,
        port: int = 0,
        *,
        wrap: Callable[[Any], Any] = lambda app: app,
        date_header: bool = True,
        **settings: Any,
    ) -> None:
        self.database_url = database_url
        public_url = f"http://127.0.0.1:{port}" if port else "https://bp.example.org"
        # Nothing is sent anywhere unless a test says where to.
        said = {"deliver": "off", **settings}
        self.settings = Settings(database_url=database_url, public_url=public_url, issuer=issuer, **said)
        self.shell = create_app(self.settings)
        config = uvicorn.Config(
            wrap(self.shell),
            http=BoundedHttp,
            date_header=date_header,
            host="127.0.0.1",
            port=port,
            lifespan="on",
            log_config=None,
            access_log=False,
        )
        self._uvicorn = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._uvicorn.run)
        self.url = ""

    def start(self) -> None:
        self._thread.start()
        while not self._uvicorn.started:
            if not self._thread.is_alive():
                raise RuntimeError("the server did not start")
            time.sleep(0.01)
        port = self._uvicorn.servers[0].sockets[0].getsockname()[1]
        self.url = f"http://127.0.0.1:{port}"

    def connections(self) -> set[Any]:
        """The server's side of what is connected."""
        return self._uvicorn.server_state.connections

    def stop(self) -> None:
        self._uvicorn.should_exit = True
        self._thread.join()

    def client(self, *, tenant: str = "clinic", scopes: str = "system/*.cruds") -> httpx.Client:
        """A client with a new key."""
        return self.client_of(new_key(self.database_url, tenant=tenant, scopes=scopes))

    def client_of(self, key: str | None) -> httpx.Client:
        headers = {"Authorization": f"Bearer {key}"} if key else {}
        return httpx.Client(base_url=self.url, headers=headers, timeout=30, trust_env=False)


@contextmanager
def serving(database_url: str, issuer: Issuer | None = None, port: int = 0, **settings: Any) -> Iterator[Server]:
    """A server on the database, for the length of the block."""
    server = Server(database_url, issuer, port, **settings)
    server.start()
    try:
        yield server
    finally:
        server.stop()


def problem(answer: httpx.Response, status: int, slug: str) -> dict[str, Any]:
    """The problem that an answer is, held against everything that problems promise."""
    assert answer.status_code == status, answer.text[:500]
    assert answer.headers["Content-Type"] == PROBLEM_JSON
    body: dict[str, Any] = answer.json()
    assert set(body) - {"more"} == {"type", "title", "status", "detail", "instance", "errors"}
    assert (body["type"], body["status"]) == (f"/problems/{slug}", status)
    assert body["instance"] == f"urn:uuid:{answer.headers['X-Request-Id']}"
    for fault in body["errors"]:
        assert len({"pointer", "parameter", "header"} & set(fault)) == 1 and fault["code"] and fault["detail"]
    return body
