"""Sheets over HTTP: stored like lines of a batch, once, or refused with every fault by its row and column. All invented."""

from __future__ import annotations

import json
from typing import Any
from uuid import uuid4

import httpx

from api.serving import problem
from quietcuff.decode.sheet.table import MOST_BYTES

PATH = "/v1/reading-sets/batch"
CSV = {"Content-Type": "text/csv; charset=utf-8"}
HEAD = "Person;Date;Time;Systolic (mmHg);Diastolic (mmHg);Site"
STATED = {"zone": "Europe/Vienna", "dates": "day-month-year"}


def sheet_of(person: str, *rows: str) -> str:
    return "\r\n".join([HEAD, *(f"{person};{row}" for row in rows), ""])


def mapping(**more: Any) -> str:
    return json.dumps({"same": {"person_system": "urn:example:person"}, **more})


def post(client: httpx.Client, sheet: str, **query: str) -> httpx.Response:
    return client.post(PATH, content=sheet.encode(), headers=CSV, params={"mapping": mapping(), **STATED, **query})


def lines(answer: httpx.Response) -> list[dict[str, Any]]:
    assert (answer.status_code, answer.headers["Content-Type"]) == (200, "application/x-ndjson"), answer.text[:500]
    return [json.loads(line) for line in answer.text.splitlines()]


def test_the_sittings_of_a_sheet_are_stored_once_however_often_it_is_sent(desk: httpx.Client) -> None:
    person = f"p-{uuid4()}"
    rows = ("05.05.2026;9:00;136,5;83;left upper arm", "04.05.2026;9:00;156;92;", "04.05.2026;9:01:10;139;84;")
    sheet = sheet_of(person, *rows)
    first, second, end = lines(post(desk, sheet))
    assert (first["line"], second["line"], end["stored"]) == (3, 2, 2)
    (reading,) = desk.get(f"/v1/reading-sets/{second['id']}").json()["reading_set"]["readings"]
    told = [reading[name] for name in ("taken_at", "systolic_mmhg", "site")]
    assert told == ["2026-05-05T09:00:00+02:00", 136.5, "left-upper-arm"]
    again = lines(post(desk, sheet))
    assert [line.get("id") for line in again[:2]] == [first["id"], second["id"]]
    assert again[2] == {"end": True, "lines": 2, "stored": 0, "replayed": 2, "refused": 0}


def test_a_sitting_with_a_fault_is_refused_by_row_and_column_and_the_others_are_stored(desk: httpx.Client) -> None:
    sheet = sheet_of(f"p-{uuid4()}", "04.05.2026;9:00;136;83;", "05.05.2026;9:00;high;84;knee")
    stored, refused, end = lines(post(desk, sheet))
    assert (stored["status"], refused["status"], end["refused"]) == (201, 422, 1)
    assert [(fault["row"], fault["column"], fault["code"], fault["pointer"]) for fault in refused["problem"]["errors"]] == [
        (3, "D (Systolic (mmHg))", "wrong-type", "/readings/0/systolic_mmhg"),
        (3, "F (Site)", "unknown-code", "/readings/0/site"),
    ]


def test_a_sheet_that_cannot_be_read_as_a_whole_stores_nothing(desk: httpx.Client) -> None:
    person = f"p-{uuid4()}"
    sheet = sheet_of(person, "04.05.2026;9:00;136;83;").replace("Site", "Where")
    told = problem(post(desk, sheet), 422, "not-acceptable")
    assert [(fault["row"], fault["column"], fault["code"]) for fault in told["errors"]] == [(1, "F (Where)", "unknown-column")]
    (stored, _) = lines(post(desk, sheet, mapping=mapping(columns={"Where": "site"})))
    assert stored["replayed"] is False
    (refused, _) = lines(post(desk, sheet_of(person, "06.05.2026;9:00;136;83;"), mapping="{}"))
    assert [(fault["column"], fault["code"]) for fault in refused["problem"]["errors"]] == [("person_system", "missing")]


def test_what_is_said_of_a_sheet_is_checked(desk: httpx.Client) -> None:
    sheet = sheet_of("p-1", "04.05.2026;9:00;136;83;")
    for query, parameter, code in (
        ({"zone": "Vienna"}, "zone", "unknown-zone"),
        ({"dates": "dmy"}, "dates", "unknown-code"),
        ({"mapping": "{"}, "mapping", "not-json"),
        ({"mapping": mapping(columns={"Site": "arm"})}, "mapping", "unknown-column"),
        ({"colour": "red"}, "colour", "unknown-parameter"),
    ):
        told = problem(post(desk, sheet, **query), 422, "not-acceptable")
        assert [(fault["parameter"], fault["code"]) for fault in told["errors"]] == [(parameter, code)]
    problem(desk.post(PATH, content=b"x" * (MOST_BYTES + 1), headers=CSV), 413, "too-large")
    problem(desk.post(PATH, content=b"person\n\xe9", headers=CSV), 400, "not-readable")
    problem(desk.post("/v1/reading-sets", content=sheet.encode(), headers=CSV), 415, "unsupported-media-type")
