"""What stands beside the means of a result: 24-hour, day and night, falls on standing, percentiles; and that it is all valid.

The codes of 24-hour means are those of HL7's "Vital Signs with Qualifying Elements"; nothing else here has a code.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import msgspec
import pytest

from core.recordings import START, SUBJECT, ambulatory_body, by_hours, home_body, home_series, reading, recording
from fhir_r4.profiles import LOINC, codes_in, faults_of
from fhir_r4.rendered import observations, resources, stored
from outside.test_fhir_validity import r4b_faults, walker
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.rules.catalog import load_rulebook

RULEBOOK, WALK = load_rulebook(), walker()
USUAL = by_hours((138, 86), (120, 72))
NINE = START + timedelta(hours=9)
BOY = {"identifier": SUBJECT["identifier"], "birth_date": "2018-05-04", "sex": "male", "height_cm": 127.9}
CARRIES = SUBJECT | {"birth_date": "1996-01-15", "pregnancy": "pregnant"}


def standing_test(lying: tuple[float, float], *upright: tuple[float, float]) -> dict[str, Any]:
    rows = [reading(NINE, lying, position="supine")]
    for place, value in enumerate(upright):
        at = NINE + timedelta(minutes=1 + 2 * place)
        rows.append(reading(at, value, position="standing", stood_at=NINE.isoformat()))
    return {"subject": SUBJECT, "protocol": "orthostatic-standing", "visit": "follow-up", "readings": rows}


def seated(subject: dict[str, Any], value: tuple[float, float]) -> dict[str, Any]:
    rows = [reading(NINE + timedelta(minutes=minute), value) for minute in range(3)]
    return {"subject": subject, "visit": "follow-up", "readings": rows}


BODIES = {
    "home series": home_body(home_series(7, lambda _: (136, 86))),
    "home sitting": home_body(home_series(1, lambda _: (136, 86))[:2], protocol="home-sitting"),
    "recording": ambulatory_body(recording(USUAL)),
    "recording by day alone": ambulatory_body(recording(USUAL, hours=12), protocol="ambulatory-nice-2019"),
    "test of standing": standing_test((138, 84), (128, 80), (116, 78)),
    "rise on standing": standing_test((120, 70), (124, 76), (126, 78)),
    "child": seated(BOY, (117, 70)),
    "pregnancy": seated(CARRIES, (162, 100)),
}


def mean_of(name: str) -> dict[str, Any]:
    reading_set = msgspec.convert(BODIES[name], ReadingSet)
    made = observations(stored(reading_set, evaluate(reading_set, None, RULEBOOK)))
    mean: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(made[-1]))
    assert mean["id"].endswith("-mean")
    return mean


def told(mean: dict[str, Any]) -> dict[str, Any]:
    """Value by LOINC code or, where there is none, by text."""
    found = {}
    for component in mean["component"]:
        code = component["code"]
        name = code["coding"][0]["code"] if "coding" in code else code["text"]
        found[name] = component.get("valueQuantity", {}).get("value", component.get("valueCodeableConcept"))
    return found


@pytest.mark.parametrize("name", BODIES)
def test_everything_of_it_is_valid(name: str) -> None:
    reading_set = msgspec.convert(BODIES[name], ReadingSet)
    made = resources(stored(reading_set, evaluate(reading_set, None, RULEBOOK)))
    faults = [f"{each['id']}: {fault}" for each in made for fault in faults_of(each) + r4b_faults(each)]
    assert faults == []
    assert [fault for each in made[:4] + made[-3:] for fault in WALK(each)] == []


def test_a_recording_has_the_24_hour_mean_under_its_own_codes_and_day_and_night_in_text() -> None:
    mean = mean_of("recording")
    assert codes_in(mean["code"]) == {(LOINC, "96607-7"), (LOINC, "97844-5")}
    found = told(mean)
    assert (found["8490-5"], found["8472-3"]) == (found["96608-5"], found["96609-3"])
    assert found["Systolic blood pressure, daytime mean"] == 138
    assert found["Diastolic blood pressure, night-time mean"] == 72


def test_a_recording_without_a_night_has_no_24_hour_mean() -> None:
    mean = mean_of("recording by day alone")
    assert codes_in(mean["code"]) == {(LOINC, "96607-7")}
    found = told(mean)
    assert "8490-5" not in found and not any("night" in name for name in found)
    assert found["Systolic blood pressure, daytime mean"] == found["96608-5"] == 138


def test_a_home_series_has_its_mornings_and_evenings() -> None:
    found = told(mean_of("home series"))
    assert found["96608-5"] == found["Systolic blood pressure, morning mean"] == 136
    assert found["Diastolic blood pressure, evening mean"] == 86
    assert told(mean_of("home sitting")).keys() == {"96608-5", "96609-3", "246432004"}


def test_what_standing_showed_is_no_label_of_the_mean_before_it() -> None:
    mean = mean_of("test of standing")
    assert "interpretation" not in mean
    found = told(mean)
    assert found["Fall of systolic blood pressure, 1 min after standing"] == 10
    assert found["Fall of systolic blood pressure, 3 min after standing"] == 22
    label = found["Test of standing, by orthostatic-2011"]
    assert label["coding"][0]["system"] == "urn:quietcuff:guideline:orthostatic-2011"
    assert label["coding"][0]["code"] == "orthostatic-hypotension"
    rise = told(mean_of("rise on standing"))
    assert rise["Fall of systolic blood pressure, 3 min after standing"] == -6
    assert rise["Test of standing, by orthostatic-2011"]["coding"][0]["code"] == "not-met"


def test_a_child_has_percentiles_and_the_z_of_the_height_with_their_references() -> None:
    """117/70 in a boy of eight at the median height: between the 95th (116.6) and the 99th percentile. Source: [FR04-APP-B]."""
    mean = mean_of("child")
    found = told(mean)
    assert 95 < found["Systolic blood pressure percentile for sex, age and height (nhbpep-2004-pressure)"] < 96
    assert abs(found["Height z (cdc-2000-height)"]) < 0.1
    percent = [part["valueQuantity"] for part in mean["component"] if "percentile" in part["code"].get("text", "")]
    assert {(value["system"], value["code"]) for value in percent} == {("http://unitsofmeasure.org", "%")}


def test_a_label_in_pregnancy_is_of_the_mean() -> None:
    mean = mean_of("pregnancy")
    words = {coding["code"] for concept in mean["interpretation"] for coding in concept["coding"]}
    assert words == {"HH", "severe"}
