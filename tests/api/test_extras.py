"""Without the extra ``analytics``: what answers that it is not installed, and what goes on as it does with it."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Iterator

import httpx
import polars
import pytest

from api.serving import Server, problem
from application.clinic import reading, sitting

TENANT = "without-extras"
SCOPES = "system/Table.r system/Quality.r system/FollowUp.s system/WhatIf.crud"
NUMERIC = ("numpy", "pyarrow", "scipy")


@pytest.fixture(scope="module")
def filled(server: Server) -> Server:
    with server.client(tenant=TENANT) as client:
        for person, value in (("severe", 196), ("well", 118)):
            readings = [reading(minute, value, 74) for minute in (0, 1, 2)]
            assert client.post("/v1/reading-sets", json=sitting(readings, person=person)).status_code == 201
    return server


@pytest.fixture
def analyst(filled: Server) -> Iterator[httpx.Client]:
    with filled.client(tenant=TENANT, scopes=SCOPES) as client:
        yield client


@pytest.fixture
def without(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in NUMERIC:
        monkeypatch.setitem(sys.modules, name, None)


@pytest.mark.usefixtures("without")
@pytest.mark.parametrize("path", ["/v1/quality", "/v1/quality.html", "/v1/tables/sets", "/v1/tables/sets?format=parquet"])
def test_what_needs_it_says_how_to_get_it(analyst: httpx.Client, path: str) -> None:
    found = problem(analyst.get(path), 501, "not-installed")
    assert "the extra analytics" in found["detail"] and "sh deploy/setup.sh full" in found["detail"]


@pytest.mark.usefixtures("without")
def test_a_measure_is_read_without_it_and_not_worked_out(analyst: httpx.Client) -> None:
    measure = "/fhir/R4/Measure/talking"
    assert analyst.get(measure).status_code == 200
    refused = analyst.get(f"{measure}/$evaluate-measure", params={"periodStart": "2026", "periodEnd": "2026"})
    assert refused.status_code == 501 and "sh deploy/setup.sh full" in refused.text
    assert len(analyst.get("/fhir/R4/Group/follow-ups").json()["member"]) == 1


@pytest.mark.usefixtures("without")
def test_follow_ups_tables_as_csv_and_the_dictionary_do_without(analyst: httpx.Client) -> None:
    follow_ups = analyst.get("/v1/follow-ups")
    assert follow_ups.status_code == 200 and len(follow_ups.json()["items"]) == 1
    assert analyst.get("/v1/follow-ups", headers={"Accept": "text/csv"}).status_code == 200
    assert analyst.get("/v1/tables").status_code == 200
    for name in ("sets", "readings", "labels", "findings", "follow_ups", "devices"):
        answer = analyst.get(f"/v1/tables/{name}", params={"format": "csv"})
        assert answer.status_code == 200, answer.text
        rows = list(csv.DictReader(io.StringIO(answer.text)))
        assert len(rows) == {"sets": 2, "readings": 6, "follow_ups": 1, "devices": 1}.get(name, len(rows))


@pytest.mark.parametrize("name", ["sets", "readings", "labels", "findings", "follow_ups"])
def test_csv_says_what_parquet_says(analyst: httpx.Client, name: str) -> None:
    frame = polars.read_parquet(io.BytesIO(analyst.get(f"/v1/tables/{name}", params={"format": "parquet"}).content))
    text = analyst.get(f"/v1/tables/{name}", params={"format": "csv"}).content
    read = polars.read_csv(io.BytesIO(text), schema_overrides={name: polars.String for name in frame.columns})
    assert read.columns == frame.columns and read.height == frame.height > 0
    for column, kind in frame.schema.items():
        if isinstance(kind, polars.Datetime):
            found = read[column].str.to_datetime("%Y-%m-%d %H:%M:%S%.fZ", time_unit="us", time_zone="UTC")
        elif kind == polars.Date:
            found = read[column].str.to_date()
        elif kind == polars.Boolean:
            found = read[column] == "true"
        else:
            found = read[column].cast(kind)
        assert found.to_list() == frame[column].to_list(), column
