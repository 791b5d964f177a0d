"""Clients that leave in the middle, and batches whose answer gets too long."""

from __future__ import annotations

import json
import socket
import time
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from api.serving import Server, serving
from api.test_reading_sets import named
from bodies import OPENED_SET

ROUTES = ["/v1/reading-sets", "/v1/evaluations", "/v1/subjects", "/v1/reading-sets/batch", "/fhir/R4/Patient/_search"]


@pytest.mark.parametrize("path", ROUTES)
def test_a_client_that_leaves_in_the_middle_of_its_body_is_no_failure(server: Server, caplog: Any, path: str) -> None:
    caplog.set_level("INFO", logger="quietcuff.access")
    with server.client() as client:
        key = client.headers["Authorization"]
    kind = "application/x-ndjson" if path.endswith("batch") else "application/json"
    kind = "application/x-www-form-urlencoded" if path.startswith("/fhir") else kind
    head = f"POST {path} HTTP/1.1\r\nHost: a\r\nAuthorization: {key}\r\nContent-Type: {kind}\r\nContent-Length: 9000\r\n\r\n"
    with socket.create_connection(("127.0.0.1", urlsplit(server.url).port or 0)) as connection:
        connection.sendall(head.encode() + b"{")
        time.sleep(0.2)
    lines: list[Any] = []
    until = time.monotonic() + 10
    while not lines and time.monotonic() < until:
        time.sleep(0.02)
        told = [json.loads(record.getMessage()) for record in caplog.records if record.name == "quietcuff.access"]
        lines = [line for line in told if line["route"] == path]
    assert [line["status"] for line in lines] == [400]
    assert not [record for record in caplog.records if record.name == "quietcuff.service"]


def test_a_batch_whose_answer_gets_too_long_ends_so_that_it_can_be_gone_on_with(
    database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietcuff.api.routes.batches.BYTES_A_MEGABYTE", 100_000)
    lines = [json.dumps(named(OPENED_SET)).encode() for _ in range(600)]
    with serving(database_url, batch_answer_megabytes=1) as server, server.client() as client:

        def send(part: list[bytes]) -> list[dict[str, Any]]:
            headers = {"Content-Type": "application/x-ndjson", "Prefer": "return=representation"}
            answer: httpx.Response = client.post("/v1/reading-sets/batch", content=b"\n".join(part), headers=headers)
            assert answer.status_code == 200
            return [json.loads(line) for line in answer.text.splitlines()]

        first = send(lines)
        assert first[-1]["end"] is False and first[-1]["lines"] == len(first) - 1 == first[-1]["stored"]
        assert 0 < len(first) - 1 < 600
        # What was not answered was not taken in, and what was is known when it comes again.
        again = send(lines[:5])
        assert again[-1] == {"end": True, "lines": 5, "stored": 0, "replayed": 5, "refused": 0}
        ids = {line["id"] for line in first[:-1]}
        count, url = 0, "/v1/reading-sets?limit=100"
        while url:
            page = client.get(url).json()
            count, url = count + len(page["items"]), (page["next"] or "").replace("https://bp.example.org", "")
        assert count == len(ids)
