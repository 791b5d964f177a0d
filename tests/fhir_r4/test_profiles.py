"""The profile check itself: it lets what the service writes through and refuses each way of breaking it.

The breakages are those that public trackers of FHIR guides report and the profiles forbid: wrong or missing units, one
component, values at the wrong level, codes of readings in a mean, and so on. They are applied to the service's own output.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from fhir_r4.profiles import LOINC, faults_of
from fhir_r4.rendered import observations, stored
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

Resource = dict[str, Any]
Break = Callable[[Resource], None]
BODY = {
    "subject": {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}, "birth_date": "1971-01-15"},
    "visit": "follow-up",
    "guidelines": ["aha-acc-2025"],
    "readings": [
        {
            "taken_at": f"2026-05-04T09:0{minute}:00+02:00",
            "systolic_mmhg": 142,
            "diastolic_mmhg": 88,
            "mean_arterial_mmhg": 106,
            "pulse_per_min": 72,
            "site": "left-upper-arm",
            "position": "sitting",
            "method": "oscillometric",
            "device_flags": ["irregular-pulse"] if minute == 0 else [],
        }
        for minute in (0, 2, 4)
    ],
}


@pytest.fixture(scope="module")
def sound(rulebook: Rulebook) -> dict[str, Resource]:
    """One sound Observation of each kind."""
    reading_set = msgspec.convert(BODY, ReadingSet)
    made = observations(stored(reading_set, evaluate(reading_set, None, rulebook)))
    plain = {made_one.id.rsplit("-", 1)[1]: msgspec.json.decode(msgspec.json.encode(made_one)) for made_one in made}
    return {"reading": plain["r0"], "pulse": plain["p0"], "flags": plain["f0"], "mean": plain["mean"]}


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def without(*path: str | int) -> Break:
    def broken(resource: Resource) -> None:
        holder: Any = resource
        for step in path[:-1]:
            holder = holder[step]
        del holder[path[-1]]

    return broken


def having(value: Any, *path: str | int) -> Break:
    def broken(resource: Resource) -> None:
        holder: Any = resource
        for step in path[:-1]:
            holder = holder[step]
        holder[path[-1]] = value

    return broken


MMHG = {"value": 142, "unit": "mmHg", "system": "http://unitsofmeasure.org", "code": "mm[Hg]"}
LABORATORY = "laboratory"
BREAKAGES: list[tuple[str, str, Break]] = [
    ("reading", "unit in kPa", having("kPa", "component", 0, "valueQuantity", "code")),
    ("reading", "unit code mmHg", having("mmHg", "component", 0, "valueQuantity", "code")),
    ("reading", "unit without code", without("component", 0, "valueQuantity", "code")),
    ("reading", "unit without system", without("component", 0, "valueQuantity", "system")),
    ("reading", "unit without text", without("component", 0, "valueQuantity", "unit")),
    ("reading", "no diastolic", without("component", 1)),
    ("reading", "no components", without("component")),
    ("reading", "systolic twice", lambda resource: resource["component"].append(copy.deepcopy(resource["component"][0]))),
    ("reading", "wrong component code", having("8459-0", "component", 0, "code", "coding", 0, "code")),
    ("reading", "component without value or reason", without("component", 0, "valueQuantity")),
    ("reading", "value at the top", having(MMHG, "valueQuantity")),
    ("reading", "other panel", having("55284-4", "code", "coding", 0, "code")),
    ("reading", "a component's code for the whole", having("8480-6", "code", "coding", 0, "code")),
    ("reading", "no category", without("category")),
    ("reading", "category laboratory", having(LABORATORY, "category", 0, "coding", 0, "code")),
    ("reading", "no subject", without("subject")),
    ("reading", "no time", without("effectiveDateTime")),
    ("reading", "only a year", having("2026", "effectiveDateTime")),
    ("reading", "time without zone", having("2026-05-04T09:00:00", "effectiveDateTime")),
    ("reading", "not a time", having("4 May", "effectiveDateTime")),
    ("reading", "no status", without("status")),
    ("reading", "unknown status", having("done", "status")),
    ("reading", "value as text", having("142", "component", 0, "valueQuantity", "value")),
    ("reading", "unknown element", having({"text": "Sitting"}, "bodyPosition")),
    ("reading", "derived from a patient", having([{"reference": "Patient/p1"}], "derivedFrom")),
    ("reading", "empty note", having([], "note")),
    ("reading", "null method", having(None, "method")),
    ("reading", "contained but not pointed to", having([{"resourceType": "Device", "id": "x"}], "contained")),
    ("reading", "pointed to but not contained", having({"reference": "#x"}, "device")),
    ("pulse", "unit bpm", having("bpm", "valueQuantity", "code")),
    ("pulse", "neither value nor reason", without("valueQuantity")),
    ("pulse", "value and a reason for its absence", having({"text": "unknown"}, "dataAbsentReason")),
    ("mean", "unit in kPa", having("kPa", "component", 0, "valueQuantity", "code")),
    ("mean", "codes of single readings", having("8480-6", "component", 0, "code", "coding", 0, "code")),
    ("mean", "no diastolic", without("component", 1)),
    ("mean", "value at the top", having(MMHG, "valueQuantity")),
    ("mean", "component without value or reason", without("component", 1, "valueQuantity")),
    ("mean", "other panel", having("85354-9", "code", "coding", 0, "code")),
    ("mean", "no category", without("category")),
    ("mean", "period without end", without("effectivePeriod", "end")),
    ("flags", "no status", without("status")),
]


@pytest.mark.parametrize("kind", ["reading", "pulse", "flags", "mean"])
def test_what_the_service_writes_is_sound(sound: dict[str, Resource], kind: str) -> None:
    assert faults_of(sound[kind]) == []


@pytest.mark.parametrize(("kind", "breakage"), [(kind, name) for kind, name, _ in BREAKAGES])
def test_each_breakage_is_found(sound: dict[str, Resource], kind: str, breakage: str) -> None:
    broken = copy.deepcopy(sound[kind])
    next(spoil for of, name, spoil in BREAKAGES if (of, name) == (kind, breakage))(broken)
    assert faults_of(broken), breakage


def test_a_bundle_is_checked_with_all_that_is_in_it(sound: dict[str, Resource]) -> None:
    entry = {"fullUrl": f"https://bp.example.org/fhir/R4/Observation/{sound['mean']['id']}", "resource": sound["mean"]}
    assert faults_of({"resourceType": "Bundle", "type": "collection", "entry": [entry]}) == []
    assert faults_of({"resourceType": "Bundle", "type": "collection", "entry": [entry, entry]})
    assert faults_of({"resourceType": "Bundle", "type": "collection", "total": 1, "entry": [entry]})
    broken = copy.deepcopy(entry)
    del broken["resource"]["category"]
    assert faults_of({"resourceType": "Bundle", "type": "collection", "entry": [broken]})


def test_the_panel_s_code_alone_brings_its_profile_with_it(sound: dict[str, Resource]) -> None:
    unclaimed = copy.deepcopy(sound["reading"])
    del unclaimed["meta"]["profile"]
    assert faults_of(unclaimed) == []
    unclaimed["component"].pop(1)
    assert any("8462-4" in fault for fault in faults_of(unclaimed))
    assert unclaimed["code"]["coding"][0]["system"] == LOINC
