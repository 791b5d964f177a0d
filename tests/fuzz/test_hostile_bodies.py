"""Whatever bytes come in, the answer is a problem that quotes none of them, and never a failure of the service."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote, urlencode

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api.serving import problem, serving
from bodies import APPEND, CORRECTION, DEVICE, FIRST_READING, OPENED_SET, RICH_SET, SUBJECT, changed, mutated
from databases import SqliteFiles
from quietcuff.api.problem_types import PROBLEM_TYPES

SECRET = "Wilhelmina-4711"
NOWHERE = "/v1/reading-sets/019df237-3e80-7cda-ae6c-acc0e2b83dda"
BODIES: list[tuple[str, dict[str, Any]]] = [
    ("/v1/evaluations", RICH_SET),
    ("/v1/reading-sets", OPENED_SET),
    (f"{NOWHERE}/readings", APPEND),
    (f"{NOWHERE}/corrections", CORRECTION),
    ("/v1/subjects", SUBJECT),
    ("/v1/subjects/find", {"identifier": SUBJECT["identifier"]}),
    ("/v1/devices", DEVICE),
]
KINDS = {kind.type: kind for kind in PROBLEM_TYPES}


@pytest.fixture(scope="module")
def client(sqlite_files: SqliteFiles) -> Iterator[httpx.Client]:
    """A client of a server of its own: what is stored here is nonsense."""
    with serving(sqlite_files.new()) as server, server.client() as made:
        made.headers["If-Match"] = '"1"'
        yield made


def post(client: httpx.Client, path: str, raw: bytes) -> httpx.Response:
    return client.post(path, content=raw, headers={"Content-Type": "application/json"})


def check(answer: httpx.Response) -> None:
    """A good answer, or a problem of the table."""
    if answer.status_code < 400:
        assert answer.json()
        return
    kind = KINDS[answer.json()["type"]]
    assert kind.status == answer.status_code < 500
    problem(answer, kind.status, kind.type.removeprefix("/problems/"))


def raw_of(body: dict[str, Any]) -> bytes:
    return json.dumps(body).encode()


NOT_READABLE = {
    "empty": b"",
    "blank": b" \r\n\t",
    "not JSON": SECRET.encode(),
    "cut off": raw_of(OPENED_SET)[:-7],
    "two texts": b"{}{}",
    "NaN": b'{"readings": NaN}',
    "infinity": b'{"readings": -Infinity}',
    "1e400": raw_of(OPENED_SET).replace(b"142", b"1e400"),
    "repeated key": raw_of(OPENED_SET).replace(b'"closed": false', b'"closed": false, "closed": true'),
    "repeated key, space before colon": raw_of(OPENED_SET).replace(b'"closed": false', b'"closed": false, "closed" \n:true'),
    "repeated key, escaped": raw_of(OPENED_SET).replace(b'"closed": false', b'"closed": false, "\\u0063losed":true'),
    "repeated key that ends in a backslash": b'{"a\\\\": 1, "a\\\\": 2}',
    "lone surrogate": raw_of(OPENED_SET).replace(b'"1001"', b'"\\ud800"'),
    "lone surrogate as a key": b'{"\\udfff": 1}',
    "bad UTF-8": raw_of(OPENED_SET).replace(b"1001", b"10\xff1"),
    "bad UTF-8 in an unknown field": b'{"x": "\xc3\x28"}',
    "UTF-16": raw_of(OPENED_SET).decode().encode("utf-16"),
    "byte order mark": b"\xef\xbb\xbf" + raw_of(OPENED_SET),
    "null byte": raw_of(OPENED_SET).replace(b"1001", b"10\x001"),
    "depth 33": b"[" * 33 + b"]" * 33,
    "depth 5,000": b'{"a":' * 5000 + b"1" + b"}" * 5000,
    "depth 100,000": b"[" * 100_000,
    "number of 5,000 digits": b'{"a": ' + b"9" * 5000 + b"}",
}


@pytest.mark.parametrize("path", [path for path, _ in BODIES])
@pytest.mark.parametrize("name", NOT_READABLE)
def test_bytes_that_are_no_json_are_not_readable(client: httpx.Client, path: str, name: str) -> None:
    answer = post(client, path, NOT_READABLE[name])
    assert SECRET not in answer.text
    if name == "number of 5,000 digits":
        check(answer)
    else:
        problem(answer, 400, "not-readable")


def readings(count: int, **more: Any) -> list[dict[str, Any]]:
    return [
        {**FIRST_READING, "taken_at": f"2026-05-04T0{7 + n // 3600}:{n // 60 % 60:02}:{n % 60:02}+02:00", **more}
        for n in range(count)
    ]


NOT_ACCEPTABLE: dict[str, Any] = {
    "null": None,
    "a list": [],
    "a text": SECRET,
    "a number": 7,
    "an empty object": {},
    "no readings": changed(OPENED_SET | {"closed": True}, "/readings", []),
    "301 readings": changed(OPENED_SET, "/readings", readings(301)),
    "500 readings": changed(OPENED_SET, "/readings", readings(500)),
    "+14:01": changed(OPENED_SET, "/readings/0/taken_at", "2026-05-04T09:00:00+14:01"),
    "no zone": changed(OPENED_SET, "/readings/0/taken_at", "2026-05-04T09:00:00"),
    "year 9999": changed(OPENED_SET, "/readings/0/taken_at", "9999-12-31T23:59:59.9999999Z"),
    "year 1": changed(OPENED_SET, "/readings/0/taken_at", "0001-01-01T00:00:00+01:00"),
    "unknown code": changed(OPENED_SET, "/readings/0/site", SECRET),
    "unknown field": changed(OPENED_SET, "/subject/identifier/colour", SECRET),
    "unknown protocol": changed(OPENED_SET, "/protocol", SECRET),
    "unknown guideline": changed(OPENED_SET, "/guidelines", [SECRET]),
    "pressure as text": changed(OPENED_SET, "/readings/0/systolic_mmhg", SECRET),
    "pressure of 4,000 digits": changed(OPENED_SET, "/readings/0/systolic_mmhg", 10**4000),
    "three decimals": changed(OPENED_SET, "/readings/0/systolic_mmhg", 142.123),
    "null byte, escaped": changed(OPENED_SET, "/identifier/value", "10\x001"),
    "no such day": changed(OPENED_SET, "/subject/birth_date", "1971-02-30"),
    "year 1 in history": changed(RICH_SET, "/history/pairs/0/day", "0001-01-01"),
    "another day": changed(
        OPENED_SET, "/readings", [FIRST_READING, {**FIRST_READING, "taken_at": "2026-05-06T09:00:00+02:00"}]
    ),
}


@pytest.mark.parametrize("path", ["/v1/evaluations", "/v1/reading-sets"])
@pytest.mark.parametrize("name", NOT_ACCEPTABLE)
def test_json_that_is_no_sitting_is_not_acceptable(client: httpx.Client, path: str, name: str) -> None:
    answer = post(client, path, raw_of(NOT_ACCEPTABLE[name]))
    found = problem(answer, 422, "not-acceptable")
    assert found["errors"] and SECRET not in answer.text


ACCEPTABLE: dict[str, Any] = {
    "300 readings": changed(OPENED_SET, "/readings", readings(300)),
    "times out of order": changed(OPENED_SET, "/readings", readings(6)[::-1]),
    "two at once": changed(OPENED_SET, "/readings", [FIRST_READING, FIRST_READING]),
    "mixed offsets": changed(OPENED_SET, "/readings", [FIRST_READING, {**FIRST_READING, "taken_at": "2026-05-04T07:01:00Z"}]),
    "+14:00": changed(OPENED_SET, "/readings/0/taken_at", "2026-05-04T09:00:00+14:00"),
    "-00:00": changed(OPENED_SET, "/readings/0/taken_at", "2026-05-04T09:00:00-00:00"),
    "a year of birth": changed(OPENED_SET, "/subject/birth_date", "1958"),
    "null for what is optional": changed(changed(OPENED_SET, "/context", None), "/readings/0/site", None),
    "142.0": changed(OPENED_SET, "/readings/0/systolic_mmhg", 142.0),
    "no pressures": changed(OPENED_SET, "/readings", [{"taken_at": "2026-05-04T09:00:00Z"}]),
    "nothing plausible": changed(OPENED_SET, "/readings", readings(3, systolic_mmhg=0, diastolic_mmhg=400)),
    "the first and the last year": changed(OPENED_SET, "/readings/0/taken_at", "2200-12-31T23:59:59-14:00"),
    "texts of other scripts": changed(OPENED_SET, "/identifier/value", "Ω≈ç√∫ 患者 \U0001f9e1"),
}


@pytest.mark.parametrize("path", ["/v1/evaluations", "/v1/reading-sets"])
@pytest.mark.parametrize("name", ACCEPTABLE)
def test_what_is_odd_but_possible_is_accepted(client: httpx.Client, path: str, name: str) -> None:
    body = changed(ACCEPTABLE[name], "/identifier", {"system": "urn:example:visit", "value": f"{path} {name}"})
    answer = post(client, path, raw_of(body))
    assert answer.status_code in (200, 201), answer.text


@pytest.mark.parametrize("path", [path for path, _ in BODIES])
def test_a_body_that_is_too_large_is_refused(client: httpx.Client, path: str) -> None:
    problem(post(client, path, b" " * (256 * 1024 + 1)), 413, "too-large")
    problem(post(client, path, b'{"a":"' + b"x" * 10_000_000 + b'"}'), 413, "too-large")
    chunks = iter([b"x" * 65_536] * 5)
    answer = client.post(path, content=chunks, headers={"Content-Type": "application/json"})
    problem(answer, 413, "too-large")


def test_a_body_of_just_the_limit_is_read(client: httpx.Client) -> None:
    raw = raw_of(OPENED_SET)
    assert post(client, "/v1/evaluations", raw + b" " * (256 * 1024 - len(raw))).status_code == 200


def test_a_compressed_body_is_refused(client: httpx.Client) -> None:
    headers = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
    answer = client.post("/v1/evaluations", content=gzip.compress(raw_of(OPENED_SET)), headers=headers)
    problem(answer, 415, "unsupported-media-type")


SLOW = settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@SLOW
@given(st.data())
def test_no_mutated_body_makes_the_service_fail(client: httpx.Client, data: st.DataObject) -> None:
    path, body = data.draw(st.sampled_from(BODIES))
    check(post(client, path, raw_of(data.draw(mutated(body)))))


@SLOW
@given(st.data())
def test_no_damaged_bytes_make_the_service_fail(client: httpx.Client, data: st.DataObject) -> None:
    path, body = data.draw(st.sampled_from(BODIES))
    raw = bytearray(raw_of(body))
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(raw) - 1))
        if data.draw(st.booleans()):
            raw[at] = data.draw(st.integers(0, 255))
        else:
            raw[at:at] = data.draw(st.sampled_from([b'"', b"\\", b"{", b"]", b"null", b"1e999", b"\xff", b",", b"\\u0000"]))
    check(post(client, path, bytes(raw)))


@SLOW
@given(
    st.sampled_from(["GET", "POST", "PUT", "DELETE", "PATCH", "HEAD", "OPTIONS"]),
    st.lists(st.text(alphabet=st.characters(codec="utf-8"), max_size=12), max_size=4),
    st.sampled_from(["", "/v1/", "/v1/reading-sets/", "/v1/subjects/", "/fhir/R4/", "/problems/", "/v1/protocols/"]),
    st.dictionaries(st.text(max_size=8), st.text(max_size=8), max_size=3),
)
def test_no_path_makes_the_service_fail(
    client: httpx.Client, method: str, parts: list[str], start: str, query: dict[str, str]
) -> None:
    path = (start + "/".join(quote(part, safe="") for part in parts)).lstrip("/")
    answer = client.request(method, f"/{path}?{urlencode(query)}")
    assert answer.status_code < 500, (answer.status_code, answer.text)


@SLOW
@given(
    st.sampled_from(
        ["If-Match", "Idempotency-Key", "Content-Type", "Authorization", "If-None-Match", "Accept", "X-Request-Id"]
    ),
    st.binary(max_size=40).map(lambda raw: bytes(byte for byte in raw if byte > 31 and byte != 127).strip()),
)
def test_no_header_makes_the_service_fail(client: httpx.Client, name: str, value: bytes) -> None:
    request = client.build_request("POST", f"{NOWHERE}/readings", json=APPEND)
    request.headers = httpx.Headers(
        [*((k, v) for k, v in request.headers.raw if k.lower() != name.lower().encode()), (name.encode(), value)]
    )
    answer = client.send(request)
    assert answer.status_code < 500, (answer.status_code, answer.text)


@pytest.mark.parametrize("zone", ["Nowhere/Nothing", "../../etc/passwd", "/etc/passwd", "x" * 255, "Europe", ".", "utc\u00e9"])
def test_a_zone_that_is_none_is_not_acceptable(client: httpx.Client, zone: str) -> None:
    found = problem(post(client, "/v1/devices", raw_of(changed(DEVICE, "/time_zone", zone))), 422, "not-acceptable")
    assert [fault["pointer"] for fault in found["errors"]] == ["/time_zone"]
