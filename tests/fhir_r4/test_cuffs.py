"""The size of the cuff in resources: what is known and no free text, moved with what it is said of, and found by searches."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from application.clinic import first_visit, sitting
from fhir_r4.stored_sets import Clinic, open_clinic
from quietcuff.core.model.readings import Cuff
from quietcuff.core.record.sitting_version import searchable_size
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.resources.cuff import cuff_component
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store

SNOMED = "http://snomed.info/sct"
ADULT = {"size": "adult", "range_cm": [27, 34]}


@pytest.fixture(scope="module")
def book() -> Rulebook:
    return load_rulebook()


@pytest.fixture
async def clinic(store: Store, book: Rulebook) -> Clinic:
    return await open_clinic(store, book)


@pytest.mark.parametrize(
    ("cuff", "text", "code", "name"),
    [
        (ADULT, "adult, 27-34 cm", "720737000", "adult"),
        ({"size": "LARGE  adult"}, "large adult", "720738005", "large-adult"),
        ({"size": "small_adult", "range_cm": [22, 26.5]}, "small adult, 22-26.5 cm", "720739002", "small-adult"),
        ({"size": "Thigh"}, "thigh", "720740000", "thigh"),
        ({"size": "adult", "range_cm": [22.1234567, 32]}, "adult, 22.1234567-32 cm", "720737000", "adult"),
        ({"size": "child"}, "pediatric", "720736009", "pediatric"),
        ({"size": "extra-large adult"}, "extra large adult", None, "extra-large-adult"),
        ({"range_cm": [27, 34]}, "27-34 cm", None, "other"),
        ({"size": "the blue one", "range_cm": [27, 34]}, "27-34 cm", None, "other"),
        ({"size": "the blue one"}, None, None, None),
        ({"size": "other"}, None, None, None),
        ({"mark_within_range": "yes"}, None, None, None),
        (None, None, None, None),
    ],
)
def test_a_cuff_says_what_is_known_of_its_size(
    cuff: dict[str, Any] | None, text: str | None, code: str | None, name: str | None
) -> None:
    """Source: the codes are those of HL7 "Vital Signs with Qualifying Elements", as its public value set lists them."""
    known = None if cuff is None else msgspec.convert(cuff, Cuff)
    made = cuff_component(known)
    assert searchable_size(known) == name
    if text is None:
        assert made is None
        return
    component = msgspec.to_builtins(made)
    assert component["code"]["coding"][0] == {
        "system": "http://loinc.org",
        "code": "8358-4",
        "display": "Blood pressure device Cuff size",
    }
    coding = {} if code is None else {"coding": [{"system": SNOMED, "code": code}]}
    assert component["valueCodeableConcept"] == {**coding, "text": text}


def cuff_of(observation: dict[str, Any]) -> str | None:
    """The text of the cuff of an Observation."""
    for part in observation.get("component", []):
        if part["code"]["coding"][0]["code"] == "8358-4":
            text: str = part["valueCodeableConcept"]["text"]
            return text
    return None


async def shown(clinic: Clinic, set_id: str) -> dict[str, tuple[str | None, str]]:
    """By place, the cuff and the version of each Observation of a set."""
    bundle = await clinic.search(("_count", "100"))
    found = [entry["resource"] for entry in bundle["entry"]]
    return {
        one["id"].removeprefix(f"{set_id}-"): (cuff_of(one), one["meta"]["versionId"])
        for one in found
        if one["id"].startswith(set_id)
    }


async def test_a_mean_has_the_cuff_that_is_the_same_however_it_is_spelt(clinic: Clinic) -> None:
    readings = first_visit()
    readings[2] = {**readings[2], "cuff": {"size": "Adult", "range_cm": [27, 34], "mark_within_range": "yes"}}
    stored = await clinic.receive(sitting(readings, cuff=ADULT))
    assert (await shown(clinic, stored["id"]))["mean"][0] == "adult, 27-34 cm"


async def places_found(clinic: Clinic, *query: tuple[str, str]) -> set[str]:
    bundle = await clinic.search(("_count", "100"), *query)
    return {entry["resource"]["id"].rpartition("-")[2] for entry in bundle.get("entry", [])}


async def test_readings_show_their_own_cuff_and_the_mean_one_that_is_common(clinic: Clinic) -> None:
    readings = first_visit()
    readings[0] = {**readings[0], "cuff": {"size": "large adult"}}
    stored = await clinic.receive(sitting(readings, cuff=ADULT))
    before = await shown(clinic, stored["id"])
    assert {place: cuff for place, (cuff, _) in before.items()} == {
        "r0": "large adult",
        "p0": None,
        **dict.fromkeys(("r1", "r2", "r3", "mean"), "adult, 27-34 cm"),
    }
    whole = {"r0", "r1", "r2", "r3", "mean"}
    assert await places_found(clinic, ("component-code", "http://loinc.org|8358-4")) == whole
    assert await places_found(clinic, ("combo-code", "8358-4")) == whole
    assert await places_found(clinic, ("code", "8358-4")) == set()
    # The cuff of the third reading was another: that reading moves, and the mean, which has no common one any more.
    await clinic.correct(stored["id"], 1, {"change": "amend-reading", "index": 2, "set": {"cuff": {"size": "thigh"}}})
    after = await shown(clinic, stored["id"])
    moved = {place for place in after if after[place][1] != before[place][1]}
    bundle = await clinic.search(("_count", "100"))
    statuses = {one["resource"]["id"].rpartition("-")[2]: one["resource"]["status"] for one in bundle["entry"]}
    assert {name for name, status in statuses.items() if status == "amended"} == moved and "corrected" not in statuses.values()
    assert moved == {"r2", "mean"} and (after["r2"][0], after["mean"][0]) == ("thigh", None)
    assert await places_found(clinic, ("component-code", "8358-4")) == whole - {"mean"}
