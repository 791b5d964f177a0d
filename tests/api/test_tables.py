"""``/v1/tables`` and ``/v1/follow-ups``: who may read what, in which format, and that nobody is named unasked."""

from __future__ import annotations

import csv
import io
from datetime import datetime, timedelta
from typing import Any

import httpx
import polars
import pytest
from fhir.resources.R4B.group import Group

from api.serving import Server, problem
from api.test_trail import events, found, what
from application.clinic import reading, sitting
from fhir_r4.profiles import faults_of
from quietcuff.analytics.follow_ups.follow_ups import REASONS

TENANT = "analysts"
READER, NAMED = "system/Table.r", "system/Table.r system/FollowUp.s quietcuff/identified"


@pytest.fixture(scope="module")
def filled(server: Server) -> Server:
    """Five people of a tenant of their own: two severe, two without a result, one well."""
    severe = [reading(minute, 196, 112) for minute in (0, 1, 2)]
    with server.client(tenant=TENANT) as client:
        for person, readings in (
            *(("severe-1", severe), ("severe-2", severe)),
            *(("blocked-1", [reading(0)]), ("blocked-2", [reading(0)]), ("well", [reading(n, 118, 74) for n in (0, 1, 2)])),
        ):
            assert client.post("/v1/reading-sets", json=sitting(readings, person=person)).status_code == 201
    return server


def asked(server: Server, scopes: str, path: str, **more: Any) -> httpx.Response:
    with server.client(tenant=TENANT, scopes=scopes) as client:
        return client.get(path, **more)


def test_a_table_is_parquet_unless_csv_is_asked_for(filled: Server) -> None:
    answer = asked(filled, READER, "/v1/tables/sets")
    assert answer.status_code == 200 and answer.headers["Content-Type"] == "application/vnd.apache.parquet"
    frame = polars.read_parquet(io.BytesIO(answer.content))
    assert frame.height == 5 and frame["systolic_mmhg"].null_count() == 2 and "person_identifier" not in frame.columns
    for more in ({"headers": {"Accept": "text/csv"}}, {"params": {"format": "csv"}}):
        answer = asked(filled, READER, "/v1/tables/sets", **more)
        assert answer.headers["Content-Type"].startswith("text/csv")
        assert polars.read_csv(io.BytesIO(answer.content))["set_id"].to_list() == frame["set_id"].to_list()


def test_people_are_named_with_the_scope_and_the_parameter_alone(filled: Server) -> None:
    refused = asked(filled, READER, "/v1/tables/sets", params={"identified": "true"})
    assert "quietcuff/identified" in problem(refused, 403, "not-allowed")["detail"]
    hidden = polars.read_parquet(io.BytesIO(asked(filled, NAMED, "/v1/tables/sets").content))
    named = polars.read_parquet(io.BytesIO(asked(filled, NAMED, "/v1/tables/sets", params={"identified": "true"}).content))
    assert "urn:example:mrn|well" in named["person_identifier"].to_list()
    assert not set(hidden["person_key"]) & set(named["person_key"])
    shifts = (hidden["taken_at"] - named["taken_at"]).to_list()
    assert all(shift and shift % timedelta(weeks=1) == timedelta() for shift in shifts)


@pytest.mark.parametrize("scopes", ["system/Observation.rs", "system/FollowUp.s", "system/Table.c"])
def test_tables_have_a_scope_of_their_own(filled: Server, scopes: str) -> None:
    problem(asked(filled, scopes, "/v1/tables/sets"), 403, "not-allowed")
    problem(asked(filled, scopes, "/v1/tables"), 403, "not-allowed")


def test_what_is_not_understood_is_refused(filled: Server) -> None:
    problem(asked(filled, READER, "/v1/tables/people"), 404, "not-found")
    for name, value in (("format", "xlsx"), ("since", "yesterday"), ("identified", "maybe"), ("limit", "1")):
        faults = problem(asked(filled, READER, "/v1/tables/sets", params={name: value}), 422, "not-acceptable")["errors"]
        assert [fault["parameter"] for fault in faults] == [name]
    problem(asked(filled, READER, "/v1/tables/sets", headers={"Accept": "application/pdf"}), 406, "format-not-offered")
    none = asked(filled, READER, "/v1/tables/labels", params={"since": "2199-01-01", "format": "csv"})
    assert len(none.text.splitlines()) == 1


def test_the_dictionary_is_a_schema_or_a_page(filled: Server) -> None:
    shape = asked(filled, READER, "/v1/tables").json()
    assert set(shape["$defs"]) == {"sets", "readings", "labels", "findings", "follow_ups", "devices"}
    page = asked(filled, READER, "/v1/tables", headers={"Accept": "text/markdown"}).text
    assert "## sets" in page and "`too_close_to_call`" in page


def test_follow_ups_come_in_pages_that_hold_everybody_once(filled: Server) -> None:
    whole = asked(filled, NAMED, "/v1/follow-ups").json()
    assert whole["next"] is None and len(whole["items"]) == 4
    assert {line["identifier"]["value"] for line in whole["items"]} == {"severe-1", "severe-2", "blocked-1", "blocked-2"}
    lines, path = [], "/v1/follow-ups?limit=1"
    while path:
        answer = asked(filled, NAMED, path)
        page = answer.json()
        assert len(page["items"]) <= 1
        lines += page["items"]
        path = page["next"]
        assert (f'<{path}>; rel="next"' == answer.headers.get("Link")) or path is None
    assert lines == whole["items"]


def test_a_line_says_why_since_when_by_when_and_what_next(filled: Server) -> None:
    page = asked(filled, "system/FollowUp.s", "/v1/follow-ups", params={"why": "severe-without-later-set"}).json()
    assert len(page["items"]) == 2
    for line in page["items"]:
        assert (line["since"], line["by"], line["identifier"]) == ("2026-05-04", "2026-05-04", None)
        assert line["last_result"] == {"systolic_mmhg": 196, "diastolic_mmhg": 112}
        assert line["next_step"]["action"] in ("ask-symptoms", "same-day-review") and line["next_step"]["reason"]
        assert datetime.fromisoformat(line["last_taken_at"]).year == 2026


def test_follow_ups_as_csv_name_nobody_without_the_scope(filled: Server) -> None:
    for scopes, names in ((NAMED, {"urn:example:mrn|severe-1", "urn:example:mrn|severe-2"}), ("system/FollowUp.s", {""})):
        query = {"why": "severe-without-later-set"}
        answer = asked(filled, scopes, "/v1/follow-ups", params=query, headers={"Accept": "text/csv"})
        assert {row["person_identifier"] for row in csv.DictReader(io.StringIO(answer.text))} == names
    problem(asked(filled, READER, "/v1/follow-ups"), 403, "not-allowed")
    for name, value in (("why", "hunch"), ("limit", "0"), ("cursor", "x"), ("since", "2026")):
        answer = asked(filled, NAMED, "/v1/follow-ups", params={name: value})
        assert [fault["parameter"] for fault in problem(answer, 422, "not-acceptable")["errors"]] == [name]


def test_the_list_is_a_group_with_the_same_people(filled: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    for why in (None, *REASONS):
        lines = asked(filled, NAMED, "/v1/follow-ups", params={} if why is None else {"why": why}).json()["items"]
        answer = asked(filled, "system/FollowUp.s", f"/fhir/R4/Group/follow-ups{'' if why is None else f'-{why}'}")
        made = answer.json()
        assert faults_of(made) == [] and "severe-1" not in answer.text
        group = Group.model_validate(made)
        assert (group.type, group.actual, group.quantity) == ("person", True, len(lines))
        members = [(one["entity"]["reference"], one["period"]["start"]) for one in made.get("member", [])]
        assert members == [(f"Patient/{line['subject_id']}", line["since"]) for line in lines]
        assert not members or asked(filled, "system/Patient.r", f"/fhir/R4/{members[0][0]}").status_code == 200
        said = [one["valueCodeableConcept"]["coding"][0]["code"] for one in made["characteristic"][1:]]
        assert said == ([] if why is None else [why])
    for scopes in (READER, "system/Group.rs", "system/Patient.rs"):
        assert asked(filled, scopes, "/fhir/R4/Group/follow-ups").status_code == 403
    assert asked(filled, "system/FollowUp.s", "/fhir/R4/Group/follow-ups", params={"why": "severe"}).status_code == 400
    assert asked(filled, "system/*.rs", "/fhir/R4/Group/follow-ups-hunch").status_code == 404
    monkeypatch.setattr("quietcuff.analytics.follow_ups.list.MOST_AT_ONCE", 3)
    refused = asked(filled, "system/FollowUp.s", "/fhir/R4/Group/follow-ups")
    assert refused.status_code == 409 and "/v1/follow-ups" in refused.text


def test_the_trail_is_told_who_read_which_table(filled: Server) -> None:
    with filled.client(tenant=TENANT) as client:
        client.get("/v1/tables/sets", params={"format": "csv"})
        client.get("/v1/follow-ups", params={"limit": 3})
        seen = events(client, 2)
    assert [what(one)["name"] for one in seen] == ["get_table?format", "list_follow_ups?limit"]
    assert [found(one) for one in seen] == ["1", "3"]
