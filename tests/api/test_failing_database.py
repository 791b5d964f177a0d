"""The service on a database that fails: 503 with a time to come again, and readiness that says why; no 500, nothing lost."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any
from urllib.parse import quote

import asyncpg
import httpx
import pytest
from sqlalchemy import make_url

from api.serving import problem, serving
from api.test_reading_sets import named
from bodies import OPENED_SET
from databases import PostgresqlServer, SqliteFiles
from quietcuff.fhir.search.types import SEARCHED

NUL = quote("\0")


@pytest.mark.parametrize("kind", sorted(SEARCHED))
@pytest.mark.parametrize(
    "query", [f"identifier={NUL}", f"identifier=urn:a|b{NUL}c", f"_id={NUL}", f"subject={NUL}", f"{NUL}=1"]
)
def test_a_search_for_the_character_that_no_text_holds_is_a_bad_request(desk: httpx.Client, kind: str, query: str) -> None:
    assert desk.get(f"/fhir/R4/{kind}?{query}").status_code == 400
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    assert desk.post(f"/fhir/R4/{kind}/_search", content=query, headers=form).status_code == 400


@pytest.mark.parametrize(
    "path",
    [
        *(f"/fhir/R4/Patient/{NUL}", f"/v1/subjects/{NUL}", f"/v1/reading-sets/{NUL}", f"/v1/protocols/{NUL}"),
        *(f"/v1/reading-sets?cursor={NUL}", f"/v1/reading-sets?subject_id={NUL}", f"/fhir/R4/Observation/$lastn?code={NUL}"),
        f"/fhir/R4/$export?_typeFilter={quote('Patient?identifier=' + NUL)}",
    ],
)
def test_no_path_or_query_with_that_character_is_a_failure(desk: httpx.Client, path: str) -> None:
    answer = desk.get(path, headers={"Prefer": "respond-async", "Accept": "application/fhir+json"})
    assert 400 <= answer.status_code < 500, answer.text


def test_a_body_with_that_character_is_refused_with_its_place(desk: httpx.Client) -> None:
    body = {**named(OPENED_SET), "subject": {"identifier": {"system": "urn:example:person", "value": "p\0"}}}
    answer = desk.post("/v1/reading-sets", json=body)
    assert 400 <= answer.status_code < 500, answer.text


def end_all_connections(server: PostgresqlServer, url: str) -> None:
    async def end() -> None:
        connection = await asyncpg.connect(server.as_owner(str(make_url(url).database)))
        asked = "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE datname = $1 AND pid <> pg_backend_pid()"
        await connection.execute(asked, str(make_url(url).database))
        await connection.close()

    asyncio.run(end())


def test_38_losses_of_every_connection_are_no_failure_and_lose_nothing(postgresql_server: PostgresqlServer) -> None:
    """Each write is repeated with its key until it is answered, as a gateway does; every one is there once afterwards."""
    url = postgresql_server.new()
    statuses: list[int] = []
    with serving(url) as server, server.client() as client:
        for round_number in range(38):
            end_all_connections(postgresql_server, url)
            body, headers = named(OPENED_SET), {"Idempotency-Key": f"round-{round_number}"}
            while True:
                answer = client.post("/v1/reading-sets", json=body, headers=headers)
                statuses.append(answer.status_code)
                if answer.status_code == 201:
                    break
                assert answer.status_code == 503 and int(answer.headers["Retry-After"]) > 0
        while (answer := client.get("/v1/reading-sets?limit=100")).status_code == 503:
            statuses.append(503)
        bundle = answer.json()
    assert len(bundle["items"]) == 38
    assert set(statuses) <= {201, 503}


def test_a_damaged_file_is_503_everywhere_and_readiness_tells_it(sqlite_files: SqliteFiles, caplog: Any) -> None:
    url = sqlite_files.new()
    path = Path(url.removeprefix("sqlite:///"))
    with serving(url) as server, server.client() as client:
        assert client.get("/health/ready").status_code == 200
        assert client.post("/v1/reading-sets", json=named(OPENED_SET)).status_code == 201
    key = client.headers["Authorization"].split(" ")[1]
    content = bytearray(path.read_bytes())
    # The first pages stay, so that the file opens; that of the keys is among those that are lost.
    content[2 * 4096 :] = b"\xa5" * (len(content) - 2 * 4096)
    path.write_bytes(content)
    with serving(url) as server, server.client_of(key) as client:
        answer = client.get("/v1/reading-sets")
        problem(answer, 503, "busy")
        assert answer.headers["Retry-After"] == "60"
        told = client.get("/health/ready")
        assert "damaged" in problem(told, 503, "not-ready")["detail"] and told.headers["Retry-After"] == "30"
        assert client.get("/health/live").status_code == 200
    assert '"code":"damaged"' in caplog.text
