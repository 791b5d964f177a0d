"""Our own JSON: what is accepted, and every fault of what is not."""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bodies import APPEND, CORRECTION, DEVICE, OPENED_SET, RICH_SET, SUBJECT, changed, json_values, mutated
from quietcuff.core.model.changes import AmendReading, Append, Correction, SubjectChange
from quietcuff.core.model.errors import NotAcceptable, NotReadable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.decode.faults import place
from quietcuff.decode.own_json import read, read_known


def read_set(body: Any) -> ReadingSet:
    return read(msgspec.json.encode(body), ReadingSet)


def faults_of(body: Any) -> list[tuple[str | None, str]]:
    with pytest.raises(NotAcceptable) as caught:
        read_set(body)
    return [(fault.pointer, fault.code) for fault in caught.value.faults]


def code_of(raw: bytes) -> str:
    with pytest.raises(NotReadable) as caught:
        read(raw, ReadingSet)
    return caught.value.fault.code


@pytest.mark.parametrize("body", [OPENED_SET, RICH_SET])
def test_a_good_body_is_read(body: dict[str, Any]) -> None:
    assert len(read_set(body).readings) == len(body["readings"])


@pytest.mark.parametrize("pressure", [142, 142.0, 142.5, 142.25, 0, 400])
def test_a_pressure_may_carry_a_point_and_two_decimals(pressure: float) -> None:
    kept = read_set(changed(OPENED_SET, "/readings/0/systolic_mmhg", pressure)).readings[0].systolic_mmhg
    assert msgspec.json.encode(kept) == msgspec.json.encode(int(pressure) if pressure == int(pressure) else pressure)


@pytest.mark.parametrize(
    "pointer",
    ["/identifier", "/context", "/closed", "/setting", "/context/talking", "/readings/0/site", "/subject/sex", "/cuff"],
)
def test_null_is_the_same_as_left_out(pointer: str) -> None:
    assert read_set(changed(OPENED_SET, pointer, None)) == read_set(changed(OPENED_SET, pointer, ...))


@pytest.mark.parametrize("value", [..., None, 5.0])
def test_what_was_read_before_is_read_the_same_again(value: Any) -> None:
    raw = msgspec.json.encode(changed(RICH_SET, "/context/rest_minutes", value))
    assert read_known(raw, ReadingSet) == read(raw, ReadingSet)


@pytest.mark.parametrize("offset", ["Z", "z", "-00:00", "+14:00", "-14:00", "+05:45"])
def test_an_offset_within_fourteen_hours_is_read(offset: str) -> None:
    assert read_set(changed(OPENED_SET, "/readings/0/taken_at", f"2026-05-04T09:00:00{offset}")).readings[0].taken_at


@pytest.mark.parametrize("birth_date", ["1958", "1958-02", "1958-02-28", "2000-02-29"])
def test_a_birth_date_may_be_as_vague_as_it_is_known(birth_date: str) -> None:
    assert read_set(changed(OPENED_SET, "/subject/birth_date", birth_date)).subject.birth_date == birth_date


def test_a_whole_number_may_carry_a_point_where_things_are_counted() -> None:
    average = read_set(changed(RICH_SET, "/device_average/readings", 3.0)).device_average
    assert average is not None and average.readings == 3


def test_a_reading_without_pressures_is_a_failed_attempt() -> None:
    body = changed(changed(OPENED_SET, "/readings/0/systolic_mmhg", None), "/readings/0/diastolic_mmhg", ...)
    assert read_set(body).readings[0].systolic_mmhg is None


@pytest.mark.parametrize(
    ("pointer", "value", "code"),
    [
        ("/colour", "red", "unknown-field"),
        ("/a~b", 1, "unknown-field"),
        ("/subject", ..., "missing"),
        ("/subject", None, "missing"),
        ("/subject/identifier/value", ..., "missing"),
        ("/subject", [], "wrong-type"),
        ("/readings", {}, "wrong-type"),
        ("/guidelines", [], "too-few"),
        ("/readings", [OPENED_SET["readings"][0]] * 301, "too-many"),
        ("/readings/0", None, "wrong-type"),
        ("/guidelines", ["g"] * 11, "too-many"),
        ("/guidelines/0", "", "too-short"),
        ("/guidelines/0", "g" * 256, "too-long"),
        ("/guidelines/0", "a\u0000b", "unfit-characters"),
        ("/guidelines/0", "line\n", "unfit-characters"),
        ("/identifier/system", "urn:a b", "unfit-characters"),
        ("/identifier/system", "urn:a|b", "unfit-characters"),
        ("/setting", "street", "unknown-code"),
        ("/setting", 7, "wrong-type"),
        ("/closed", "yes", "wrong-type"),
        ("/readings/0/systolic_mmhg", 401, "out-of-range"),
        ("/readings/0/systolic_mmhg", -1, "out-of-range"),
        ("/readings/0/systolic_mmhg", 10**400, "out-of-range"),
        ("/readings/0/systolic_mmhg", "142", "wrong-type"),
        ("/readings/0/systolic_mmhg", True, "wrong-type"),
        ("/readings/0/systolic_mmhg", 142.123, "too-many-decimals"),
        ("/readings/0/taken_at", "2026-05-04T09:00:00", "zone-missing"),
        ("/readings/0/taken_at", "2026-05-04T09:00+02:00", "not-a-time"),
        ("/readings/0/taken_at", "2026-05-04T09:00:60Z", "not-a-time"),
        ("/readings/0/taken_at", "2026-05-04T09:00:00+14:01", "out-of-range"),
        ("/readings/0/taken_at", "9999-12-31T23:59:59Z", "out-of-range"),
        ("/readings/0/taken_at", "0001-01-01T00:00:00+01:00", "out-of-range"),
        ("/readings/0/taken_at", 1777878000, "wrong-type"),
        ("/subject/birth_date", "1971-02-30", "not-a-date"),
        ("/subject/birth_date", "71", "not-a-date"),
        ("/subject/birth_date", 1971, "wrong-type"),
        ("/subject/delivered_on", "2026-02-30", "not-a-date"),
        ("/subject/delivered_on", "9999-12-31", "out-of-range"),
        ("/subject/arm_circumference_cm", 0, "out-of-range"),
        ("/subject/arm_restrictions/0/until", "yesterday", "not-a-date"),
        ("/cuff/range_cm", [34, 27], "wrong-order"),
        ("/cuff/range_cm", [27], "too-few"),
        ("/cuff/range_cm", [27, 34, 40], "too-many"),
        ("/device_average/readings", 2.5, "wrong-type"),
        ("/device_average/systolic_mmhg", 141.555, "too-many-decimals"),
        ("/history/pairs/0/day", "0001-01-01", "out-of-range"),
        ("/history/sittings/0/taken_from", "9999-01-01T00:00:00Z", "out-of-range"),
    ],
)
def test_a_fault_is_named_at_its_own_place(pointer: str, value: Any, code: str) -> None:
    body = changed(RICH_SET, pointer, value)
    assert faults_of(body) == [(pointer.replace("~", "~0"), code)]


@pytest.mark.parametrize(
    ("pointer", "value", "code"),
    [
        ("/changes/0/change", "rub-out", "unknown-code"),
        ("/changes/0/change", ..., "missing"),
        ("/changes/0", [], "wrong-type"),
        ("/changes/0/index", 300, "out-of-range"),
        ("/changes/0/index", -1, "out-of-range"),
        ("/changes/1/set", {}, "unknown-field"),
        ("/changes/0/set/systolic_mmhg", 164.123, "too-many-decimals"),
        ("/changes", [], "too-few"),
        ("/reason", None, "missing"),
    ],
)
def test_a_fault_of_a_correction_is_named_at_its_own_place(pointer: str, value: Any, code: str) -> None:
    with pytest.raises(NotAcceptable) as caught:
        read(msgspec.json.encode(changed(CORRECTION, pointer, value)), Correction)
    assert [(fault.pointer, fault.code) for fault in caught.value.faults] == [(pointer, code)]


@pytest.mark.parametrize("pressure", ["systolic_mmhg", "diastolic_mmhg"])
def test_one_pressure_without_the_other_is_named_where_it_is_missing(pressure: str) -> None:
    missing = (f"/readings/0/{pressure}", "one-pressure-missing")
    with pytest.raises(NotAcceptable) as caught:
        read(msgspec.json.encode(changed(APPEND, f"/readings/0/{pressure}", None)), Append)
    assert [(fault.pointer, fault.code) for fault in caught.value.faults] == [missing]
    body = changed(changed(OPENED_SET, f"/readings/0/{pressure}", ...), "/colour", 1)
    assert faults_of(body) == [("/colour", "unknown-field"), missing]


def test_null_keeps_its_meaning_in_a_correction() -> None:
    body = changed(CORRECTION, "/changes/0/set", {"systolic_mmhg": None, "diastolic_mmhg": None, "taken_at": None})
    change = read(msgspec.json.encode(body), Correction).changes[0]
    assert isinstance(change, AmendReading)
    assert (change.set.systolic_mmhg, change.set.taken_at) == (None, msgspec.UNSET)


def test_every_fault_is_named_in_order_of_place() -> None:
    body = changed(OPENED_SET, "/readings", [{**OPENED_SET["readings"][0], "site": "foot"} for _ in range(12)])
    body = changed(body, "/colour", 1)
    found = faults_of(body)
    assert found == [("/colour", "unknown-field")] + [(f"/readings/{n}/site", "unknown-code") for n in range(12)]


@pytest.mark.parametrize("raw", [b"null", b"[]", b"7", b'"text"', b"true"])
def test_json_of_another_shape_is_understood_but_not_acceptable(raw: bytes) -> None:
    with pytest.raises(NotAcceptable) as caught:
        read(raw, ReadingSet)
    assert [(fault.pointer, fault.code) for fault in caught.value.faults] == [("", "wrong-type")]


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        (b"", "empty-body"),
        (b" \n", "empty-body"),
        (b"{", "not-json"),
        (b"{}{}", "not-json"),
        (b"\xef\xbb\xbf{}", "not-json"),
        (b'{"a": NaN}', "not-json"),
        (b'{"a": 1e400}', "not-json"),
        (b'{"a": -Infinity}', "not-json"),
        (b'{"a": "\\ud800"}', "not-json"),
        (b'{"a\x00": 1}', "not-json"),
        (b'{"a": "\xff"}', "not-utf-8"),
        (b"[" * 33 + b"]" * 33, "too-deep"),
        (b"[" * 5000 + b"]" * 5000, "too-deep"),
        (b'{"a":' * 5000 + b"1" + b"}" * 5000, "too-deep"),
        (b'{"a": 1, "a": 1}', "repeated-key"),
        (b'{"a": 1, "a" : 2}', "repeated-key"),
        (b'{"a": {"b": 1, "b"\n:2}}', "repeated-key"),
        (b'{"a\\\\": 1, "a\\\\": 2}', "repeated-key"),
        (b'{"\\u0061": 1, "a": 2}', "repeated-key"),
    ],
)
def test_bytes_that_are_not_fit_to_be_read(raw: bytes, code: str) -> None:
    assert code_of(raw) == code


def test_a_repeated_key_in_an_otherwise_good_body_is_refused() -> None:
    raw = msgspec.json.encode(OPENED_SET)
    assert code_of(raw.replace(b'"closed":false', b'"closed":false,"closed" :true')) == "repeated-key"
    assert code_of(raw.replace(b'"closed":false', b'"closed":false,"\\u0063losed":true')) == "repeated-key"


def test_a_key_may_end_in_a_backslash_and_stand_in_two_objects() -> None:
    with pytest.raises(NotAcceptable) as caught:
        read(b'{"a\\\\": {"a\\\\": 1}, "b": "\\\\"}', ReadingSet)
    assert [fault.pointer for fault in caught.value.faults] == ["/a\\", "/b", "/readings", "/subject"]


def test_nesting_to_the_limit_is_read() -> None:
    with pytest.raises(NotAcceptable):
        read(b"[" * 32 + b"]" * 32, ReadingSet)


def test_a_name_too_long_to_be_a_field_is_not_repeated() -> None:
    assert faults_of({**OPENED_SET, "p" * 65: 1}) == [("", "unknown-field")]


def test_pointers_sort_as_a_reader_would() -> None:
    assert sorted(["/a/10", "/a/2", "/a", "/", ""], key=place) == ["", "/", "/a", "/a/2", "/a/10"]


SHAPES: list[tuple[dict[str, Any], type[msgspec.Struct]]] = [
    (OPENED_SET, ReadingSet),
    (RICH_SET, ReadingSet),
    (APPEND, Append),
    (CORRECTION, Correction),
    (SUBJECT, SubjectChange),
    (DEVICE, RegisteredDevice),
]


@settings(max_examples=600, deadline=None)
@given(st.data())
def test_the_walk_and_msgspec_agree_on_every_mutated_body(data: st.DataObject) -> None:
    body, shape = data.draw(st.sampled_from(SHAPES))
    raw = json.dumps(data.draw(mutated(body))).encode()
    try:
        struct = read(raw, shape)
    except NotReadable as refused:
        assert refused.fault.code in ("not-json", "too-deep")
    except NotAcceptable as refused:
        codes = {fault.code for fault in refused.faults}
        assert refused.faults and "not-acceptable" not in codes
        with pytest.raises((msgspec.ValidationError, AssertionError)):
            msgspec.json.decode(raw, type=shape)
            assert "one-pressure-missing" not in codes
    else:
        assert read(msgspec.json.encode(struct), shape) == struct


@settings(max_examples=250, deadline=None)
@given(json_values)
def test_a_body_without_repeats_is_never_called_repeated(value: Any) -> None:
    for raw in (json.dumps(value).encode(), json.dumps(value, ensure_ascii=False).encode()):
        try:
            read(raw, ReadingSet)
        except NotReadable as refused:
            assert refused.fault.code != "repeated-key"
        except NotAcceptable:
            pass


@settings(max_examples=250, deadline=None)
@given(st.dictionaries(st.text(alphabet='ab\\"é\n', max_size=3), st.integers(0, 3), min_size=1, max_size=4), st.data())
def test_a_repeat_is_always_found(value: dict[str, int], data: st.DataObject) -> None:
    twice = data.draw(st.sampled_from(sorted(value)))
    raw = f"{{{json.dumps(twice)} : 1, {json.dumps(value, ensure_ascii=False)[1:]}".encode()
    assert code_of(raw) == "repeated-key"


SECRET = "Wilhelmina-4711"


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(
        [
            "/subject",
            "/setting",
            "/readings/0/taken_at",
            "/subject/birth_date",
            "/guidelines/0",
            "/readings/0/systolic_mmhg",
            "/cuff/range_cm",
            "/closed",
            "/identifier/system",
        ]
    ),
    st.integers(),
)
def test_no_fault_quotes_what_was_sent(pointer: str, number: int) -> None:
    for value in (f"{SECRET} {number}", [SECRET], {"value": SECRET}):
        try:
            read_set(changed(RICH_SET, pointer, value))
        except NotAcceptable as refused:
            assert SECRET not in repr(refused.faults)
