"""What FHIR tells of the identifiers that senders give their readings, and of a sitting that was moved to another person."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import httpx
import pytest

from api.test_bulk import exported
from api.test_fhir import BASE, outcome
from api.test_reading_sets import FIRST_READING, PATH, named, reading
from bodies import OPENED_SET
from fhir_r4.profiles import faults_of

OURS = "https://bp.example.org/id/observation"
SETS = "https://bp.example.org/id/reading-set"


@pytest.fixture
def own() -> str:
    return f"m|{uuid4()}"


def stored(desk: httpx.Client, own: str) -> dict[str, Any]:
    """A set whose second reading has an identifier of its sender's."""
    second = reading(70, 150, 92) | {"identifier": {"system": "urn:example:monitor", "value": own}}
    answer = desk.post(PATH, json=named(OPENED_SET, closed=True, readings=[FIRST_READING, second, reading(140, 146, 90)]))
    assert answer.status_code == 201, answer.text
    envelope: dict[str, Any] = answer.json()
    return envelope


def found(desk: httpx.Client, identifier: str) -> list[str]:
    bundle = desk.get(f"{BASE}/Observation", params={"identifier": identifier}).json()
    return [entry["resource"]["id"] for entry in bundle.get("entry", [])]


def test_a_reading_carries_the_identifier_of_its_sender_and_is_found_by_it(desk: httpx.Client, own: str) -> None:
    set_id = stored(desk, own)["id"]
    shown = desk.get(f"{BASE}/Observation/{set_id}-r1").json()
    assert shown["identifier"] == [
        {"system": OURS, "value": f"{set_id}/r1"},
        {"system": "urn:example:monitor", "value": own},
    ]
    assert faults_of(shown) == []
    for name in ("r0", "p1", "mean"):
        other = desk.get(f"{BASE}/Observation/{set_id}-{name}").json()
        assert other["identifier"] == [{"system": OURS, "value": f"{set_id}/{name}"}]
    escaped = own.replace("|", "\\|")
    for text in (f"urn:example:monitor|{escaped}", escaped, f"urn:example:none|x,urn:example:monitor|{escaped}"):
        assert found(desk, text) == [f"{set_id}-r1"], text
    both = found(desk, f"urn:example:monitor|{escaped},{OURS}|{set_id}/r0")
    assert sorted(both) == [f"{set_id}-r0", f"{set_id}-r1"]
    for text in (f"urn:example:other|{escaped}", f"|{escaped}", "urn:example:monitor|x", f"{OURS}|{escaped}"):
        assert found(desk, text) == [], text
    for text in ("urn:example:monitor|", "|"):
        refused = desk.get(f"{BASE}/Observation", params={"identifier": text})
        assert "identifier" in str(outcome(refused, 400, "value")["issue"][0])


def test_the_two_sets_of_a_move_name_each_other(desk: httpx.Client, own: str) -> None:
    """Source: FHIR R4 Provenance, entity: what was used, and in which role."""
    old = stored(desk, own)
    mover = {"subject": {"identifier": {"system": "urn:example:mrn", "value": f"other-{uuid4()}"}}, "reason": "another patient"}
    moved = desk.post(f"{PATH}/{old['id']}/move", json=mover, headers={"If-Match": '"1"'})
    assert moved.status_code == 201, moved.text
    new = moved.json()["id"]
    before, taken_back, there = (
        desk.get(f"{BASE}/Provenance/{name}").json() for name in (f"{old['id']}-v1", f"{old['id']}-v2", f"{new}-v1")
    )
    assert all("identifier" not in entity["what"] for entity in before["entity"]), "what was stored stays as it was"
    assert others(there) == [("revision", SETS, old["id"])] and others(taken_back) == [("derivation", SETS, new)]
    assert faults_of(there) == faults_of(taken_back) == []
    assert desk.get(f"{PATH}/{new}/fhir").json()["identifier"] == {"system": SETS, "value": new}
    # The identifier went along with the reading: it is found of both, and one of them is in error.
    both = desk.get(f"{BASE}/Observation", params={"identifier": f"urn:example:monitor|{own}".replace("m|", "m\\|")}).json()
    assert sorted(entry["resource"]["status"] for entry in both["entry"]) == ["entered-in-error", "final"]
    _, resources = exported(desk, _type="Provenance", _typeFilter=f"Provenance?_id={new}-v1")
    assert resources["Provenance"] == [there]


def others(provenance: dict[str, Any]) -> list[tuple[str, str, str]]:
    """The other sets that it names."""
    named_ones = [one for one in provenance["entity"] if "identifier" in one["what"]]
    return [(one["role"], *(one["what"]["identifier"][name] for name in ("system", "value"))) for one in named_ones]
