"""FHIR resources as they come in: what is read, joined, refused with its place, and left aside.

The examples of ``data/fhir-examples.jsonl`` were made beside FHIR's own definitions, not by this service. Sources of the codes:
FHIR R4 profiles bp and heartrate, HL7 Personal Health Device guide, US Core 9.0.0.
"""

from __future__ import annotations

import copy
import json
import random
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
import pytest
from fhirclient.models import bundle as fhirclient_bundle

from quietcuff.api.examples import example
from quietcuff.core.model.errors import NotAcceptable, NotReadable
from quietcuff.core.model.readings import Cuff, Identifier
from quietcuff.decode.fhir import codes
from quietcuff.decode.fhir.bundle import read_payload
from quietcuff.decode.fhir.payload import intend, patients_named
from quietcuff.decode.payload import IncomingReading, Intended, OwnPlace
from quietcuff.fhir import codes as export_codes
from quietcuff.fhir.resources import device, notes
from quietcuff.terminology.systems import BODY_POSITION_EXTENSION

EXAMPLES = {
    line["name"]: line["resource"]
    for line in map(json.loads, (Path(__file__).parents[1] / "data/fhir-examples.jsonl").read_text().splitlines())
}
PERSON = {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}}
KNOWN = {"p1": Identifier(system="urn:example:mrn", value="p-0001")}
LOINC, SNOMED, UCUM = "http://loinc.org", "http://snomed.info/sct", "http://unitsofmeasure.org"
LARGE = {"system": SNOMED, "code": "720738005"}
MDC = "urn:iso:std:iso:11073:10101"
Resource = dict[str, Any]


def read(resource: Any, known: dict[str, Identifier] | None = None) -> Intended:
    return intend(read_payload(json.dumps(resource).encode()), KNOWN if known is None else known)


def only(resource: Any) -> IncomingReading:
    """The one reading of a payload of which nothing is refused."""
    intended = read(resource)
    assert intended.refused == []
    (sitting,) = intended.sittings
    (keyed,) = sitting.readings
    return keyed


def refused(resource: Any) -> list[tuple[str, str]]:
    return [(part.place, part.code) for part in read(resource).refused]


def panel(**changes: Any) -> Resource:
    """The example of one reading, with other elements; None leaves one out."""
    made = example("fhir-observation") | changes
    return {name: value for name, value in made.items() if value is not None}


def concept(system: str, code: str) -> Resource:
    return {"coding": [{"system": system, "code": code}]}


def pressure(code: str, value: Any, unit: str = "mm[Hg]", system: str = LOINC, **more: Any) -> Resource:
    return {"code": concept(system, code), "valueQuantity": {"value": value, "system": UCUM, "code": unit, **more}}


def pressures(systolic: Any, diastolic: Any, unit: str = "mm[Hg]") -> list[Resource]:
    return [pressure("8480-6", systolic, unit), pressure("8462-4", diastolic, unit)]


def bundle(*resources: Resource) -> Resource:
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in resources]}


def pulse(rate: float = 72, **more: Any) -> Resource:
    made = {
        "resourceType": "Observation",
        "status": "final",
        "code": concept(LOINC, "8867-4"),
        "subject": PERSON,
        "effectiveDateTime": example("fhir-observation")["effectiveDateTime"],
        "valueQuantity": {"value": rate, "system": UCUM, "code": "/min"},
    }
    return made | more


def test_a_foreign_collection_is_two_readings_with_person_device_pulse_and_flag() -> None:
    """The mean of the two is no third reading; being final, it says that the sitting is over."""
    intended = read(EXAMPLES["bundle_collection"])
    assert intended.refused == []
    (sitting,) = intended.sittings
    assert sitting.closed
    assert sitting.subject.identifier == Identifier(system="https://example.org/fhir/sid/mrn", value="0001")
    assert (sitting.subject.sex, sitting.subject.birth_date) == ("female", "1960-05-01")
    assert sitting.device is not None and sitting.device.identifier is not None
    first, second = (keyed.reading for keyed in sitting.readings)
    assert (first.systolic_mmhg, first.diastolic_mmhg, first.mean_arterial_mmhg, first.pulse_per_min) == (142, 88, 106, 72)
    assert (first.site, first.position, first.method) == ("left-upper-arm", "sitting", "oscillometric")
    assert first.device_flags == ["irregular-pulse"]
    assert (second.systolic_mmhg, second.diastolic_mmhg, second.pulse_per_min) == (138, 86, None)
    assert first.taken_at.isoformat() == "2026-03-02T09:12:30+01:00"


def test_a_transaction_refers_by_urn_and_reads_the_same() -> None:
    one, other = (read(EXAMPLES[name]).sittings[0] for name in ("bundle_collection", "bundle_transaction"))
    assert [keyed.reading.systolic_mmhg for keyed in other.readings] == [142, 138]
    assert (one.subject, one.device) == (other.subject, other.device)
    assert [keyed.source_key for keyed in one.readings] == [keyed.source_key for keyed in other.readings]


def test_another_library_writes_the_same_bundle_again_and_it_reads_the_same() -> None:
    """fhirclient parses the foreign collection and writes it with its own models."""
    written = fhirclient_bundle.Bundle(EXAMPLES["bundle_collection"]).as_json()
    assert msgspec.json.encode(read(written)) == msgspec.json.encode(read(EXAMPLES["bundle_collection"]))


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("effective_no_zone", [("/effectiveDateTime", "not-fhir")]),
        ("no_diastolic", [("/component", "one-pressure-missing")]),
        ("unknown_element", [("/bodyPosition", "unknown-field")]),
        ("average", [("/code", "not-a-reading")]),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_place(name: str, expected: list[tuple[str, str]]) -> None:
    intended = read(EXAMPLES[name])
    assert intended.sittings == [] and [(part.place, part.code) for part in intended.refused] == expected


def test_a_failed_attempt_is_a_reading_without_pressures() -> None:
    reading = only(EXAMPLES["failed_reading"]).reading
    assert (reading.systolic_mmhg, reading.diastolic_mmhg) == (None, None)
    absent = [{"code": concept(LOINC, code), "dataAbsentReason": concept("urn:x", "unknown")} for code in ("8480-6", "8462-4")]
    assert refused(panel(component=absent)) == [("/component/0", "no-pressures")]
    assert only(panel(component=absent, status="cancelled")).reading.systolic_mmhg is None
    assert refused(panel(status="cancelled")) == [("/status", "contradiction")]


@pytest.mark.parametrize(("kpa", "mmhg"), [(17.3, "129.76"), (11.2, "84.01"), (13.2, "99.01"), (16, "120.01"), (0.01, "0.08")])
def test_kilopascals_become_mmhg_to_the_last_digit(kpa: float, mmhg: str) -> None:
    """Source: 1 mmHg = 133.322387415 Pa (ISO 80000-4), reckoned apart from the service."""
    assert f"{Decimal(str(kpa)) * 1000 / Decimal('133.322387415'):.2f}" == mmhg
    assert str(only(panel(component=pressures(kpa, 11.2, "kPa"))).reading.systolic_mmhg) == mmhg
    by_mdc = pressure("150021", kpa, "265987", MDC) | {}
    by_mdc["valueQuantity"]["system"] = MDC
    assert str(only(panel(component=[by_mdc, pressure("150022", 80, system=MDC)])).reading.systolic_mmhg) == mmhg


def test_mmhg_that_are_called_kilopascals_are_beyond_all_measure() -> None:
    """The foreign example has 142 and 88 with the wrong unit."""
    places = [f"/component/{number}/valueQuantity/value" for number in (0, 1)]
    found = refused(EXAMPLES["unit_kpa"])
    assert found and {place for place, _ in found} <= {*places, "/component/2/valueQuantity/value"}
    assert {code for _, code in found} == {"out-of-range"}


@pytest.mark.parametrize(
    ("component", "code"),
    [
        ([*pressures(142, 88), pressure("8480-6", 141)], "named-twice"),
        ([pressure("8480-6", 142), pressure("8462-4", 88, "cm[H2O]")], "unknown-unit"),
        ([pressure("8480-6", 142), pressure("8462-4", 88, comparator="<")], "off-scale"),
        ([pressure("8480-6", 142), pressure("8462-4", -5)], "out-of-range"),
        ([pressure("8480-6", 401), pressure("8462-4", 88)], "out-of-range"),
        ([pressure("8480-6", 1e300), pressure("8462-4", 88)], "out-of-range"),
        ([pressure("8480-6", "142"), pressure("8462-4", 88)], "wrong-type"),
        ([pressure("8480-6", 142)], "one-pressure-missing"),
        ([], "no-pressures"),
    ],
)
def test_pressures_that_are_none_are_refused(component: list[Resource], code: str) -> None:
    (part,) = read(panel(component=component or None)).refused
    assert part.code == code and part.place.startswith("/component")


@pytest.mark.parametrize(
    ("code", "words", "is_one"),
    [("mm[Hg]", "mmHg", True), ("mm[Hg]", "millimetres", True), ("mm[Hg]", "kPa", False), ("mm[Hg]", "bpm", False)],
)
def test_a_unit_is_what_its_code_says_unless_its_words_say_another(code: str, words: str, is_one: bool) -> None:
    """The same rule as for HL7 v2. Source of the code's weight: FHIR R4, Quantity: unit is for people to read."""
    component = pressures(142, 88)
    component[1]["valueQuantity"] |= {"code": code, "unit": words}
    wanted = [] if is_one else [("/component/1/valueQuantity/unit", "unknown-unit")]
    assert refused(panel(component=component)) == wanted


def test_two_measures_in_one_component_are_a_contradiction() -> None:
    both = pressure("8480-6", 142)
    both["code"]["coding"].append({"system": MDC, "code": "150022"})
    assert refused(panel(component=[both, pressure("8462-4", 88)])) == [("/component/0/code", "contradiction")]


@pytest.mark.parametrize(
    ("value", "cuff"),
    [
        ({"text": "large adult, 35-44 cm"}, Cuff(size="large adult", range_cm=(35, 44))),
        (
            {"coding": [LARGE], "text": "L, 35-44.5 cm"},
            Cuff(size="large adult", range_cm=(35, 44.5)),
        ),
        ({"coding": [LARGE], "text": "L"}, Cuff(size="large adult")),
        ({"text": "size L"}, Cuff(size="size L")),
        ({"text": "27-34 cm"}, Cuff(range_cm=(27, 34))),
        ({"coding": [{"system": SNOMED, "code": "1"}]}, None),
        ({"text": "L" * 300}, None),
        ({"text": "44-35 cm"}, None),
    ],
)
def test_a_cuff_is_what_its_code_or_its_words_say(value: Resource, cuff: Cuff | None) -> None:
    """No reading is refused for its cuff."""
    component = {"code": concept(LOINC, "8358-4"), "valueCodeableConcept": value}
    (sitting,) = read(panel(component=[*pressures(142, 91), component])).sittings
    assert sitting.cuff == cuff


def test_mdc_codes_and_codes_of_a_position_are_understood() -> None:
    coded = panel(
        code=concept(MDC, "150020"),
        component=[pressure("8459-0", 142), pressure("8453-3", 88), pressure("149546", 61, "/min", MDC)],
    )
    reading = only(coded).reading
    assert (reading.systolic_mmhg, reading.diastolic_mmhg, reading.pulse_per_min) == (142, 88, 61)
    assert reading.position == "sitting"
    lying = {"url": BODY_POSITION_EXTENSION, "valueCodeableConcept": concept(SNOMED, "40199007")}
    assert only(panel(extension=[lying])).reading.position == "supine"
    assert refused({**coded, "extension": [lying]}) == [("/extension", "contradiction")]


def test_single_pressures_and_other_panels_are_refused_and_not_left_aside() -> None:
    single = panel(
        code=concept(LOINC, "8480-6"), component=None, valueQuantity={"value": 142, "system": UCUM, "code": "mm[Hg]"}
    )
    assert refused(single) == [("/code", "not-a-panel")]
    assert refused(panel(code=concept("urn:example:codes", "bp"))) == [("/code", "not-a-panel")]


def test_a_value_made_of_readings_is_no_reading() -> None:
    mean = panel(id="mean", derivedFrom=[{"reference": "Observation/one"}], identifier=[{"system": "urn:x", "value": "m"}])
    intended = read(bundle(panel(id="one"), mean))
    assert [len(sitting.readings) for sitting in intended.sittings] == [1]
    assert [(part.place, part.code) for part in intended.refused] == [("/entry/1/resource/derivedFrom", "not-a-reading")]
    day = {"effectiveDateTime": None, "effectivePeriod": {"start": "2026-05-04T00:00:00Z", "end": "2026-05-05T00:00:00Z"}}
    assert refused(panel(**day)) == [("/effectivePeriod", "not-a-reading")]
    minute = {"start": "2026-05-04T09:00:00+02:00", "end": "2026-05-04T09:00:40+02:00"}
    assert only(panel(effectiveDateTime=None, effectivePeriod=minute)).reading.taken_at.second == 40


@pytest.mark.parametrize(
    ("status", "act", "noted"),
    [
        ("final", "add", ()),
        ("preliminary", "add", ("not-verified",)),
        ("unknown", "add", ("not-verified",)),
        ("amended", "correct", ()),
        ("corrected", "correct", ()),
        ("entered-in-error", "retract", ()),
    ],
)
def test_the_status_says_what_is_done(status: str, act: str, noted: tuple[str, ...]) -> None:
    keyed = only(panel(status=status))
    assert (keyed.act, keyed.notes) == (act, noted)
    assert keyed.source_key == only(panel()).source_key


def test_what_was_taken_back_needs_no_values_but_a_key() -> None:
    bare = panel(status="entered-in-error", component=None, effectiveDateTime=None)
    assert only(bare).act == "retract"
    assert only(panel(status="entered-in-error", identifier=None)).source_key == only(panel(identifier=None)).source_key
    assert refused(panel(status="corrected", identifier=None)) == [("/identifier", "missing")]
    assert refused(panel(status="registered")) == [("/status", "unknown-code")]
    test = {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]}
    assert refused(panel(meta=test)) == [("/meta/security/0", "test-data")]


def test_pulses_join_by_link_or_by_person_device_and_time() -> None:
    by_time = read(bundle(panel(), pulse(71)))
    assert by_time.sittings[0].readings[0].reading.pulse_per_min == 71
    linked = pulse(73, effectiveDateTime="2026-05-04T09:03:00+02:00", derivedFrom=[{"reference": "Observation/one"}])
    assert read(bundle(panel(id="one"), linked)).sittings[0].readings[0].reading.pulse_per_min == 73
    member = panel(hasMember=[{"reference": "Observation/p"}])
    later = pulse(74, id="p", effectiveDateTime="2026-05-04T09:03:00+02:00")
    assert read(bundle(member, later)).sittings[0].readings[0].reading.pulse_per_min == 74


@pytest.mark.parametrize(
    "stranger",
    [
        pulse(effectiveDateTime="2026-05-04T09:00:01+02:00"),
        pulse(subject={"identifier": {"system": "urn:example:mrn", "value": "p-0002"}}),
        pulse(device={"identifier": {"system": "urn:example:device", "value": "oximeter"}}),
        pulse(status="entered-in-error"),
    ],
)
def test_a_pulse_of_another_measurement_is_left_aside(stranger: Resource) -> None:
    intended = read(bundle(panel(), stranger))
    assert intended.refused == [] and intended.sittings[0].readings[0].reading.pulse_per_min is None


def test_a_pulse_that_contradicts_or_cannot_be_read_is_refused_and_the_reading_goes_on() -> None:
    faulty = {"value": 72, "system": UCUM, "code": "bpm"}
    intended = read(bundle(panel(), pulse(71), pulse(79), pulse(valueQuantity=faulty)))
    assert intended.sittings[0].readings[0].reading.pulse_per_min == 71
    assert [(part.place, part.code) for part in intended.refused] == [
        ("/entry/2/resource/valueQuantity/value", "contradiction"),
        ("/entry/3/resource/valueQuantity/code", "unknown-unit"),
    ]


def test_people_are_known_by_an_identifier_only() -> None:
    patient = {"resourceType": "Patient", "id": "p9", "identifier": [{"system": "urn:old", "value": "1", "use": "old"}]}
    nobody = bundle(patient, panel(subject={"reference": "Patient/p9"}))
    assert refused(nobody) == [("/entry/0/resource/identifier", "not-identified")]
    assert refused(panel(subject={"reference": "Patient/somebody"})) == [("/subject", "not-identified")]
    assert refused(panel(subject=None)) == [("/subject", "not-identified")]
    assert refused(bundle(panel(subject={"display": "no name"}))) == [("/entry/0/resource/subject", "not-identified")]
    payload = read_payload(json.dumps(panel(subject={"reference": "https://bp.example.org/fhir/R4/Patient/p1"})).encode())
    assert patients_named(payload) == {"p1"}
    assert intend(payload, KNOWN).sittings[0].subject.identifier == KNOWN["p1"]


def test_readings_are_grouped_by_person_and_device_and_observers_stay() -> None:
    other = {"identifier": {"system": "urn:example:device", "value": "SN-0008"}}
    nurse = [{"identifier": {"system": "urn:example:staff", "value": "n-17"}}]
    intended = read(
        bundle(
            panel(),
            panel(identifier=[{"system": "urn:x", "value": "2"}], performer=nurse),
            panel(identifier=[{"system": "urn:x", "value": "3"}], device=other, performer=nurse),
        )
    )
    first, second = intended.sittings
    assert [len(sitting.readings) for sitting in intended.sittings] == [2, 1]
    assert first.observer is None and [one.reading.observer is None for one in first.readings] == [True, False]
    assert second.observer == Identifier(system="urn:example:staff", value="n-17")


def test_the_newest_of_a_history_is_the_last_word() -> None:
    corrected = panel(status="corrected", component=pressures(139, 88))
    history = {**bundle(corrected, panel()), "type": "history"}
    (sitting,) = read(history).sittings
    assert [keyed.act for keyed in sitting.readings] == ["add", "correct"]


def test_unknown_extensions_do_not_matter_and_modifiers_do() -> None:
    assert only(panel(extension=[{"url": "urn:example:mood", "valueString": "calm"}])).reading == only(panel()).reading
    assert refused(panel(modifierExtension=[{"url": "urn:example:not", "valueBoolean": True}])) == [
        ("/modifierExtension", "not-supported")
    ]
    assert refused(panel(implicitRules="urn:example:rules")) == [("/implicitRules", "not-supported")]


def test_entries_that_say_something_else_are_refused_or_left_aside() -> None:
    weight = panel(code=concept(LOINC, "29463-7"), component=None)
    gone = {"request": {"method": "DELETE", "url": "Observation/1"}}
    whole = bundle(panel(), weight, {"resourceType": "Organization"}, bundle(panel()))
    whole["entry"] += [gone, {"resource": 5}, 7, {}]
    assert refused(whole) == [
        ("/entry/3/resource", "not-supported"),
        ("/entry/4/request/method", "not-supported"),
        ("/entry/5/resource", "wrong-type"),
        ("/entry/6/resource", "wrong-type"),
    ]


@pytest.mark.parametrize(
    ("body", "pointer", "code"),
    [
        (b'{"resourceType": "\xff"}', "", "not-utf-8"),
        (b"<Observation/>", "", "not-json"),
        (b"[]", "/resourceType", "unknown-code"),
        (b'{"resourceType": "Patient"}', "/resourceType", "unknown-code"),
        (b'{"resourceType": "Bundle"}', "/entry", "missing"),
        (b'{"resourceType": "Bundle", "entry": []}', "/entry", "too-few"),
        (json.dumps(pulse()).encode(), "", "no-reading"),
    ],
)
def test_a_payload_without_any_blood_pressure_says_so(body: bytes, pointer: str, code: str) -> None:
    with pytest.raises((NotReadable, NotAcceptable)) as refusal:
        intend(read_payload(body), {})
    error = refusal.value
    (fault,) = error.faults if isinstance(error, NotAcceptable) else [error.fault]
    assert (fault.pointer, fault.code) == (pointer, code)


def test_a_reading_of_ours_tells_its_place() -> None:
    own = "019df237-3e80-7cda-ae6c-acc0e2b83dda"
    identifier = [{"system": "https://bp.example.org/id/observation", "value": f"{own}/r12"}]
    assert only(panel(identifier=identifier)).own == OwnPlace(set_id=own, reading=12)
    assert only(panel()).own is None


def test_every_code_and_word_that_leaves_the_service_is_understood_when_it_comes_back() -> None:
    def code_of(given: Any) -> tuple[str, str]:
        return given.coding[0].system, given.coding[0].code

    assert code_of(export_codes.BP_PANEL) in codes.PANELS
    assert code_of(export_codes.MEAN_PANEL) in codes.AVERAGES
    assert {code_of(one) for one in (export_codes.MEAN_SYSTOLIC, export_codes.MEAN_DIASTOLIC)} <= codes.AVERAGES
    assert code_of(export_codes.HEART_RATE) in codes.PULSES
    assert code_of(export_codes.DEVICE_STATUS) in codes.DEVICE_STATUS
    parts = (export_codes.SYSTOLIC, export_codes.DIASTOLIC, export_codes.MEAN_ARTERIAL)
    assert [codes.COMPONENTS[code_of(part)] for part in parts] == ["systolic", "diastolic", "mean"]
    for leaving, coming in (
        (export_codes.BODY_SITE, codes.BODY_SITES),
        (export_codes.BODY_POSITION, codes.POSITIONS),
        (export_codes.METHOD, codes.METHODS),
    ):
        assert {name: coming[code_of(given)] for name, given in leaving.items()} == {name: name for name in leaving}
    for flag, given in export_codes.DEVICE_FLAG.items():
        assert (codes.FLAGS[code_of(given)] if given.coding else codes.FLAG_WORDS[given.text or ""]) == flag
    assert {word: text for text, word in codes.KIND_WORDS.items()} == device.KIND_TEXT
    assert {word: text for text, word in codes.DEVICE_SITE_WORDS.items()} == device.SITE_TEXT
    assert {word: text for text, word in codes.VALIDATED_WORDS.items()} == device.VALIDATED_TEXT
    assert {word: text for text, word in codes.SETTING_WORDS.items()} == notes.SETTING
    assert codes.IRREGULAR_WORDS == notes.IRREGULAR


DAMAGE: list[Any] = [
    *(None, True, 0, -1, 1e300, 10**400, 1.5, "", "x" * 300, "\u0000", [], {}, [[]], [None], [{}], {"a": 1}, "#", "#device"),
    *("2026-13-01", "9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+14:00", "Patient/1", "kPa", {"reference": "#x"}),
    *({"coding": [None]}, {"coding": {}}, {"system": "a b", "value": "c"}),
]


def spots_of(value: Any) -> list[tuple[Any, Any]]:
    """Every place in a JSON value, as its holder and key."""
    items = list(value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else [])
    return [(value, key) for key, _ in items] + [spot for _, item in items for spot in spots_of(item)]


def damaged(rng: random.Random, resource: Resource) -> Resource:
    made: Resource = copy.deepcopy(resource)
    for _ in range(rng.randint(1, 3)):
        holder, key = rng.choice(spots_of(made) or [(made, "resourceType")])
        if rng.random() < 0.75:
            holder[key] = copy.deepcopy(rng.choice(DAMAGE))
        elif key in holder or isinstance(holder, list):
            del holder[key]
    return made


def test_damaged_resources_are_read_or_refused_and_never_break_the_reader() -> None:
    rng, outcomes = random.Random(20260504), {"read": 0, "refused": 0, "nothing": 0}
    sources = [*EXAMPLES.values(), panel(), bundle(panel(), pulse())]
    for _ in range(1_000):
        try:
            intended = read(damaged(rng, rng.choice(sources)))
        except (NotReadable, NotAcceptable):
            outcomes["nothing"] += 1
        else:
            assert intended.sittings or intended.refused
            assert all(sitting.readings for sitting in intended.sittings)
            outcomes["read" if intended.sittings else "refused"] += 1
    assert min(outcomes.values()) > 20, outcomes
