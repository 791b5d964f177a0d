"""A sitting without a result in FHIR: one Observation that goes on whatever happens, the same by every way of asking."""

from __future__ import annotations

import itertools
from datetime import timedelta
from typing import Any

import msgspec
import pytest
from fhir.resources.R4B.observation import Observation as R4BObservation

from application.exports import export
from core.recordings import START, SUBJECT, ambulatory_body, by_hours, home_body, home_series, reading, recording
from fhir_r4.profiles import faults_of
from fhir_r4.stored_sets import STARTED_AT, Clinic, decoded, envelope, open_clinic
from fhir_r4.test_moves import FIRST_VISIT
from fhir_r4.test_past import version_of
from quietcuff import application
from quietcuff.application import retention
from quietcuff.core.model.changes import Move
from quietcuff.core.model.errors import Deleted
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.history.versions import HistoryRequest, history
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.lastn import last_n
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store

FEW = FIRST_VISIT["readings"][:2]
REST = FIRST_VISIT["readings"][2:]
FAILED = {"systolic_mmhg": None, "diastolic_mmhg": None}
MEANS = ("code", "96607-7")
VALUES = ("component-code-value-quantity", "96608-5$gt0")
Resource = dict[str, Any]


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture
async def clinic(store: Store, rulebook: Rulebook) -> Clinic:
    return await open_clinic(store, rulebook)


async def reopened(clinic: Clinic, stored: Resource) -> Resource:
    named = frozenset((stored["version"],))
    return envelope(await application.reopen(clinic.desk, clinic.caller, stored["id"], if_match=named, idempotency_key=None))


async def moved(clinic: Clinic, stored: Resource) -> None:
    wanted = msgspec.convert({"subject": {"identifier": SUBJECT["identifier"]}, "reason": "another patient"}, Move)
    named = frozenset((stored["version"],))
    await application.move(clinic.desk, clinic.caller, stored["id"], wanted, if_match=named, idempotency_key=None)


async def told_the_same(clinic: Clinic, set_id: str) -> Resource:
    """The Observation of the result, as every way of asking gives it."""
    one = decoded((await clinic.read("Observation", f"{set_id}-mean")).body)
    person = ("patient", one["subject"]["reference"])
    newest = await clinic._read(
        lambda snapshot: last_n(
            *(snapshot, clinic.publisher, [person, MEANS, ("status", one["status"])]),
            clock=Clock(clinic.tenant.zone, STARTED_AT),
            is_strict=True,
        )
    )
    past = await clinic._read(lambda snapshot: history(snapshot, clinic.publisher, "Observation", one["id"], HistoryRequest()))
    _, exported = await export(clinic)
    ways: dict[str, list[Resource]] = {
        "search": [entry["resource"] for entry in (await clinic.search(person, MEANS))["entry"]],
        "id": [entry["resource"] for entry in (await clinic.search(("_id", one["id"])))["entry"]],
        "date": [entry["resource"] for entry in (await clinic.search(("date", "2026-05"), MEANS))["entry"]],
        "whole": [entry["resource"] for entry in (await clinic.bundle(set_id))["entry"]],
        "last": [entry["resource"] for entry in decoded(newest)["entry"]],
        "history": [decoded(past)["entry"][0]["resource"]],
        "export": exported["Observation"],
    }
    for way, found in ways.items():
        assert [each for each in found if each["id"] == one["id"]] == [one], way
    versions = [int(entry["resource"]["meta"]["versionId"]) for entry in decoded(past)["entry"]]
    assert versions == list(range(int(one["meta"]["versionId"]), 0, -1))
    has_value = "valueQuantity" in one["component"][0]
    assert ("dataAbsentReason" in one) is not has_value
    assert [entry["resource"]["id"] for entry in (await clinic.search(person, VALUES)).get("entry", [])] == [
        one["id"]
    ] * has_value
    assert faults_of(one) == []
    R4BObservation.model_validate_json(msgspec.json.encode(one))
    return one


def stand_of(one: Resource) -> tuple[str, str, Any]:
    return one["meta"]["versionId"], one["status"], one["component"][0].get("valueQuantity", {}).get("value")


async def test_one_observation_goes_on_whatever_happens(clinic: Clinic) -> None:
    stored = await clinic.receive(FIRST_VISIT | {"readings": FEW})
    seen = [await told_the_same(clinic, stored["id"])]
    since, _ = await export(clinic)
    stored = await reopened(clinic, stored)
    assert await told_the_same(clinic, stored["id"]) == seen[0], "as it was last closed"
    stored = await clinic.append(stored["id"], readings=REST, closed=True)
    seen.append(await told_the_same(clinic, stored["id"]))
    _, changed = await export(clinic, since=since)
    assert [one for one in changed["Observation"] if one["id"] == seen[0]["id"]] == [seen[1]]
    failed = ({"change": "amend-reading", "index": index, "set": FAILED} for index in (1, 2, 3))
    stored = await clinic.correct(stored["id"], stored["version"], *failed)
    seen.append(await told_the_same(clinic, stored["id"]))
    stored = await clinic.correct(stored["id"], stored["version"], {"change": "void-set"})
    seen.append(await told_the_same(clinic, stored["id"]))
    assert [stand_of(one) for one in seen] == [
        ("1", "final", None),
        ("2", "amended", 145),
        ("3", "corrected", None),
        ("4", "entered-in-error", None),
    ]
    past = decoded(
        await clinic._read(lambda snapshot: history(snapshot, clinic.publisher, "Observation", seen[0]["id"], HistoryRequest()))
    )
    assert [entry["resource"] for entry in past["entry"]] == seen[::-1]
    for number, one in enumerate(seen, 1):
        assert await version_of(clinic, "Observation", one["id"], str(number)) == one
    for version in range(1, stored["version"] + 1):
        provenance = decoded((await clinic.read("Provenance", f"{stored['id']}-v{version}")).body)
        assert {"reference": f"Observation/{seen[0]['id']}"} in provenance["target"]


async def test_it_says_what_a_result_would_and_why_there_is_none(clinic: Clinic) -> None:
    device = {"identifier": {"system": "urn:example:device", "value": "SN-0007"}, "site": "upper-arm"}
    said = {"device": device, "cuff": {"size": "adult"}, "observer": {"system": "urn:example:staff", "value": "n-17"}}
    right = [one | {"site": "right-upper-arm"} for one in FEW[:1]]
    one = await told_the_same(clinic, (await clinic.receive(FIRST_VISIT | {"readings": right, **said}))["id"])
    codes = {
        part["url"].rpartition("/")[2]: part["valueCodeableConcept"]["coding"][0]["code"]
        for part in one["extension"]
        if "valueCodeableConcept" in part
    }
    assert codes.items() >= {("sitting-state", "not-usable"), ("no-result-reason", "too-few-readings")}
    assert "result-protocol" in codes and "sitting-finding" in codes
    assert one["dataAbsentReason"]["coding"][0]["code"] == "unknown"
    assert one["dataAbsentReason"]["text"] == "No result: too few readings"
    assert one["component"][2]["valueQuantity"]["value"] == 0
    assert one["method"]["coding"][0]["code"] == "31813000"
    assert one["device"]["reference"].startswith("Device/") and one["performer"] and one["bodySite"]
    assert one["component"][3]["code"]["coding"][0]["code"] == "8358-4"
    assert one["note"][0]["text"].startswith("No usable result: too few readings")
    assert not {"derivedFrom", "interpretation"} & one.keys()
    every = [each | FAILED for each in FIRST_VISIT["readings"]]
    other = {"identifier": {"system": "urn:example:mrn", "value": "p-0002"}}
    failed = await told_the_same(clinic, (await clinic.receive(FIRST_VISIT | {"subject": other, "readings": every}))["id"])
    assert {part["dataAbsentReason"]["coding"][0]["code"] for part in failed["component"][:2]} == {"error"}
    # They lie in both arms, so that no arm is that of the sitting.
    assert "bodySite" not in failed


async def test_an_open_sitting_has_none_and_neither_has_one_in_which_nothing_was_attempted(clinic: Clinic) -> None:
    opened = await clinic.receive(FIRST_VISIT | {"readings": FEW, "closed": False})
    empty = await clinic.receive(FIRST_VISIT | {"readings": [], "closed": False})
    assert (await clinic.search(MEANS)).get("entry", []) == []
    ticks = itertools.count()
    clinic.desk = msgspec.structs.replace(clinic.desk, clock=lambda: STARTED_AT + timedelta(days=1, seconds=next(ticks)))
    assert await application.close_idle_sets(clinic.desk) == 2
    one = await told_the_same(clinic, opened["id"])
    assert stand_of(one) == ("1", "final", None)
    assert [entry["resource"]["id"] for entry in (await clinic.search(MEANS))["entry"]] == [one["id"]]
    assert {entry["resource"]["resourceType"] for entry in (await clinic.bundle(empty["id"]))["entry"]} >= {"Provenance"}
    assert not [
        entry for entry in (await clinic.bundle(empty["id"]))["entry"] if entry["resource"]["resourceType"] == "Observation"
    ]


async def test_moved_to_another_person_one_is_in_error_and_one_is_new(clinic: Clinic) -> None:
    stored = await clinic.receive(FIRST_VISIT | {"readings": FEW})
    await moved(clinic, stored)
    found = [entry["resource"] for entry in (await clinic.search(MEANS))["entry"]]
    assert sorted(stand_of(one) for one in found) == [("1", "final", None), ("2", "entered-in-error", None)]
    assert len({one["subject"]["reference"] for one in found}) == 2


async def test_what_is_erased_is_told_as_gone(clinic: Clinic) -> None:
    stored = await clinic.receive(FIRST_VISIT | {"readings": FEW})
    since, _ = await export(clinic)
    await retention.erase(clinic.desk, clinic.caller, stored["subject_id"])
    with pytest.raises(Deleted):
        await clinic.read("Observation", f"{stored['id']}-mean")
    assert (await clinic.search(MEANS)).get("entry", []) == []
    _, deleted = await export(clinic, since=since)
    gone = {entry["request"]["url"] for bundle in deleted["Bundle"] for entry in bundle["entry"]}
    assert f"Observation/{stored['id']}-mean" in gone


@pytest.mark.parametrize("kind", ["recording", "home", "standing"])
async def test_series_and_tests_without_a_result_say_so_too(clinic: Clinic, kind: str) -> None:
    bodies = {
        "recording": ambulatory_body(recording(by_hours((138, 86), (120, 72)), hours=3)),
        "home": home_body(home_series(2, lambda _: (136, 86))),
        "standing": {"subject": SUBJECT, "protocol": "orthostatic-standing", "visit": "follow-up"}
        | {"readings": [reading(START + timedelta(hours=9), (138, 84), position="supine")]},
    }
    stored = await clinic.receive(bodies[kind])
    one = await told_the_same(clinic, stored["id"])
    assert [coding["code"] for coding in one["code"]["coding"]] == ["96607-7"]
    assert len([part for part in one["component"] if "valueQuantity" in part]) == 1, "the number of readings that count"
    reasons = [part["valueCodeableConcept"] for part in one["extension"] if part["url"].endswith("/no-result-reason")]
    assert [reason["coding"][0]["code"] for reason in reasons] == stored["evaluation"]["blocked_by"] != []
