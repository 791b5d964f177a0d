"""``Measure`` and ``$evaluate-measure``: the shares of ``/v1/quality`` as FHIR, and nothing that tells of a few."""

from __future__ import annotations

from collections import Counter
from typing import Any

import httpx
import pytest
from fhir.resources.R4B.measure import Measure
from fhir.resources.R4B.measurereport import MeasureReport

from api.serving import Server
from api.test_fhir import BASE, outcome
from application.clinic import reading, sitting
from fhir_r4.profiles import faults_of

TENANT, SCOPE = "measured", "system/Quality.r"
MAY = {"periodStart": "2026-05", "periodEnd": "2026-05-31"}
SAME_IN_THE_REPORT = {"from": "2026-05-01", "to": "2026-05-31"}
OBSERVERS = [{"system": "urn:example:staff", "value": f"nurse-{number}"} for number in range(2)]
# 16 women of 50 to 59, 14 men of 30 to 39, 4 men of 80 and more, 2 whose birth and sex nobody knows.
PEOPLE = [("1971-01-15", "female")] * 16 + [("1990-01-15", "male")] * 14 + [("1940-01-15", "male")] * 4 + [(None, None)] * 2
ANSWERS = ("yes", "no", "not-recorded")


@pytest.fixture(scope="module")
def filled(server: Server) -> Server:
    """Thirty-six people, one sitting each, some with known hypertension and some talking."""
    with server.client(tenant=TENANT) as client:
        for number, (birth_date, sex) in enumerate(PEOPLE):
            value = 136 + number % 8
            body = sitting([reading(minute, value, 80) for minute in (0, 1, 2)], person=f"invented-{number}")
            body["subject"] |= {"known_hypertension": "yes" if number % 12 else "not-recorded"}
            body["subject"] |= {"birth_date": birth_date, "sex": sex}
            body["context"] = {"talking": ANSWERS[number % 3 if number % 5 else 1]}
            answer = client.post("/v1/reading-sets", json={**body, "observer": OBSERVERS[number % 2]})
            assert answer.status_code == 201, answer.text
    return server


def asked(server: Server, path: str, scopes: str = SCOPE, **params: str) -> httpx.Response:
    with server.client(tenant=TENANT, scopes=scopes) as client:
        return client.get(path, params=params)


def evaluated(server: Server, code: str, **more: str) -> dict[str, Any]:
    answer = asked(server, f"{BASE}/Measure/{code}/$evaluate-measure", **MAY, **more)
    assert answer.status_code == 200, answer.text
    made: dict[str, Any] = answer.json()
    assert faults_of(made) == [] and "invented-" not in answer.text
    MeasureReport.model_validate(made)
    return made


def measures(server: Server) -> dict[str, dict[str, Any]]:
    with server.client_of(None) as stranger:
        bundle = stranger.get(f"{BASE}/Measure").json()
    return {entry["resource"]["id"]: entry["resource"] for entry in bundle["entry"]}


def counts(holder: dict[str, Any]) -> dict[str, int | None]:
    return {one["code"]["coding"][0]["code"]: one.get("count") for one in holder["population"]}


def figures(server: Server, **more: str) -> dict[str, dict[str, Any]]:
    report = asked(server, "/v1/quality", **SAME_IN_THE_REPORT, **more).json()
    told = ("method", "preparation", "control")
    return {one["code"]: one for section in report["sections"] if section["code"] in told for one in section["figures"]}


def test_every_share_of_method_preparation_and_control_is_a_valid_measure(filled: Server) -> None:
    told = measures(filled)
    for one in told.values():
        assert faults_of(one) == []
        # R4 Measure, mea-0: a name that programs can use.
        assert Measure.model_validate(one).name.isalnum()
    assert set(told) == {code for code, figure in figures(filled).items() if figure["kind"] == "share"}


@pytest.mark.parametrize("more", [{}, {"observer": "urn:example:staff|nurse-1"}], ids=["all", "one observer"])
def test_the_numbers_are_those_of_the_report(filled: Server, more: dict[str, str]) -> None:
    report = figures(filled, **more)
    for code in ("control-measure", "clinical-control", "talking", "sittings-complete", "both-arms", "rest-too-short"):
        figure, made = report[code], evaluated(filled, code, **more)
        group = made["group"][0]
        found = counts(group)
        initial, excluded = found["initial-population"], found["denominator-exclusion"]
        assert initial == found["denominator"] == figure["eligible"] + figure["not_recorded"]
        assert (excluded, found["numerator"]) == (figure["not_recorded"], figure["count"])
        assert group["measureScore"].get("value") == figure["value"]
        narrowed = {part["url"]: part["valueString"] for own in made.get("extension", []) for part in own["extension"]}
        assert narrowed == ({"name": "observer", "value": more["observer"]} if more else {})
        assert made["measure"].startswith(f"https://bp.example.org/fhir/R4/Measure/{code}|")
        assert made["period"] == {"start": "2026-05-01", "end": "2026-05-31"} and made["type"] == "summary"


def test_strata_are_what_a_plain_count_gives_and_hide_the_few(filled: Server) -> None:
    """Talking: of four men over 80 and of two people of unknown birth too few are eligible. Together these are six or fewer,
    so that the next smallest band is withheld with them; what is withheld is then of ten or more."""
    talked = [(person, ANSWERS[number % 3 if number % 5 else 1]) for number, person in enumerate(PEOPLE)]
    group = evaluated(filled, "talking")["group"][0]
    by_code = {one["code"][0]["coding"][0]["code"]: one["stratum"] for one in group["stratifier"]}
    assert set(by_code) == {"age-band", "administrative-sex"}
    bands = {"1971-01-15": "50-59", "1990-01-15": "30-39", "1940-01-15": "80+", None: "unknown"}
    for name, place, words in (
        ("age-band", 0, bands),
        ("administrative-sex", 1, {"female": "female", "male": "male", None: "unknown"}),
    ):
        said = Counter((words[person[place]], answer) for person, answer in talked)
        shown, hidden = {}, set()
        for stratum in by_code[name]:
            word = stratum["value"]["coding"][0]["code"]
            if "count" in stratum["population"][0]:
                shown[word] = counts(stratum)
                assert stratum["measureScore"]["value"] == round(said[word, "yes"] / (said[word, "yes"] + said[word, "no"]), 4)
            else:
                hidden.add(word)
                assert set(counts(stratum).values()) == {None} and "value" not in stratum["measureScore"]
        assert shown and hidden and shown.keys() | hidden == set(words.values())
        for word, found in shown.items():
            yes, no, silent = (said[word, answer] for answer in ANSWERS)
            assert found == {
                "initial-population": yes + no + silent,
                "denominator": yes + no + silent,
                "denominator-exclusion": silent,
                "numerator": yes,
            }
            assert yes + no >= 10
        rest = sum(said[word, "yes"] + said[word, "no"] for word in hidden)
        assert rest >= 10 and 0 < sum(said[word, "yes"] for word in hidden) < rest


def test_of_fewer_than_ten_the_numerator_is_masked_and_there_are_no_strata(filled: Server) -> None:
    group = evaluated(filled, "both-arms", setting="home")["group"][0]
    assert counts(group) == {"initial-population": 0, "denominator": 0, "denominator-exclusion": 0, "numerator": None}
    [reason] = group["measureScore"]["extension"]
    assert reason["valueCode"] == "masked" and "stratifier" not in group


def test_a_measure_is_named_at_the_type_and_asked_by_post(filled: Server) -> None:
    one = without_date(evaluated(filled, "talking"))
    told = measures(filled)["talking"]
    for name in ("talking", "Measure/talking", told["url"], f"{told['url']}|{told['version']}"):
        assert without_date(asked(filled, f"{BASE}/Measure/$evaluate-measure", measure=name, **MAY).json()) == one
    parameter = [
        {"name": "periodStart", "valueDate": "2026-05"},
        {"name": "periodEnd", "valueDate": "2026-05-31"},
        {"name": "reportType", "valueCode": "population"},
    ]
    with filled.client(tenant=TENANT, scopes=SCOPE) as client:
        for path, further in (
            ("talking/$evaluate-measure", []),
            ("$evaluate-measure", [{"name": "measure", "valueString": "talking"}]),
        ):
            body = {"resourceType": "Parameters", "parameter": [*parameter, *further]}
            assert without_date(client.post(f"{BASE}/Measure/{path}", json=body).json()) == one


def without_date(report: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in report.items() if name != "date"}


@pytest.mark.parametrize("scopes", ["system/Measure.rs", "system/MeasureReport.rs", "system/Observation.rs system/Patient.rs"])
def test_whoever_may_read_people_or_definitions_may_not_evaluate(filled: Server, scopes: str) -> None:
    outcome(asked(filled, f"{BASE}/Measure/talking/$evaluate-measure", scopes, **MAY), 403, "forbidden")


def test_whoever_may_evaluate_may_not_read_people(filled: Server) -> None:
    for path in ("Patient", "Observation", "Group/follow-ups"):
        outcome(asked(filled, f"{BASE}/{path}"), 403, "forbidden")
    assert asked(filled, f"{BASE}/Measure/talking/$evaluate-measure", "system/*.rs", **MAY).status_code == 200


def test_the_numbers_are_of_the_callers_tenant_alone(filled: Server) -> None:
    with filled.client(tenant="measured-by-nobody", scopes=SCOPE) as other:
        made = other.get(f"{BASE}/Measure/talking/$evaluate-measure", params=MAY).json()
    assert set(counts(made["group"][0]).values()) == {0, None}


def test_every_fault_is_named_at_once_with_what_is_accepted(filled: Server) -> None:
    path = f"{BASE}/Measure/$evaluate-measure"
    told = asked(filled, path, periodEnd="tomorrow", reportType="subject-list", subject="Patient/1", device="").json()
    said = {issue["expression"][0]: issue["details"]["text"] for issue in told["issue"]}
    assert said.keys() == {
        f"http.{name}" for name in ("periodStart", "periodEnd", "reportType", "measure", "subject", "device")
    }
    assert (
        "2026-05" in said["http.periodStart"]
        and "control-measure" in said["http.measure"]
        and "population" in said["http.reportType"]
    )
    told = asked(filled, path, measure="talking", periodStart="2026-05-04", periodEnd="2026-04").json()
    assert [issue["expression"] for issue in told["issue"]] == [["http.periodEnd"]]
    outcome(asked(filled, f"{BASE}/Measure/shoes/$evaluate-measure", **MAY), 404, "not-found")
