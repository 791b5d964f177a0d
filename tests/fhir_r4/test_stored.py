"""What is stored leaves as FHIR: whole sittings, single resources, and what a correction moves. On both databases."""

from __future__ import annotations

from typing import Any

import pytest

from bodies import RICH_SET, changed
from fhir_r4.generated import generated_bodies
from fhir_r4.profiles import faults_of, references_of
from fhir_r4.rendered import PUBLIC_URL
from fhir_r4.stored_sets import Clinic, decoded, open_clinic
from fhir_r4.test_moves import FIRST_VISIT
from quietcuff.core.model.errors import NotAcceptable, NotFound
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store

NOBODY = "cda41017-1d9a-8818-bb1a-da6d8d866445"


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture
async def clinic(store: Store, rulebook: Rulebook) -> Clinic:
    return await open_clinic(store, rulebook)


def names_and_versions(bundle: dict[str, Any], set_id: str) -> dict[str, str]:
    return {
        entry["resource"]["id"].removeprefix(f"{set_id}-"): entry["resource"]["meta"]["versionId"]
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] == "Observation"
    }


async def test_a_sitting_is_one_bundle_whose_references_all_resolve_within_it(clinic: Clinic) -> None:
    stored = await clinic.receive(FIRST_VISIT | {"device": {"identifier": {"system": "urn:example:device", "value": "7"}}})
    bundle = await clinic.bundle(stored["id"])
    assert faults_of(bundle) == []
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert kinds == ["Patient", "Device", "Device", *["Observation"] * 9, "Provenance"]
    assert (bundle["type"], bundle["timestamp"]) == ("collection", stored["updated_at"])
    assert bundle["identifier"] == {"system": f"{PUBLIC_URL}/id/reading-set", "value": stored["id"]}
    known = {f"{entry['resource']['resourceType']}/{entry['resource']['id']}" for entry in bundle["entry"]}
    assert set(references_of(bundle)) <= known
    patient = bundle["entry"][0]["resource"]
    assert patient["identifier"] == [{"system": "urn:example:mrn", "value": "p-0001"}]
    assert patient["birthDate"] == "1971-01-15"
    assert "name" not in patient


async def test_every_resource_of_a_bundle_reads_the_same_by_its_id(clinic: Clinic) -> None:
    body = changed(RICH_SET, "/history", ...)
    stored = await clinic.receive(body)
    bundle = await clinic.bundle(stored["id"])
    assert faults_of(bundle) == []
    for entry in bundle["entry"]:
        resource = entry["resource"]
        read = await clinic.read(resource["resourceType"], resource["id"])
        assert decoded(read.body) == resource
        if resource["id"] != "quietcuff":
            assert read.etag == f'W/"{resource["meta"]["versionId"]}"'
            assert read.last_modified is not None
            assert read.last_modified.endswith("GMT")


async def test_correcting_one_reading_moves_exactly_two_observations(clinic: Clinic) -> None:
    stored = await clinic.receive(FIRST_VISIT)
    before = names_and_versions(await clinic.bundle(stored["id"]), stored["id"])
    amended = {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 148}}
    await clinic.correct(stored["id"], 1, amended)
    bundle = await clinic.bundle(stored["id"])
    after = names_and_versions(bundle, stored["id"])
    assert {name for name in after if after[name] != before[name]} == {"r2", "mean"}
    assert (after["r2"], after["mean"]) == ("2", "2")
    observations = {entry["resource"]["id"]: entry["resource"] for entry in bundle["entry"]}
    assert observations[f"{stored['id']}-r2"]["status"] == observations[f"{stored['id']}-mean"]["status"] == "corrected"
    assert observations[f"{stored['id']}-r0"]["status"] == "final"
    provenance = bundle["entry"][-1]["resource"]
    assert provenance["id"] == f"{stored['id']}-v2"
    assert provenance["activity"]["coding"][0]["code"] == "UPDATE"
    assert provenance["agent"][1]["who"] == {"identifier": {"system": "urn:example:staff", "value": "n-17"}}
    first = decoded((await clinic.read("Provenance", f"{stored['id']}-v1")).body)
    assert first["activity"]["coding"][0]["code"] == "CREATE"


async def test_an_open_sitting_shows_a_preliminary_mean_that_becomes_final(clinic: Clinic) -> None:
    opened = await clinic.receive(FIRST_VISIT | {"closed": False})
    mean = decoded((await clinic.read("Observation", f"{opened['id']}-mean")).body)
    assert (mean["status"], mean["meta"]["versionId"]) == ("preliminary", "1")
    await clinic.append(opened["id"], closed=True)
    mean = decoded((await clinic.read("Observation", f"{opened['id']}-mean")).body)
    assert (mean["status"], mean["meta"]["versionId"]) == ("final", "2")


async def test_a_voided_set_stays_readable_in_error_with_its_values(clinic: Clinic) -> None:
    stored = await clinic.receive(FIRST_VISIT)
    await clinic.correct(stored["id"], 1, {"change": "void-set"})
    bundle = await clinic.bundle(stored["id"])
    assert faults_of(bundle) == []
    observations = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Observation"]
    assert {observation["status"] for observation in observations} == {"entered-in-error"}
    assert observations[-1]["component"][0]["valueQuantity"]["value"] == 145
    assert f"Observation/{stored['id']}-mean" in references_of(bundle["entry"][-1]["resource"]["target"])


async def test_another_tenant_sees_nothing(clinic: Clinic, rulebook: Rulebook) -> None:
    stored = await clinic.receive(FIRST_VISIT)
    other = await open_clinic(clinic.store, rulebook, "another clinic")
    bundle = await clinic.bundle(stored["id"])
    for entry in bundle["entry"]:
        resource = entry["resource"]
        if resource["id"] != "quietcuff":
            with pytest.raises(NotFound):
                await other.read(resource["resourceType"], resource["id"])
    with pytest.raises(NotFound):
        await other.bundle(stored["id"])
    assert (await other.search(("patient", stored["subject_id"])))["total"] == 0


ABSENT = [
    ("Patient", NOBODY),
    ("Patient", NOBODY.upper()),
    ("Patient", "p1"),
    ("Device", NOBODY),
    ("Device", "other"),
    ("Observation", f"{NOBODY}-r0"),
    ("Observation", f"{NOBODY}-mean"),
    ("Observation", f"{NOBODY}-r999"),
    ("Observation", "x" * 1000),
    ("Provenance", f"{NOBODY}-v1"),
    ("Provenance", f"{NOBODY}-v999999999"),
    ("Provenance", NOBODY),
    ("Encounter", NOBODY),
]


async def test_what_is_not_there_is_not_found(clinic: Clinic) -> None:
    await clinic.receive(FIRST_VISIT)
    for resource_type, logical_id in ABSENT:
        with pytest.raises(NotFound):
            await clinic.read(resource_type, logical_id)


async def test_what_never_was_of_a_set_is_not_found(clinic: Clinic) -> None:
    stored = await clinic.receive(changed(FIRST_VISIT, "/readings/0/pulse_per_min", ...) | {"visit": "follow-up"})
    for name in ("p0", "f0", "r4", "v2"):
        with pytest.raises(NotFound):
            await clinic.read("Provenance" if name == "v2" else "Observation", f"{stored['id']}-{name}")
    with pytest.raises(NotFound):
        await clinic.bundle("not-an-id")


async def test_what_a_client_has_already_is_told_by_etag_or_date(clinic: Clinic) -> None:
    stored = await clinic.receive(FIRST_VISIT)
    read = await clinic.read("Observation", f"{stored['id']}-r0")
    assert read.is_known_to('W/"1"', None)
    assert read.is_known_to('W/"7", W/"1"', None)
    assert read.is_known_to('"7","1"', None)
    assert read.is_known_to("*", None)
    assert not read.is_known_to('W/"2"', read.last_modified), "an ETag decides alone"
    assert read.is_known_to(None, read.last_modified)
    assert read.is_known_to(None, "Wed, 01 Jan 2200 00:00:00 GMT")
    assert not read.is_known_to(None, "Wed, 01 Jan 2020 00:00:00 GMT")
    assert not read.is_known_to(None, "yesterday")
    assert not read.is_known_to(None, None)


async def test_generated_sittings_leave_whole_and_sound(clinic: Clinic) -> None:
    stored = []
    for body in generated_bodies(31):
        # Stored readings are voided by a correction, not on arrival.
        for reading in body["readings"]:
            reading.pop("voided", None)
        try:
            stored.append(await clinic.receive(body))
        except NotAcceptable:
            continue
        if len(stored) == 40:
            break
    for one in stored:
        bundle = await clinic.bundle(one["id"])
        assert faults_of(bundle) == []
        known = {f"{entry['resource']['resourceType']}/{entry['resource']['id']}" for entry in bundle["entry"]}
        assert {reference for reference in references_of(bundle) if not reference.startswith("#")} <= known
        decided = one["evaluation"]["result"]
        means = [e["resource"] for e in bundle["entry"] if e["resource"]["id"].endswith("-mean")]
        shown = [part.get("valueQuantity", {}).get("value") for mean in means for part in mean["component"][:2]]
        nothing = [None, None] if one["closed"] else []
        assert shown == (nothing if decided is None else [decided["systolic_mmhg"], decided["diastolic_mmhg"]])
