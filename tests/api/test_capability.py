"""The CapabilityStatement walked: everything that it names works, and nothing works that it does not name."""

from __future__ import annotations

from typing import Any

import httpx
import pytest
from fhir.resources.R4B.operationoutcome import OperationOutcome

from api.test_reading_sets import whole_set
from fhir_r4.profiles import faults_of
from quietcuff.fhir.definitions.published import PUBLISHED
from quietcuff.fhir.search.defined_parameters import OF_EVERY_TYPE, OF_TYPE

BASE = "/fhir/R4"
# One good value for each type of parameter, and for those that take another.
GOOD = {"token": "final", "reference": "none", "date": "2026-05", "quantity": "72", "composite": "8480-6$ge90"}
# A Group is read only: its own tests make one.
FHIR_TYPES = ["Observation", "Patient", "Device", "Provenance", "AuditEvent", "Encounter", "Bundle"]
STRICT = {"Prefer": "handling=strict"}


@pytest.fixture(scope="module")
def statement(client: httpx.Client) -> dict[str, Any]:
    told: dict[str, Any] = client.get(f"{BASE}/metadata").json()
    assert faults_of(told) == []
    return told


def searched(statement: dict[str, Any]) -> list[dict[str, Any]]:
    """What is told of each type of what is stored that can be searched."""
    return [one for one in can_be_searched(statement) if one["type"] not in PUBLISHED]


def defined(statement: dict[str, Any]) -> list[dict[str, Any]]:
    """What is told of each type that the service defines itself."""
    return [one for one in can_be_searched(statement) if one["type"] in PUBLISHED]


def can_be_searched(statement: dict[str, Any]) -> list[dict[str, Any]]:
    return [one for one in statement["rest"][0]["resource"] if {"code": "search-type"} in one["interaction"]]


def example(desk: httpx.Client, kind: str) -> str:
    """The id of one resource of a type."""
    path, envelope = whole_set(desk)
    set_id = path.rpartition("/")[2]
    if kind in ("Device", "AuditEvent"):
        return str(desk.get(f"{BASE}/{kind}?_count=2").json()["entry"][-1]["resource"]["id"])
    return {"Observation": f"{set_id}-r0", "Patient": envelope["subject_id"], "Provenance": f"{set_id}-v1"}[kind]


def test_every_parameter_works_by_get_and_by_post(client: httpx.Client, statement: dict[str, Any]) -> None:
    whole_set(client)
    for kind in searched(statement):
        for parameter in kind["searchParam"]:
            value = GOOD[parameter["type"]]
            got = client.get(f"{BASE}/{kind['type']}", params={parameter["name"]: value}, headers=STRICT)
            assert got.status_code == 200, (kind["type"], parameter, got.text)
            assert parameter["name"].replace(":", "%3A") in got.json()["link"][0]["url"]
            posted = client.post(f"{BASE}/{kind['type']}/_search", data={parameter["name"]: value}, headers=STRICT)
            assert posted.json().get("entry") == got.json().get("entry")


def test_what_fhir_defines_and_is_not_offered_is_refused_by_name(client: httpx.Client, statement: dict[str, Any]) -> None:
    """Without it a search would find more. The names are those of R4's own SearchParameter resources."""
    for kind in searched(statement):
        offered = {one["name"] for one in kind["searchParam"]}
        defined = (OF_TYPE[kind["type"]] | OF_EVERY_TYPE) - offered
        assert len(defined) > 10
        for name in sorted(defined | {f"{name}:exact" for name in defined | offered} | {"_has:Provenance:target:agent"}):
            for headers in ({}, STRICT):
                answer = client.get(f"{BASE}/{kind['type']}", params={name: "x"}, headers=headers)
                assert answer.status_code == 400, (kind["type"], name)
            assert [one["expression"] for one in answer.json()["issue"]] == [[f"http.{name}"]]


def test_definitions_are_found_as_told_and_by_nothing_else(stranger: httpx.Client, statement: dict[str, Any]) -> None:
    assert [one["type"] for one in defined(statement)] == [*PUBLISHED]
    for kind in defined(statement):
        url = f"{BASE}/{kind['type']}"
        one = stranger.get(url).json()["entry"][0]["resource"]
        values = {"_id": one["id"], "name": one["name"].upper(), "url": one["url"]}
        assert [parameter["name"] for parameter in kind["searchParam"]] == [*values]
        for name, value in values.items():
            got = stranger.get(url, params={name: f"none,{value}"})
            assert got.json()["entry"][0]["resource"] == one and f"{name}=" in got.json()["link"][0]["url"]
            assert stranger.post(f"{url}/_search", data={name: f"none,{value}"}).json() == got.json()
            assert stranger.get(url, params={**values, name: "none"}).json()["total"] == 0
        for name in ("title", "_lastUpdated", "_sort", "url:below", "utm_source"):
            [issue] = stranger.get(url, params={name: "x"}).json()["issue"]
            assert issue["expression"] == [f"http.{name}"]
        whole = [entry["resource"]["id"] for entry in stranger.get(url).json()["entry"]]
        assert walked(stranger, f"{url}?_count=3") == whole
        counted = stranger.get(url, params={"_count": "0"}).json()
        assert counted["total"] == len(whole) and "entry" not in counted and len(counted["link"]) == 1
        for wrong in ({"_count": "many"}, {"_count": ["1", "2"]}, {"_cursor": "-1"}):
            assert stranger.get(url, params=wrong).status_code == 400
        tried = [
            stranger.put(f"{url}/{one['id']}", json=one),
            stranger.post(url, json=one),
            stranger.delete(f"{url}/{one['id']}"),
        ]
        assert {answer.status_code for answer in tried} == {405}


def walked(client: httpx.Client, url: str) -> list[str]:
    """The ids of all pages, by their next links."""
    page = client.get(url).json()
    ids = [entry["resource"]["id"] for entry in page["entry"]]
    following = [link["url"] for link in page["link"] if link["relation"] == "next"]
    return ids + (walked(client, following[0].removeprefix("https://bp.example.org")) if following else [])


@pytest.mark.parametrize("name", ["_pretty", "_totalMethod", "_", "cachebuster", "utm_source", "shoe-size:exact", "x" * 70])
def test_what_fhir_does_not_define_is_left_out_and_told(client: httpx.Client, statement: dict[str, Any], name: str) -> None:
    """Source: FHIR R4 search, 3.1.1.4.5 and 3.1.1.3: unknown parameters, and outcomes among the entries."""
    whole_set(client)
    for kind in searched(statement):
        url = f"{BASE}/{kind['type']}"
        plain, noisy = (client.get(url, params={"_count": "3", **more}).json() for more in ({}, {name: "1"}))
        outcome = noisy["entry"].pop()
        # The trail grows with each look at it, a moment later: its newest rows need not be the same twice.
        assert noisy == plain or (kind["type"] == "AuditEvent" and len(noisy["entry"]) == len(plain["entry"]) == 3)
        assert outcome["search"] == {"mode": "outcome"}
        (issue,) = OperationOutcome.model_validate(outcome["resource"]).issue
        assert (issue.severity, issue.code) == ("warning", "not-supported")
        assert issue.expression == ([f"http.{name}"] if len(name) < 70 else None)
        counted = client.get(url, params={"_summary": "count", name: "1"}).json()
        assert "entry" not in counted and counted["total"] > 0 and f"{name}=" not in counted["link"][0]["url"]
        assert client.get(url, params={name: "1"}, headers=STRICT).status_code == 400


def test_every_interaction_works_and_no_other(client: httpx.Client, statement: dict[str, Any]) -> None:
    told = {kind["type"]: {one["code"] for one in kind["interaction"]} for kind in statement["rest"][0]["resource"]}
    for kind in FHIR_TYPES:
        codes = told.get(kind, set())
        name = example(client, kind) if codes else "none"
        version = client.get(f"{BASE}/{kind}/{name}").headers.get("ETag", 'W/"1"')[3:-1]
        tried = {
            "read": client.get(f"{BASE}/{kind}/{name}"),
            "vread": client.get(f"{BASE}/{kind}/{name}/_history/{version}"),
            "history-instance": client.get(f"{BASE}/{kind}/{name}/_history"),
            "history-type": client.get(f"{BASE}/{kind}/_history"),
            "search-type": client.get(f"{BASE}/{kind}"),
            "create": client.post(f"{BASE}/{kind}", json={}),
            "update": client.put(f"{BASE}/{kind}/{name}", json={}),
            "patch": client.patch(f"{BASE}/{kind}/{name}", json={}),
            "delete": client.delete(f"{BASE}/{kind}/{name}"),
        }
        works = {code for code, answer in tried.items() if answer.status_code == 200}
        assert works == codes, kind


def test_every_include_works_and_no_other(client: httpx.Client, statement: dict[str, Any]) -> None:
    for kind in searched(statement):
        for name, told in (("_include", kind.get("searchInclude", [])), ("_revinclude", kind.get("searchRevInclude", []))):
            for value in [*told, "Observation:performer", "Provenance:agent", "*", "Observation:*"]:
                answer = client.get(f"{BASE}/{kind['type']}", params={name: value})
                assert (answer.status_code == 200) == (value in told), (kind["type"], name, value)


def test_conditional_reads_are_supported_as_told(client: httpx.Client, statement: dict[str, Any]) -> None:
    for kind in searched(statement):
        assert kind["conditionalRead"] == "full-support"
        url = f"{BASE}/{kind['type']}/{example(client, kind['type'])}"
        read = client.get(url)
        assert client.get(url, headers={"If-None-Match": read.headers["ETag"]}).status_code == 304
        since = client.get(url, headers={"If-Modified-Since": read.headers["Last-Modified"]})
        assert since.status_code == 304
        head = client.head(url)
        assert (head.status_code, head.content, head.headers["ETag"]) == (200, b"", read.headers["ETag"])


def test_the_last_of_each_code(client: httpx.Client, statement: dict[str, Any]) -> None:
    (observation,) = (kind for kind in statement["rest"][0]["resource"] if kind["type"] == "Observation")
    assert "lastn" in [operation["name"] for operation in observation["operation"]]
    _, envelope = whole_set(client)
    patient = envelope["subject_id"]
    every = client.get(f"{BASE}/Observation", params={"patient": patient, "_sort": "-date", "_count": "200"}).json()
    standing = [one["resource"] for one in every["entry"] if one["resource"]["status"] != "entered-in-error"]
    for most in (1, 2):
        found = client.get(f"{BASE}/Observation/$lastn", params={"patient": patient, "max": most}).json()
        assert faults_of(found) == []
        by_code: dict[str, list[str]] = {}
        for one in standing:
            by_code.setdefault(one["code"]["coding"][0]["code"], []).append(one["id"])
        expected = {name for ids in by_code.values() for name in ids[:most]}
        assert {entry["resource"]["id"] for entry in found["entry"]} == expected
    pulse = client.get(f"{BASE}/Observation/$lastn", params={"patient": f"Patient/{patient}", "code": "8867-4"}).json()
    assert [entry["resource"]["code"]["coding"][0]["code"] for entry in pulse["entry"]] == ["8867-4"]
    for wrong in (
        {},
        {"patient": patient, "max": "0"},
        {"patient": patient, "_sort": "date"},
        {"patient": patient, "date": "x"},
    ):
        assert client.get(f"{BASE}/Observation/$lastn", params=wrong).status_code == 400, wrong
