"""From search parameters to a query: what is understood, what is passed over, what is refused."""

from __future__ import annotations

import base64
from datetime import UTC, datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.fhir.search.date_values import Clock, parse_date
from quietcuff.fhir.search.parameter import OWN
from quietcuff.fhir.search.request import Search, cursor_of, page_end, parse_search
from quietcuff.fhir.search.types import SEARCHED
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.rows.tenants import Tenant, TenantSettings
from quietcuff.storage.search.query import EntryPageEnd, ObservationKey, Pointer, PointerTest, ValueTest

FHIR_URL = "https://bp.example.org/fhir/R4"
NOW = datetime(2026, 6, 1, 8, tzinfo=UTC)
CLOCK = Clock(ZoneInfo("Europe/Berlin"), NOW)
PERSON = "cda41017-1d9a-8818-bb1a-da6d8d866445"
SITTING = "019df237-3e80-7cda-ae6c-acc0e2b83dda"


PUBLISHER = Publisher(tenant=Tenant(1, "clinic", bytes(32), TenantSettings()), public_url="https://bp.example.org")


def ask(*items: tuple[str, str], is_strict: bool = False) -> Search:
    asking = SEARCHED["Observation"].asking
    return parse_search(asking, items, publisher=PUBLISHER, clock=CLOCK, is_strict=is_strict)


def refusals(*items: tuple[str, str], is_strict: bool = False) -> list[tuple[str | None, str]]:
    with pytest.raises(NotAcceptable) as refusal:
        ask(*items, is_strict=is_strict)
    return [(fault.parameter, fault.code) for fault in refusal.value.faults]


@pytest.mark.parametrize("name", ["patient", "subject"])
@pytest.mark.parametrize("reference", [PERSON, f"Patient/{PERSON}", f"{FHIR_URL}/Patient/{PERSON}"])
def test_a_person_by_every_form_of_reference(name: str, reference: str) -> None:
    assert ask((name, reference)).query.subject_ids == {PERSON}


@pytest.mark.parametrize("reference", ["p1", f"Device/{PERSON}", f"https://other.example.org/Patient/{PERSON}", "x" * 999])
def test_a_person_that_cannot_be_one_of_ours_finds_nothing_rather_than_everybody(reference: str) -> None:
    assert ask(("patient", reference)).query.subject_ids == frozenset()


def test_a_repeated_parameter_narrows_and_a_comma_widens() -> None:
    other = PERSON.replace("c", "d")
    assert ask(("patient", f"{PERSON},{other}")).query.subject_ids == {PERSON, other}
    assert ask(("patient", f"{PERSON},{other}"), ("subject", PERSON)).query.subject_ids == {PERSON}
    assert ask(("code", "85354-9,8867-4"), ("code", "8867-4")).query.kinds == {"pulse"}


@pytest.mark.parametrize(
    ("token", "kinds"),
    [
        ("85354-9", {"reading"}),
        ("http://loinc.org|85354-9", {"reading"}),
        ("http://loinc.org|", {"reading", "pulse", "mean"}),
        ("8867-4", {"pulse"}),
        ("96607-7", {"mean"}),
        ("urn:iso:std:iso:11073:10101|8410608", {"flags"}),
        ("http://loinc.org|8867-4,96607-7", {"pulse", "mean"}),
        ("8480-6", set()),
        ("|85354-9", set()),
        ("http://snomed.info/sct|85354-9", set()),
    ],
)
def test_codes_with_and_without_system(token: str, kinds: set[str]) -> None:
    assert ask(("code", token)).query.kinds == kinds


def test_categories() -> None:
    system = "http://terminology.hl7.org/CodeSystem/observation-category"
    assert ask(("category", "vital-signs")).query.kinds == {"reading", "pulse", "mean"}
    assert ask(("category", f"{system}|vital-signs,laboratory")).query.kinds == {"reading", "pulse", "mean"}
    assert ask(("category", "laboratory")).query.kinds == set()


def test_status_and_id() -> None:
    assert ask(("status", "final,http://hl7.org/fhir/observation-status|amended")).query.statuses == {"final", "amended"}
    assert ask(("status", "done")).query.statuses == frozenset()
    found = ask(("_id", f"{SITTING}-r0,{SITTING}-mean,{SITTING}-f12,{SITTING},x,{SITTING}-r00")).query.keys
    assert found == {
        ObservationKey(SITTING, "reading", 0),
        ObservationKey(SITTING, "mean", 0),
        ObservationKey(SITTING, "flags", 12),
    }


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("2026", "2025-12-31T23:00:00Z", "2026-12-31T23:00:00Z"),
        ("2026-05", "2026-04-30T22:00:00Z", "2026-05-31T22:00:00Z"),
        ("2026-12", "2026-11-30T23:00:00Z", "2026-12-31T23:00:00Z"),
        ("2026-05-04", "2026-05-03T22:00:00Z", "2026-05-04T22:00:00Z"),
        ("2026-03-29", "2026-03-28T23:00:00Z", "2026-03-29T22:00:00Z"),
        ("2026-05-04T09:00", "2026-05-04T07:00:00Z", "2026-05-04T07:01:00Z"),
        ("2026-05-04T09:00Z", "2026-05-04T09:00:00Z", "2026-05-04T09:01:00Z"),
        ("2026-05-04T09:00:05+02:00", "2026-05-04T07:00:05Z", "2026-05-04T07:00:06Z"),
        ("2026-05-04T09:00:05 02:00", "2026-05-04T07:00:05Z", "2026-05-04T07:00:06Z"),
        ("2026-05-04T09:00:05.12-14:00", "2026-05-04T23:00:05.12Z", "2026-05-04T23:00:05.13Z"),
    ],
)
def test_dates_of_every_precision_in_the_tenant_s_zone(text: str, low: str, high: str) -> None:
    found = parse_date(text, "date", CLOCK)
    assert (found.prefix, found.low, found.high) == ("eq", datetime.fromisoformat(low), datetime.fromisoformat(high))


def test_approximately_is_a_tenth_of_the_way_from_now() -> None:
    found = parse_date("ap2026-05-22T08:00:00Z", "date", CLOCK)
    assert (found.low, found.high) == (NOW - timedelta(days=11), NOW - timedelta(days=9, seconds=-1))


@pytest.mark.parametrize(
    "text",
    ["", "5", "2026-13", "2026-02-30", "2026-05-04T25:00", "2026-05-04T09", "2026-05-04T09:00:61Z", "yesterday", "ge"]
    + ["xx2026", "2026-05-04T09:00:00+14:01", "2026-05-04T09:00:00+02:60", "0000", "9999", "2026-05-04 09:00", "２０２６"],
)
def test_what_is_not_a_date_is_refused(text: str) -> None:
    expected = "empty" if not text else "not-a-date"
    assert refusals(("date", text)) == [("date", expected)]


@given(st.text(max_size=40))
def test_no_date_breaks_the_parser(text: str) -> None:
    try:
        found = parse_date(text, "date", CLOCK)
    except NotAcceptable:
        return
    assert found.low < found.high


def test_every_fault_is_told_at_once() -> None:
    asked = [("date", "x"), ("_count", "-1"), ("_sort", "code"), ("patient", ""), ("code:in", "1"), ("_summary", "short")]
    assert refusals(
        *asked, ("patient.name", "v"), ("_total", "some"), ("_cursor", "??"), ("_include:iterate", "x"), ("_count", "3")
    ) == [
        ("date", "not-a-date"),
        ("_count", "not-a-count"),
        ("_sort", "not-supported"),
        ("patient", "empty"),
        ("code:in", "modifier-not-supported"),
        ("_summary", "not-supported"),
        ("patient.name", "modifier-not-supported"),
        ("_total", "not-supported"),
        ("_cursor", "bad-cursor"),
        ("_include:iterate", "not-supported"),
        ("_count", "repeated-parameter"),
    ]


def test_an_unknown_parameter_is_left_out_or_refused_as_the_client_prefers() -> None:
    lenient = ask(("patient", PERSON), ("shoe-size", "44"), ("_format", "json"))
    assert lenient.understood == (("patient", PERSON),)
    assert refusals(("patient", PERSON), ("shoe-size", "44"), ("_format", "json"), is_strict=True) == [
        ("shoe-size", "parameter-not-supported")
    ]


def test_count_total_and_order() -> None:
    assert ask().query.limit == 50
    assert ask(("_count", "7")).query.limit == 7
    capped = ask(("_count", "100000"))
    assert (capped.query.limit, capped.understood) == (200, (("_count", "200"),))
    assert ask(("_count", "0")).only_total
    assert ask(("_summary", "count")).only_total
    assert not ask(("_summary", "false")).only_total
    assert ask(("_total", "none")).wants_total is False
    assert ask(("_total", "accurate")).wants_total is True
    assert ask().query.order == "-date"
    assert ask(("_lastUpdated", "ge2026")).query.order == "updated"
    assert ask(("_lastUpdated", "ge2026"), ("patient", PERSON)).query.order == "-date"
    assert ask(("patient", PERSON)).query.order == "-date"
    assert ask(("patient", PERSON), ("_sort", "date")).query.order == "date"
    assert ask(("_sort", "-date")).query.order == "-date"


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("8480-6$140", 13_950, 14_050),
        ("8480-6$140.0", 13_995, 14_005),
        ("8480-6$1.4e2", 13_500, 14_500),
        ("8480-6$gt140", 14_001, 2_000_000_000),
        ("8480-6$ge140", 14_000, 2_000_000_000),
        ("8480-6$ge140.005", 14_001, 2_000_000_000),
        ("8480-6$lt140", -2_000_000_000, 14_000),
        ("8480-6$le140", -2_000_000_000, 14_001),
        ("8480-6$ap140", 12_600, 15_401),
        ("http://loinc.org|8480-6$ge140|http://unitsofmeasure.org|mm[Hg]", 14_000, 2_000_000_000),
        ("8480-6$ge140||mmHg", 14_000, 2_000_000_000),
        # 18.7 kPa / 0.133322387415 = 140.261 mm[Hg]. Source: ISO 80000-4, 1 mmHg is 133.322387415 Pa.
        ("8480-6$ge18.7|http://unitsofmeasure.org|kPa", 14_027, 2_000_000_000),
    ],
)
def test_a_systolic_value_in_hundredths(text: str, low: int, high: int) -> None:
    ((test,),) = ask(("component-code-value-quantity", text)).query.values
    assert test == ValueTest(kind="reading", column="systolic", operator="within", low=low, high=high)


def test_a_value_in_a_unit_of_something_else_finds_nothing() -> None:
    for unit in ("mg", "cm", "mmHg"):
        assert ask(("combo-code-value-quantity", f"8480-6$140|http://unitsofmeasure.org|{unit}")).query.kinds == set()


@pytest.mark.parametrize(
    "text", ["8480-6", "140", "8480-6$", "8480-6$high", "8480-6$140$1", "8480-6$140|mm[Hg]", "$", "8480-6$1e999"]
)
def test_what_is_no_code_with_a_value_is_refused(text: str) -> None:
    assert refusals(("combo-code-value-quantity", text))[0][1] in ("not-a-pair", "not-a-quantity")


@given(st.text(alphabet="gelt0123456789.eE+-|$\\,mHg[]", max_size=30))
def test_no_quantity_breaks_the_parser(text: str) -> None:
    for name in ("combo-code-value-quantity", "value-quantity"):
        try:
            ask((name, text))
        except NotAcceptable:
            continue


def test_escaped_separators_belong_to_the_value() -> None:
    asked = ask(("based-on:identifier", r"urn:example:order|a\|b\,c\$d\\e,urn:example:order|2"))
    pairs = frozenset(("urn:example:order|a|b,c$d\\e", "urn:example:order|2"))
    assert asked.query.pointers == (PointerTest(pointer="based_on", pairs=pairs),)


@pytest.mark.parametrize(
    ("name", "pointer"), [("based-on", "based_on"), ("encounter", "encounter"), ("performer", "performer")]
)
def test_what_is_pointed_to_is_found_by_every_form_of_its_identifier(name: str, pointer: Pointer) -> None:
    (test,) = ask((f"{name}:identifier", r"urn:a|1,2,urn:b|,a\|b,urn:a|c\|d")).query.pointers
    assert test == PointerTest(
        pointer=pointer,
        pairs=frozenset(("urn:a|1", "urn:a|c|d")),
        values=frozenset(("2", "a|b")),
        systems=frozenset(("urn:b",)),
    )
    assert ask((name, "Thing/1")).query.pointers == (PointerTest(pointer=pointer),)
    assert ask((f"{name}:identifier", "|1")).query.pointers == (PointerTest(pointer=pointer),)
    assert ask((f"{name}:identifier", "urn:a|\0")).query.pointers == (PointerTest(pointer=pointer),)
    assert ask((f"{name}:missing", "true")).query.pointers == (PointerTest(pointer=pointer, is_missing=True),)
    assert refusals((f"{name}:identifier", "|")) == [(f"{name}:identifier", "value-missing")]


def test_whether_an_element_is_there_is_asked_of_everything_but_composites() -> None:
    for parameter in SEARCHED["Observation"].asking.parameters:
        name, value = f"{parameter.name}:missing", "true"
        # Parameters of our own are asked by what they are, not by whether they are there: that is refused and not ignored.
        if parameter.definition in (None, OWN) or parameter.type == "composite":
            assert refusals((name, value)) == [(name, "modifier-not-supported")]
        else:
            assert ask((name, value)).understood == ((name, value),)
            assert refusals((name, "yes")) == [(name, "not-supported")]
    assert ask(("date:missing", "true")).query.keys == frozenset()
    assert ask(("date:missing", "false")).query == ask().query


def test_none_of_these_codes() -> None:
    assert ask(("code:not", "85354-9,8867-4")).query.kinds == {"flags", "mean"}
    assert ask(("code:not", "8480-6")).query.kinds == ask().query.kinds
    ((*others, mean),) = ask(("code:not", "97844-5")).query.values
    assert mean == ValueTest(kind="mean", column="hours_24_systolic", operator="absent")
    assert {test.kind for test in others} == {"reading", "pulse", "flags"}


def test_a_way_of_measuring() -> None:
    reading, mean = ask(("method", "http://snomed.info/sct|37931006")).query.values[0]
    assert reading == ValueTest(kind="reading", column="method", operator="within", low=1, high=2)
    assert mean == ValueTest(kind="mean", column="mean_method", operator="within", low=1, high=2)
    assert ask(("method", "palpation")).query.kinds == set()


def test_an_order_that_only_parts_equals_is_passed_over_and_left_out_of_the_self_link() -> None:
    asked = ask(("_sort", "-_lastUpdated,_id"))
    assert (asked.query.order, asked.understood) == ("-updated", (("_sort", "-_lastUpdated"),))
    any_steady = ask(("_sort", "_id"), ("_lastUpdated", "gt2026"))
    assert (any_steady.query.order, any_steady.understood) == ("updated", (("_lastUpdated", "gt2026"),))
    for value in ("_id", "date,_id", "date,", ",date", "date,a b", "code", "-date,,"):
        assert refusals(("_sort", value), is_strict=True) == [("_sort", "not-supported")]
    for value in ("date,", ",date", "date,a b", "code", "-date,,", ""):
        assert refusals(("_sort", value)) == [("_sort", "not-supported")]


@pytest.mark.parametrize(
    ("name", "value", "other"), [("_count", "3", "4"), ("_sort", "date", "-date"), ("_total", "none", "accurate")]
)
def test_what_can_be_said_once_is_not_said_in_two_ways(name: str, value: str, other: str) -> None:
    assert ask((name, value), (name, value)).understood == ((name, value),)
    assert refusals((name, value), (name, other)) == [(name, "repeated-parameter")]


def test_the_type_of_a_reference_may_be_named() -> None:
    reading = f"{SITTING}-r0"
    assert ask(("subject:Patient", PERSON)).query == ask(("subject", PERSON)).query
    assert ask(("device:Device", PERSON)).query == ask(("device", PERSON)).query
    for name in ("device:Patient", "subject:Device", "derived-from:Patient"):
        assert refusals((name, reading)) == [(name, "modifier-not-supported")]


def test_not_finds_what_is_in_none_of_the_states_or_categories() -> None:
    asked = ask(("status:not", "entered-in-error,preliminary"))
    assert asked.query.statuses == {"final", "amended", "corrected"}
    assert ask(("status:not", "final"), ("status", "final,amended")).query.statuses == {"amended"}
    assert ask(("category:not", "vital-signs")).query.kinds == {"flags"}
    assert ask(("category:not", "laboratory")).query.kinds == ask().query.kinds


def test_a_star_brings_everything_along_and_iterate_what_belongs_to_it() -> None:
    everything = SEARCHED["Observation"].asking.includes
    for value in ("*", "Observation:*"):
        assert ask(("_include", value)).includes == everything
        assert ask(("_include:iterate", value)).iterated == everything
    assert ask(("_revinclude", "*")).includes == ("Provenance:target",)
    assert ask(("_revinclude:iterate", "Provenance:target")).iterated == ("Provenance:target",)
    assert refusals(("_include", "Provenance:*")) == [("_include", "not-supported")]
    assert refusals(("_include:recurse", "*")) == [("_include:recurse", "modifier-not-supported")]


def test_elements_and_what_comes_along() -> None:
    assert ask(("_elements", "code,Observation.subject")).elements == {"code", "subject"}
    assert ask(("_include", "Observation:patient"), ("_include", "Observation:device:Device")).includes == (
        "Observation:patient",
        "Observation:device",
    )
    assert ask(("_revinclude", "Provenance:target")).includes == ("Provenance:target",)
    assert refusals(("_include", "Observation:performer")) == [("_include", "not-supported")]
    assert refusals(("_include", "Observation:patient:Device")) == [("_include", "not-supported")]
    assert refusals(("_include", "*x"), ("_elements", "a b")) == [
        ("_include", "not-supported"),
        ("_elements", "not-an-element"),
    ]


def test_too_many_alternatives_or_parameters_are_refused() -> None:
    assert refusals(("code", ",".join(["1"] * 201))) == [("code", "too-many")]
    assert ("code", "too-many") in refusals(*[("code", "1")] * 500)


def test_a_cursor_comes_back_as_it_was() -> None:
    end = EntryPageEnd(datetime(2026, 5, 4, 7, 0, 0, 120_000, tzinfo=UTC), UUID(SITTING), 9)
    assert page_end(cursor_of(end)) == end


@given(st.text(max_size=60) | st.binary(max_size=40).map(lambda raw: base64.urlsafe_b64encode(raw).decode()))
def test_no_cursor_breaks_the_parser(text: str) -> None:
    try:
        end = page_end(text)
    except NotAcceptable:
        return
    assert 0 <= end.place <= 32_767
