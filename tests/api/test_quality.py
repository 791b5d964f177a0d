"""``/v1/quality``: who may read it, what it says of what is stored, and the page."""

from __future__ import annotations

from typing import Any

import httpx
import msgspec
import pytest

from api.serving import Server, problem
from application.clinic import reading, sitting
from quietcuff.analytics.quality.shapes import Report

TENANT, SCOPE = "measurers", "system/Quality.r"
OBSERVERS = [{"system": "urn:example:staff", "value": f"nurse-{number}"} for number in range(2)]


@pytest.fixture(scope="module")
def filled(server: Server) -> Server:
    """Twenty-four sittings of twelve people by two observers, one of whom rounds."""
    with server.client(tenant=TENANT) as client:
        for number in range(24):
            observer, value = OBSERVERS[number % 2], 130 if number % 2 else 117 + number
            body = sitting([reading(minute, value, 80) for minute in (0, 1, 2)], person=f"invented-{number % 12}")
            assert client.post("/v1/reading-sets", json={**body, "observer": observer}).status_code == 201
    return server


def asked(server: Server, path: str = "/v1/quality", scopes: str = SCOPE, **params: str) -> httpx.Response:
    with server.client(tenant=TENANT, scopes=scopes) as client:
        return client.get(path, params=params)


def test_the_report_is_of_what_is_stored_and_names_nobody(filled: Server) -> None:
    answer = asked(filled, by="observer")
    assert answer.status_code == 200
    report = msgspec.json.decode(answer.content, type=Report)
    assert (report.sittings, report.people, report.readings) == (24, 12, 72)
    assert [group.name for group in report.groups] == ["urn:example:staff|nurse-0", "urn:example:staff|nurse-1"]
    zeros = next(figure for section in report.sections for figure in section.figures if figure.code == "zeros-systolic")
    assert zeros.count == 36 + 3 * sum((117 + number) % 10 == 0 for number in range(0, 24, 2))
    assert "invented-" not in answer.text


def test_the_page_is_one_and_lets_nothing_in(filled: Server) -> None:
    answer = asked(filled, "/v1/quality.html", observer="urn:example:staff|nurse-1")
    assert answer.status_code == 200 and answer.headers["Content-Type"].startswith("text/html")
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'; style-src 'sha256-")
    assert "12 sittings" in answer.text and "invented-" not in answer.text and "<script" not in answer.text


@pytest.mark.parametrize("path", ["/v1/quality", "/v1/quality.html"])
@pytest.mark.parametrize("scopes", ["system/Observation.rs system/Patient.rs", "system/Table.r"])
def test_it_has_a_scope_of_its_own(filled: Server, path: str, scopes: str) -> None:
    problem(asked(filled, path, scopes), 403, "not-allowed")


@pytest.mark.parametrize("path", ["/v1/reading-sets", "/v1/tables/sets", "/v1/follow-ups", "/fhir/R4/Observation"])
def test_its_scope_opens_nothing_else(filled: Server, path: str) -> None:
    assert asked(filled, path).status_code == 403


def test_every_fault_of_the_query_is_named_at_once(filled: Server) -> None:
    told: dict[str, Any] = problem(
        asked(filled, **{"from": "yesterday", "to": "2026-05-04T00:00:00Z", "by": "shoes"}), 422, "not-acceptable"
    )
    assert {fault["parameter"] for fault in told["errors"]} == {"from", "to", "by"}
    told = problem(asked(filled, **{"from": "2026-05-04", "to": "2026-05-01"}), 422, "not-acceptable")
    assert [fault["parameter"] for fault in told["errors"]] == ["to"]


def test_a_period_without_sittings_is_told(filled: Server) -> None:
    report = asked(filled, **{"from": "1999-01-01", "to": "1999-12-31"}).json()
    assert report["sittings"] == 0 and report["summary"] == ["There are only 0 sittings: too few to judge the measuring."]


def test_a_tenant_with_nothing_stored_gets_a_report_of_nothing(server: Server) -> None:
    with server.client(tenant="nobody-measured", scopes=SCOPE) as client:
        report = client.get("/v1/quality").json()
        page = client.get("/v1/quality.html")
    assert report["sittings"] == 0 and report["things"] == [] and page.status_code == 200
