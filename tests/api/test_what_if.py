"""``/v1/what-if``: begun, asked after and ended; people are named with the scope alone."""

from __future__ import annotations

import time
from typing import Any

import httpx
import pytest

from api.serving import Server, problem
from application.clinic import reading, sitting

TENANT = "committee"
ALL = "system/WhatIf.crd"
ONE_ARM = {"protocol": "office-one-arm", "guidelines": ["aha-acc-2025"], "visit": "follow-up"}


@pytest.fixture(scope="module")
def filled(server: Server) -> Server:
    with server.client(tenant=TENANT) as client:
        for number, systolic in enumerate((112, 134, 136)):
            body = sitting([reading(minute, systolic, 78) for minute in (0, 1, 2)], person=f"p-{number}", **ONE_ARM)
            assert client.post("/v1/reading-sets", json=body).status_code == 201
    return server


def finished(client: httpx.Client, asked: dict[str, Any]) -> dict[str, Any]:
    begun = client.post("/v1/what-if", json=asked)
    assert begun.status_code == 202, begun.text
    assert begun.headers["Location"] == f"/v1/what-if/{begun.json()['id']}"
    for _ in range(100):
        answer = client.get(begun.headers["Location"])
        assert answer.status_code == 200
        job: dict[str, Any] = answer.json()
        if job["state"] == "done":
            assert "Retry-After" not in answer.headers
            return job
        assert answer.headers["Retry-After"]
        time.sleep(0.1)
    raise AssertionError("not done")


def test_another_guideline_moves_labels_and_names_nobody(filled: Server) -> None:
    with filled.client(tenant=TENANT, scopes=ALL) as client:
        job = finished(client, {"guideline": "esh-2023"})
        report = job["report"]
        assert (report["sets"], report["evaluated"], report["moved_people"]) == (3, 3, None)
        assert report["moved"] == sum(move["sets"] for move in report["moves"] if move["before"] != move["after"]) >= 2
        assert client.delete(f"/v1/what-if/{job['id']}").status_code == 204
        problem(client.get(f"/v1/what-if/{job['id']}"), 404, "not-found")


def test_people_are_listed_on_request_and_scope(filled: Server) -> None:
    asked = {"guideline": "esh-2023", "people": True}
    with filled.client(tenant=TENANT, scopes=ALL) as client:
        problem(client.post("/v1/what-if", json=asked), 403, "not-allowed")
    with filled.client(tenant=TENANT, scopes=f"{ALL} quietcuff/identified") as named:
        job = finished(named, asked)
    names = {one["identifier"]["value"] for one in job["report"]["moved_people"]}
    assert names and names <= {"p-0", "p-1", "p-2"}
    with filled.client(tenant=TENANT, scopes=ALL) as client:
        problem(client.get(f"/v1/what-if/{job['id']}"), 403, "not-allowed")


def test_what_cannot_be_asked_is_refused(filled: Server) -> None:
    with filled.client(tenant=TENANT, scopes=ALL) as client:
        faults = problem(client.post("/v1/what-if", json={"guideline": "mine", "protocol": "mine"}), 422, "not-acceptable")
        assert [fault["pointer"] for fault in faults["errors"]] == ["/protocol", "/guideline"]
        assert problem(client.post("/v1/what-if", json={}), 422, "not-acceptable")["errors"][0]["code"] == "nothing-to-change"
        problem(client.post("/v1/what-if", json={"fewer_readings": 3}), 422, "not-acceptable")
    with filled.client(tenant=TENANT, scopes="system/WhatIf.r system/Table.r") as reader:
        problem(reader.post("/v1/what-if", json={"guideline": "esh-2023"}), 403, "not-allowed")
