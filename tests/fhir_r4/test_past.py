"""Older versions: each is what was read when it was the newest, and the newest is what is read now, on both databases."""

from __future__ import annotations

from typing import Any

import pytest

from bodies import DEVICE, SUBJECT
from fhir_r4.archive import Archive, filled
from fhir_r4.profiles import faults_of
from fhir_r4.stored_sets import Clinic, decoded, open_clinic
from fhir_r4.test_moves import FIRST_VISIT
from quietcuff.core.model.errors import NotFound
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.history.versions import HistoryRequest, history, read_version
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store

CHANGES: list[dict[str, Any]] = [
    {"change": "amend-reading", "index": 1, "set": {"systolic_mmhg": 151}},
    {"change": "amend-reading", "index": 0, "set": {"pulse_per_min": None}},
    {"change": "void-reading", "index": 1},
    {"change": "amend-set", "set": {"context": {"talking": "yes"}}},
    {"change": "void-set"},
]


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


async def past_of(clinic: Clinic, kind: str, name: str) -> list[dict[str, Any]]:
    """The versions of a resource, oldest first, out of its history."""
    bundle = decoded(await clinic._read(lambda snapshot: history(snapshot, clinic.publisher, kind, name, HistoryRequest())))
    assert faults_of(bundle) == []
    assert bundle["total"] == len(bundle["entry"])
    return [entry["resource"] for entry in reversed(bundle["entry"])]


async def version_of(clinic: Clinic, kind: str, name: str, version: str) -> dict[str, Any]:
    return decoded((await clinic._read(lambda snapshot: read_version(snapshot, clinic.publisher, kind, name, version))).body)


async def test_each_version_is_what_was_read_when_it_was_the_newest(store: Store, rulebook: Rulebook) -> None:
    clinic = await open_clinic(store, rulebook)
    stored = await clinic.receive(FIRST_VISIT | {"closed": False})
    read: dict[str, dict[str, dict[str, Any]]] = {}
    await note(clinic, stored["id"], read)
    stored = await clinic.append(stored["id"], closed=True)
    await note(clinic, stored["id"], read)
    for change in CHANGES:
        stored = await clinic.correct(stored["id"], stored["version"], change)
        await note(clinic, stored["id"], read)
    assert max(len(versions) for versions in read.values()) > 3
    for name, versions in read.items():
        past = await past_of(clinic, "Observation", name)
        assert {one["meta"]["versionId"]: one for one in past} == versions
        for number, version in versions.items():
            assert await version_of(clinic, "Observation", name, number) == version
        with pytest.raises(NotFound):
            await version_of(clinic, "Observation", name, str(len(versions) + 1))


async def note(clinic: Clinic, set_id: str, read: dict[str, dict[str, dict[str, Any]]]) -> None:
    """Remember every Observation of a set as it is read now, by its version."""
    for entry in (await clinic.bundle(set_id))["entry"]:
        if entry["resource"]["resourceType"] == "Observation":
            resource = decoded((await clinic.read("Observation", entry["resource"]["id"])).body)
            read.setdefault(resource["id"], {})[resource["meta"]["versionId"]] = resource


async def test_the_newest_of_every_history_is_what_stands(store: Store, rulebook: Rulebook) -> None:
    archive: Archive = await filled(store, rulebook, 12, 3)
    for one in archive.observations[::3]:
        past = await past_of(archive.clinic, "Observation", one["id"])
        assert past[-1] == one
        assert [version["meta"]["versionId"] for version in past] == [str(number + 1) for number in range(len(past))]


async def test_people_and_devices_keep_what_they_were(store: Store, rulebook: Rulebook) -> None:
    clinic = await open_clinic(store, rulebook)
    person = await clinic.save_subject(SUBJECT | {"birth_date": "1971-01-15"})
    await clinic.save_subject({"identifier": SUBJECT["identifier"], "birth_date": "1971-02-15"})
    past = await past_of(clinic, "Patient", person)
    assert [one["birthDate"] for one in past] == ["1971-01-15", "1971-02-15"]
    assert await version_of(clinic, "Patient", person, "1") == past[0]
    device = await clinic.save_device(DEVICE | {"model": "Example 1"})
    await clinic.save_device(DEVICE | {"model": "Example 2"})
    past = await past_of(clinic, "Device", device)
    assert [one["modelNumber"] for one in past] == ["Example 1", "Example 2"]
    assert len(await past_of(clinic, "Device", "quietcuff")) == 1
    for kind in ("Patient", "Device", "Observation", "Provenance"):
        with pytest.raises(NotFound):
            await past_of(clinic, kind, "none")
