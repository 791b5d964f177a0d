"""Payloads of devices over HTTP: what they store, what is known already, what is refused and kept, on both databases."""

from __future__ import annotations

import base64
import json
import random
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest

from api.serving import Server, problem
from quietcuff.api.examples import example

GATT = "/v1/device-payloads/gatt"
VECTORS = [json.loads(line) for line in (Path(__file__).parents[1] / "data/gatt/vectors.jsonl").read_text().splitlines()]


def body(*values: str, characteristic: str = "2A35", **more: Any) -> dict[str, Any]:
    """A gateway's body of a person of its own."""
    person = {"identifier": {"system": "urn:example:mrn", "value": str(uuid4())}}
    payloads = [{"characteristic": characteristic, "value_hex": value} for value in values]
    return {**example("gatt"), "subject": person, "payloads": payloads, **more}


def value(minute: int, systolic: int = 142, diastolic: int = 91, *, hour: int = 7, day: int = 14) -> str:
    """A measurement of 14 March 2026 with its time."""
    flags, when = b"\x02", (2026).to_bytes(2, "little") + bytes([3, day, hour, minute, 0])
    pressures = b"".join(number.to_bytes(2, "little") for number in (systolic, diastolic, 108))
    return (flags + pressures + when).hex()


def sent(client: httpx.Client, status: int, said: dict[str, Any]) -> dict[str, Any]:
    answer = client.post(GATT, json=said)
    assert answer.status_code == status, answer.text[:800]
    found: dict[str, Any] = answer.json()
    if status < 300:
        assert set(found) == {"payload_id", "reading_sets", "replayed", "refused"}
    return found


def test_the_example_of_the_contract_is_stored_in_an_open_set(desk: httpx.Client) -> None:
    """Source: the layout's example, 142/91, pulse 77, of 2026-03-14 07:05:09 by the device's clock."""
    # A device of its own: other tests of the same servers register the example's, with a clock that is off.
    device = {"identifier": {"system": "urn:example:device", "value": str(uuid4())}}
    said = {**example("gatt"), "subject": body()["subject"], "device": device}
    found = sent(desk, 201, said)
    (envelope,) = found["reading_sets"]
    (reading,) = envelope["reading_set"]["readings"]
    assert not envelope["closed"] and (found["replayed"], found["refused"]) == (0, [])
    assert (reading["systolic_mmhg"], reading["diastolic_mmhg"], reading["pulse_per_min"]) == (142, 91, 77)
    assert reading["taken_at"] == "2026-03-14T07:05:09+01:00"
    assert "clock-zone-assumed" in {finding["code"] for finding in envelope["evaluation"]["findings"]}
    again = sent(desk, 200, said)
    assert (again["replayed"], again["payload_id"]) == (1, found["payload_id"])
    assert again["reading_sets"] == found["reading_sets"]
    kept = desk.get(f"/v1/payloads/{found['payload_id']}").json()
    assert json.loads(base64.b64decode(kept["body_base64"])) == said
    assert kept["made"] == [{"set_id": envelope["id"], "version": 1, "readings": [0]}]


def test_what_came_of_a_payload_is_told_in_the_language_asked_for(desk: httpx.Client) -> None:
    said = body(value(5), value(7))
    answers = [desk.post(f"{GATT}?lang=fr", json=said), desk.post(GATT, json=said, headers={"Accept-Language": "fr"})]
    for answer in answers:
        (envelope,) = answer.json()["reading_sets"]
        assert envelope == desk.get(f"/v1/reading-sets/{envelope['id']}?lang=fr").json()
        assert envelope["words"]["language"] == answer.headers["Content-Language"] == "fr"
    assert [answer.status_code for answer in answers] == [201, 200]


def test_values_that_come_one_by_one_join_one_set_in_any_order(desk: httpx.Client) -> None:
    said = body()
    minutes = [9, 5, 7]
    for place, minute in enumerate(minutes):
        found = sent(desk, 201, {**said, "payloads": [{"characteristic": "2A35", "value_hex": value(minute)}]})
        (envelope,) = found["reading_sets"]
        assert envelope["version"] == place + 1 and len(envelope["reading_set"]["readings"]) == place + 1
    # The memory of the device once more, whole, with one value that is new.
    whole = [{"characteristic": "2A35", "value_hex": value(minute)} for minute in (5, 7, 9, 11)]
    found = sent(desk, 201, {**said, "payloads": whole})
    assert found["replayed"] == 3 and [one["id"] for one in found["reading_sets"]] == [envelope["id"]]
    assert len(found["reading_sets"][0]["reading_set"]["readings"]) == 4


def test_a_memory_of_several_days_opens_a_set_for_each(desk: httpx.Client) -> None:
    values = [value(minute, day=day) for day in (12, 13, 14) for minute in (5, 7)]
    found = sent(desk, 201, body(*values))
    assert [len(one["reading_set"]["readings"]) for one in found["reading_sets"]] == [2, 2, 2]
    days = [one["reading_set"]["readings"][0]["taken_at"][:10] for one in found["reading_sets"]]
    assert sorted(days) == ["2026-03-12", "2026-03-13", "2026-03-14"]


def test_a_closed_set_is_not_joined_and_a_named_one_is(desk: httpx.Client) -> None:
    said = body(value(5))
    first = sent(desk, 201, said)["reading_sets"][0]
    closed = desk.post(f"/v1/reading-sets/{first['id']}/readings", json={"closed": True}, headers={"If-Match": "*"})
    assert closed.status_code == 200
    second = sent(desk, 201, {**said, "payloads": body(value(6))["payloads"]})["reading_sets"][0]
    assert second["id"] != first["id"]
    third = sent(desk, 201, {**said, "set": second["id"], "payloads": body(value(7))["payloads"]})["reading_sets"][0]
    assert third["id"] == second["id"] and len(third["reading_set"]["readings"]) == 2
    other = sent(desk, 422, body(value(8), set=second["id"]))
    assert [fault["code"] for fault in other["errors"]] == ["unknown-set"]


def test_another_device_of_the_same_person_has_a_set_of_its_own(desk: httpx.Client) -> None:
    said = body(value(5))
    other = {**said, "device": {"identifier": {"system": "urn:example:device", "value": "SN-0008"}}}
    sets = [sent(desk, 201, one)["reading_sets"][0]["id"] for one in (said, other)]
    assert len(set(sets)) == 2


def test_twenty_gateways_with_the_same_value_store_one_reading(service: Server) -> None:
    said = body(value(5))
    with service.client() as client, ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(lambda _: client.post(GATT, json=said), range(20)))
    assert sorted(answer.status_code for answer in answers) == [200] * 19 + [201]
    assert {one["id"] for answer in answers for one in answer.json()["reading_sets"]} == {
        answers[0].json()["reading_sets"][0]["id"]
    }
    assert {answer.json()["payload_id"] for answer in answers} == {answers[0].json()["payload_id"]}


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector["id"])
def test_a_vector_is_stored_or_refused_and_never_lost(client: httpx.Client, vector: dict[str, Any]) -> None:
    answer = client.post(GATT, json=body(vector["hex"], characteristic=vector["characteristic"][2:]))
    if vector["characteristic"] == "0x2A49":
        assert answer.status_code == 200 and answer.json()["reading_sets"] == []
        return
    is_result = vector["expect"]["ok"] and vector["characteristic"] != "0x2A36"
    if not is_result:
        (fault,) = problem(answer, 422, "not-acceptable")["errors"]
        kept = client.get(f"/v1/refused-payloads/{fault['refused_payload_id']}").json()
        assert kept["code"] == fault["code"] and kept["settled_at"] is None
        return
    assert answer.status_code == 201, answer.text
    (reading,) = answer.json()["reading_sets"][0]["reading_set"]["readings"]
    decoded = vector["expect"]["decoded"]
    pressures = [decoded.get("mmHg", {}).get(name) or decoded[name].get("value") for name in ("systolic", "diastolic")]
    if None in pressures or any(float(pressure) <= 0 for pressure in pressures):
        assert (reading["systolic_mmhg"], reading["diastolic_mmhg"]) == (None, None)
        assert answer.json()["reading_sets"][0]["evaluation"]["readings"][0]["reason"] == "device-error"
    else:
        assert [reading["systolic_mmhg"], reading["diastolic_mmhg"]] == [float(pressure) for pressure in pressures]


def test_swapped_pressures_are_stored_as_implausible(client: httpx.Client) -> None:
    found = sent(client, 201, body(value(5, systolic=82, diastolic=131)))
    assert found["reading_sets"][0]["evaluation"]["readings"][0]["reason"] == "implausible"


def test_a_registered_clock_places_local_times(desk: httpx.Client) -> None:
    identifier = {"system": "urn:example:device", "value": str(uuid4())}
    registered = {"identifier": identifier, "time_zone": "America/New_York", "clock_drift_seconds": 120}
    assert desk.post("/v1/devices", json=registered).status_code == 201
    found = sent(desk, 201, {**body(value(5)), "device": {"identifier": identifier}})
    (reading,) = found["reading_sets"][0]["reading_set"]["readings"]
    assert reading["taken_at"] == "2026-03-14T07:03:00-04:00"
    codes = {finding["code"] for finding in found["reading_sets"][0]["evaluation"]["findings"]}
    assert "clock-shifted" in codes and "clock-zone-assumed" not in codes


@pytest.mark.parametrize("raw", [b"", b"\xff\xfe", b"{", b"[]", b'{"subject": 1}', b"null", b'{"a":1,"a":2}', b"[" * 9000])
def test_a_body_that_cannot_be_read_is_kept_all_the_same(client: httpx.Client, raw: bytes) -> None:
    # A prefix of spaces makes each of them another payload in each run of the test.
    raw = raw + b" " * random.Random(len(raw)).randint(1, 9)
    answer = client.post(GATT, content=raw, headers={"Content-Type": "application/json"})
    assert answer.status_code in (400, 422), answer.text
    ids = {fault["refused_payload_id"] for fault in answer.json()["errors"]}
    (refused_id,) = ids
    row = client.get(f"/v1/refused-payloads/{refused_id}").json()
    kept = client.get(f"/v1/payloads/{row['payload_id']}").json()
    assert base64.b64decode(kept["body_base64"]) == raw and kept["made"] == []
    again = client.post(GATT, content=raw, headers={"Content-Type": "application/json"})
    assert {fault["refused_payload_id"] for fault in again.json()["errors"]} == ids


def test_good_values_beside_a_bad_one_are_stored_and_the_bad_one_is_listed_and_settled(desk: httpx.Client) -> None:
    said = body(value(5), "068b0058006900ea07010203", value(7))
    found = sent(desk, 201, said)
    assert len(found["reading_sets"][0]["reading_set"]["readings"]) == 2
    (part,) = found["refused"]
    assert (part["place"], part["code"]) == ("/payloads/1/timestamp", "truncated")
    listed = desk.get("/v1/refused-payloads", params={"limit": 200}).json()["items"]
    assert part["refused_payload_id"] in {row["id"] for row in listed}
    path = f"/v1/refused-payloads/{part['refused_payload_id']}"
    as_it_is = desk.post(f"{path}/replay", json={})
    assert as_it_is.status_code == 200 and as_it_is.json()["replayed"] == 2
    assert desk.get(path).json()["settled_at"] is None
    said["payloads"][1]["value_hex"] = value(6)
    repaired = desk.post(f"{path}/replay", json={"text": json.dumps(said)})
    assert repaired.status_code == 201 and len(repaired.json()["reading_sets"][0]["reading_set"]["readings"]) == 3
    settled = desk.get(path).json()
    assert settled["settled_at"] is not None and settled["settled_by"] == repaired.json()["payload_id"]
    listed = desk.get("/v1/refused-payloads", params={"limit": 200}).json()["items"]
    assert part["refused_payload_id"] not in {row["id"] for row in listed}


def test_pages_of_the_list_hold_each_refused_payload_once(service: Server) -> None:
    with service.client(tenant=f"clinic {uuid4()}") as client:
        ids = set()
        for number in range(7):
            answer = client.post(GATT, content=b"{" + b" " * number, headers={"Content-Type": "application/json"})
            ids.add(answer.json()["errors"][0]["refused_payload_id"])
        found: list[str] = []
        query: dict[str, Any] = {"limit": 3}
        while True:
            page = client.get("/v1/refused-payloads", params=query).json()
            found += [row["id"] for row in page["items"]]
            if page["next"] is None:
                break
            query["cursor"] = page["next"].rpartition("cursor=")[2]
        assert len(found) == 7 and set(found) == ids


def test_another_tenant_finds_neither_payload_nor_refusal(service: Server) -> None:
    with service.client() as ours, service.client(tenant="other clinic") as theirs:
        found = sent(ours, 201, body(value(5), "00"))
        refused_id = found["refused"][0]["refused_payload_id"]
        for path in (f"/v1/payloads/{found['payload_id']}", f"/v1/refused-payloads/{refused_id}"):
            assert ours.get(path).status_code == 200 and theirs.get(path).status_code == 404
        assert theirs.post(f"/v1/refused-payloads/{refused_id}/replay", json={}).status_code == 404


def test_mutated_payloads_never_fail_and_are_never_lost(client: httpx.Client) -> None:
    rng = random.Random(20260504)
    for _ in range(300):
        raw = bytearray(json.dumps(body(value(rng.randrange(60)), rng.choice(VECTORS)["hex"])).encode())
        for _ in range(rng.randint(0, 3)):
            raw[rng.randrange(len(raw))] = rng.randrange(256)
        answer = client.post(GATT, content=bytes(raw), headers={"Content-Type": "application/json"})
        assert answer.status_code in (200, 201, 400, 422), answer.text
        if answer.status_code < 300:
            payload_id = answer.json()["payload_id"]
        else:
            refused_id = answer.json()["errors"][0]["refused_payload_id"]
            payload_id = client.get(f"/v1/refused-payloads/{refused_id}").json()["payload_id"]
        kept = client.get(f"/v1/payloads/{payload_id}").json()
        assert base64.b64decode(kept["body_base64"]) == bytes(raw)


def test_a_correction_by_a_person_stands_when_the_device_sends_again(desk: httpx.Client) -> None:
    said = body(value(5))
    first = sent(desk, 201, said)["reading_sets"][0]
    correction = {
        "reason": "typed wrongly",
        "changes": [{"change": "amend-reading", "index": 0, "set": {"systolic_mmhg": 150}}],
    }
    done = desk.post(f"/v1/reading-sets/{first['id']}/corrections", json=correction, headers={"If-Match": '"1"'})
    assert done.status_code == 200
    again = sent(desk, 200, said)
    assert again["replayed"] == 1 and again["reading_sets"][0]["reading_set"]["readings"][0]["systolic_mmhg"] == 150


def test_yesterdays_memory_stays_open_an_hour_after_its_last_arrival(desk: httpx.Client) -> None:
    said = body()
    for minute in (1, 3, 5):
        found = sent(desk, 201, {**said, "payloads": body(value(minute))["payloads"]})
    (envelope,) = found["reading_sets"]
    closes, arrived = (datetime.fromisoformat(envelope[name]) for name in ("closes_at", "updated_at"))
    assert timedelta(minutes=59) < closes - arrived <= timedelta(minutes=60)


def test_every_route_for_payloads_honours_the_key(desk: httpx.Client) -> None:
    key, said = str(uuid4()), body("00" + "8e005b006c00")
    said.pop("received_at")
    for path, content in (("gatt", json.dumps(said).encode()), ("hl7v2", hl7_report())):
        answers = []
        for headers in ({"Idempotency-Key": f"{key}-{path}"}, {"Idempotency-Key": f'"{key}-{path}"'}):
            headers["Content-Type"] = "application/json" if path == "gatt" else "application/hl7-v2"
            answers.append(desk.post(f"/v1/device-payloads/{path}", content=content, headers=headers))
        assert [answer.headers.get("Idempotency-Replayed") for answer in answers] == [None, "true"], answers[0].text
        assert answers[0].content == answers[1].content and answers[0].status_code == answers[1].status_code
    taken = desk.post(GATT, json=body(value(5)), headers={"Idempotency-Key": f"{key}-gatt"})
    (fault,) = problem(taken, 422, "not-acceptable")["errors"]
    assert (fault["code"], fault["header"]) == ("key-reused", "Idempotency-Key") and fault["refused_payload_id"]
    assert desk.post(GATT, json=body(value(5)), headers={"Idempotency-Key": "ü".encode()}).status_code == 400


def hl7_report() -> bytes:
    report: str = example("hl7v2")
    return report.replace("p-0001", str(uuid4())).replace("OBS-0093", str(uuid4())).encode()


@pytest.mark.parametrize("device_now", ["0001-01-01T00:00:00", "9999-12-31T23:59:59", "0000-01-01T00:00:00"])
def test_no_clock_makes_the_service_lose_a_payload(desk: httpx.Client, device_now: str) -> None:
    clock = {"device_now": device_now, "gateway_now": example("gatt")["received_at"]}
    answer = desk.post(GATT, json=body(value(5), clock=clock))
    (fault,) = problem(answer, 422, "not-acceptable")["errors"]
    row = desk.get(f"/v1/refused-payloads/{fault['refused_payload_id']}").json()
    assert json.loads(base64.b64decode(desk.get(f"/v1/payloads/{row['payload_id']}").json()["body_base64"]))["clock"] == clock
