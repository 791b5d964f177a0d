"""What the resources say: the codes, the remarks, and nothing that was not sent or decided."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

import msgspec
import pytest

from bodies import changed
from fhir_r4.profiles import codes_in, faults_of
from fhir_r4.rendered import PUBLIC_URL, SET_ID, SUBJECT_ID, resources, stored
from fhir_r4.test_moves import FIRST_VISIT
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import Fault
from quietcuff.core.model.evaluation import Reason
from quietcuff.core.model.fields import DeviceFlag, Position, Site
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir import codes
from quietcuff.fhir.capability import PROFILES
from quietcuff.fhir.operation_outcome import operation_outcome
from quietcuff.fhir.resources.notes import NOT_USED
from quietcuff.fhir.search.observation_parameters import PARAMETERS
from quietcuff.fhir.search.request import CONTROLS, CURSOR
from quietcuff.rules.catalog import load_rulebook

# Words that say "normal" and "high" at once: the general scale has no place for them.
NO_PLACE_ON_THE_SCALE = {"not-met", "orthostatic-hypotension", "high-normal", "prehypertension"}
Named = dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def exported(rulebook: Rulebook, body: dict[str, Any]) -> Named:
    """The resources of a sitting by the last part of their ids."""
    reading_set = msgspec.convert(body, ReadingSet)
    made = resources(stored(reading_set, evaluate(reading_set, None, rulebook)))
    assert [fault for resource in made for fault in faults_of(resource)] == []
    return {resource["id"].removeprefix(f"{SET_ID}-"): resource for resource in made}


def note_texts(resource: dict[str, Any]) -> list[str]:
    return [note["text"] for note in resource.get("note", [])]


def values(resource: dict[str, Any]) -> dict[str, Any]:
    return {part["code"]["coding"][0]["code"]: part["valueQuantity"]["value"] for part in resource["component"]}


def test_a_first_visit_leaves_as_readings_pulses_one_mean_and_a_provenance(rulebook: Rulebook) -> None:
    made = exported(rulebook, FIRST_VISIT)
    assert list(made) == ["quietcuff", "r0", "p0", "r1", "p1", "r2", "p2", "r3", "p3", "mean", "v1"]
    assert values(made["r0"]) == {"8480-6": 142, "8462-4": 88}
    assert made["r0"]["identifier"] == [{"system": f"{PUBLIC_URL}/id/observation", "value": f"{SET_ID}/r0"}]
    assert made["r0"]["effectiveDateTime"] == "2026-05-04T09:00:00+02:00"
    assert made["r0"]["subject"] == {"reference": f"Patient/{SUBJECT_ID}"}
    assert note_texts(made["r0"]) == ["Not used in the mean: other arm."]
    assert note_texts(made["r1"]) == ["Not used in the mean: earlier than the last two."]
    assert note_texts(made["r2"]) == []
    assert codes_in(made["r1"]["bodySite"]) == {("http://snomed.info/sct", "368209003")}


def test_the_mean_is_the_reported_one_and_names_its_readings(rulebook: Rulebook) -> None:
    mean = exported(rulebook, FIRST_VISIT)["mean"]
    assert values(mean) == {"96608-5": 145, "96609-3": 90, "246432004": 2}
    assert mean["effectivePeriod"] == {"start": "2026-05-04T09:04:00+02:00", "end": "2026-05-04T09:06:00+02:00"}
    assert [link["reference"] for link in mean["derivedFrom"]] == [f"Observation/{SET_ID}-r2", f"Observation/{SET_ID}-r3"]
    (label,) = mean["interpretation"]
    assert codes_in(label) >= {
        ("http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", "H"),
        ("urn:quietcuff:guideline:aha-acc-2025", "stage-2"),
    }
    assert "provisional: single sitting" in label["text"]
    assert note_texts(mean)[0].startswith("145/90, right arm")


def test_a_mean_is_rounded_once_and_half_up(rulebook: Rulebook) -> None:
    mean = exported(rulebook, changed(FIRST_VISIT, "/readings/3/systolic_mmhg", 145))["mean"]
    assert values(mean)["96608-5"] == 146, "145.5"


def test_the_provenance_names_rules_engine_targets_and_sources(rulebook: Rulebook) -> None:
    made = exported(rulebook, FIRST_VISIT)
    provenance = made["v1"]
    targets = [link["reference"] for link in provenance["target"]]
    assert targets == [f"Observation/{SET_ID}-{name}" for name in made if name[0] in "rpm"]
    protocol, guideline = provenance["policy"]
    assert protocol.startswith("urn:quietcuff:protocol:office-both-arms:1:sha256:")
    assert guideline.startswith("urn:quietcuff:guideline:aha-acc-2025:")
    service, author = provenance["agent"]
    assert service["who"] == {"reference": "Device/quietcuff", "display": f"Quietcuff {rulebook.engine_version}"}
    assert author["who"] == {"identifier": {"system": "urn:example:staff", "value": "n-17"}}
    assert [source["what"]["reference"] for source in provenance["entity"]] == [
        link["reference"] for link in made["mean"]["derivedFrom"]
    ]


def test_a_failed_attempt_says_why_there_are_no_pressures(rulebook: Rulebook) -> None:
    failed = {"taken_at": "2026-05-04T09:08:00+02:00", "device_flags": ["measurement-failed", "cuff-loose"]}
    made = exported(rulebook, FIRST_VISIT | {"readings": [*FIRST_VISIT["readings"], failed]})
    reasons = [codes_in(part["dataAbsentReason"]) for part in made["r4"]["component"]]
    assert reasons == [{("http://terminology.hl7.org/CodeSystem/data-absent-reason", "error")}] * 2
    assert "p4" not in made
    loose, failure = made["f4"]["component"]
    assert codes_in(loose["code"]) == {("http://terminology.hl7.org/CodeSystem/ASN1ToHL7", "8410608.1")}
    assert failure["code"] == {"text": "Measurement failed"}
    assert made["f4"]["derivedFrom"] == [{"reference": f"Observation/{SET_ID}-r4"}]
    assert "category" not in made["f4"]


def test_an_implausible_reading_leaves_as_it_was_measured_with_a_remark(rulebook: Rulebook) -> None:
    swapped = FIRST_VISIT["readings"][0] | {"systolic_mmhg": 80, "diastolic_mmhg": 120}
    made = exported(rulebook, changed(FIRST_VISIT, "/readings/0", swapped))
    assert values(made["r0"]) == {"8480-6": 80, "8462-4": 120}
    assert note_texts(made["r0"]) == ["Implausible, not used in the mean."]
    assert made["r0"]["status"] == "final"
    assert "interpretation" not in made["r0"]


def test_a_zero_is_a_value(rulebook: Rulebook) -> None:
    zero = FIRST_VISIT["readings"][0] | {"systolic_mmhg": 0, "diastolic_mmhg": 0, "pulse_per_min": 0}
    made = exported(rulebook, changed(FIRST_VISIT, "/readings/0", zero))
    assert values(made["r0"]) == {"8480-6": 0, "8462-4": 0}
    assert made["p0"]["valueQuantity"]["value"] == 0


def test_a_severe_reading_is_marked_on_the_reading_and_told_with_the_mean(rulebook: Rulebook) -> None:
    made = exported(rulebook, changed(FIRST_VISIT, "/readings/1/systolic_mmhg", 190))
    (severe,) = made["r1"]["interpretation"]
    assert codes_in(severe) == {("http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", "HH")}
    assert any("severe" in text.lower() for text in note_texts(made["mean"]))


def test_identifiers_that_were_sent_leave_unchanged_and_free_text_stays(rulebook: Rulebook) -> None:
    body = FIRST_VISIT | {
        "observer": {"system": "urn:example:staff", "value": "Ö 17/b"},
        "location": {"system": "urn:example:room", "value": "3"},
        "encounter": {"system": "urn:example:visit", "value": "v-1"},
        "based_on": {"system": "urn:example:order", "value": "o-1"},
        "cuff": {"size": "do not repeat this"},
    }
    made = exported(rulebook, body)
    for name in ("r0", "p0", "mean"):
        assert made[name]["performer"] == [{"identifier": {"system": "urn:example:staff", "value": "Ö 17/b"}}]
        assert made[name]["encounter"] == {"identifier": {"system": "urn:example:visit", "value": "v-1"}}
        assert made[name]["basedOn"] == [{"identifier": {"system": "urn:example:order", "value": "o-1"}}]
        place = made[name]["extension"][-1]
        assert place["url"] == "http://hl7.org/fhir/StructureDefinition/event-location"
        assert place["valueReference"] == {"identifier": {"system": "urn:example:room", "value": "3"}}
    assert "do not repeat this" not in str({name: made[name] for name in made if name != "mean"})


def test_a_device_without_identifier_is_contained_and_one_with_is_pointed_to(rulebook: Rulebook) -> None:
    described = FIRST_VISIT | {"device": {"kind": "automatic", "site": "upper-arm", "validated": "yes", "model": "Example 1"}}
    reading = exported(rulebook, described)["r0"]
    (device,) = reading["contained"]
    assert reading["device"] == {"reference": f"#{device['id']}"}
    assert device["type"]["text"] == "Automatic blood-pressure monitor, upper arm"
    assert device["deviceName"] == [{"name": "Example 1", "type": "model-name"}]
    assert note_texts(device) == ["Reported as validated for accuracy."]
    for_whom = {**described["device"], "validated_for": ["adults", "large-arms"]}
    (device,) = exported(rulebook, described | {"device": for_whom})["r0"]["contained"]
    assert note_texts(device) == ["Reported as validated for accuracy.", "Reported as validated for: adults, large arms."]
    named = FIRST_VISIT | {"device": {"identifier": {"system": "urn:example:device", "value": "SN-0007"}}}
    reading = exported(rulebook, named)["r0"]
    assert "contained" not in reading
    assert reading["device"]["reference"].startswith("Device/")
    assert "device" not in exported(rulebook, FIRST_VISIT)["r0"]


def test_home_and_unattended_are_told_and_the_ordinary_case_is_not(rulebook: Rulebook) -> None:
    home = FIRST_VISIT | {"setting": "home", "attendance": "unattended"}
    del home["visit"]
    assert "Taken at home. Nobody else was in the room." in note_texts(exported(rulebook, home)["r3"])
    assert not any("home" in text for text in note_texts(exported(rulebook, FIRST_VISIT)["r0"]))


def test_every_reason_flag_site_and_position_has_its_words_or_code() -> None:
    assert set(NOT_USED) == set(get_args(Reason)) - {"pending", "voided"}
    assert set(codes.DEVICE_FLAG) == set(get_args(DeviceFlag))
    assert set(codes.BODY_SITE) == set(get_args(Site)) - {"not-recorded"}
    assert set(codes.BODY_POSITION) == set(get_args(Position)) - {"not-recorded"}


def test_every_category_of_every_guideline_has_its_place_on_the_general_scale_or_is_known_to_have_none(
    rulebook: Rulebook,
) -> None:
    words = {row.category for guideline in rulebook.guidelines.values() for row in guideline.rows}
    assert words - set(codes.CATEGORY_INTERPRETATION) <= NO_PLACE_ON_THE_SCALE
    assert not set(codes.CATEGORY_INTERPRETATION) & NO_PLACE_ON_THE_SCALE


def test_every_problem_is_a_sound_operation_outcome() -> None:
    faults = [
        Fault(parameter="date", code="not-a-date", detail="A date."),
        Fault(header="If-None-Match", code="bad-header", detail="An ETag."),
        Fault(parameter="Mrs X\x00", code="parameter-not-supported", detail="A parameter."),
    ]
    for status in (400, 401, 403, 404, 405, 406, 410, 412, 413, 415, 422, 429, 500, 503):
        for some in ([], faults):
            outcome = msgspec.json.decode(operation_outcome(status, "Refused.", some))
            assert faults_of(outcome) == []
            assert len(outcome["issue"]) == max(1, len(some))
    first, _, made_up = outcome["issue"]
    assert (first["code"], first["expression"]) == ("value", ["http.date"])
    assert first["details"]["text"] == "date: A date."
    assert "expression" not in made_up
    assert "Mrs" not in str(outcome)


def test_the_page_for_integrators_names_every_code_profile_and_parameter() -> None:
    page = (Path(__file__).parents[2] / "docs" / "fhir.md").read_text(encoding="utf-8")
    coded = [codes.BP_PANEL, codes.HEART_RATE, codes.MEAN_PANEL, codes.DEVICE_STATUS, codes.READINGS_COUNTED]
    coded += [codes.SYSTOLIC, codes.DIASTOLIC, codes.MEAN_ARTERIAL, codes.MEAN_SYSTOLIC, codes.MEAN_DIASTOLIC]
    coded += codes.METHOD.values()
    named = [coding.code for concept in coded for coding in concept.coding or []]
    named += [f"`{profile.rsplit('/', 1)[-1]}`" for profile in PROFILES]
    named += [f"`{name}`" for name in [*(parameter.name for parameter in PARAMETERS), *CONTROLS] if name != CURSOR]
    assert [name for name in named if name not in page] == []
