"""HL7 v2 reports over HTTP: stored, acknowledged, corrected, taken back and sent again, on both databases."""

from __future__ import annotations

import json
import random
import re
from typing import Any
from uuid import uuid4

import hl7
import httpx
import pytest

from decode.hl7_messages import FOLDER, MESSY, OBR, VECTORS, message, pair, row

ROUTE = "/v1/device-payloads/hl7v2"


def sent(client: httpx.Client, body: bytes) -> list[hl7.Message]:
    """The acknowledgements to a message, as another reader has them."""
    answer = client.post(ROUTE, content=body, headers={"Content-Type": "application/hl7-v2"})
    assert answer.status_code == 200, answer.text[:800]
    assert answer.headers["Content-Type"].split(";")[0] == "application/hl7-v2"
    return [hl7.parse(said) for said in re.split(r"(?<=\r)(?=MSH)", answer.content.decode("latin-1"))]


def codes(client: httpx.Client, body: bytes) -> list[str]:
    return [str(said.segment("MSA")[1]) for said in sent(client, body)]


class Sender:
    """A system that reports about one invented person of its own."""

    def __init__(self, client: httpx.Client) -> None:
        self.client = client
        self.number = uuid4().hex[:12]
        self.count = 0

    def message(self, *rows: str, **how: str) -> bytes:
        self.count += 1
        order = OBR.replace("F-1", f"F-{self.number}")
        return message(
            *rows,
            pid=f"PID|1||{self.number}^^^WESTWING^MR||Invented^Person||19710422|F",
            **{"obr": order, "control": f"C{self.count}", **how},
        )

    def says(self, code: str, *rows: str, **how: str) -> hl7.Message:
        (said,) = sent(self.client, self.message(*rows, **how))
        assert str(said.segment("MSA")[1]) == code, str(said)
        return said

    def sets(self) -> list[dict[str, Any]]:
        """Everything stored of the person, the oldest first."""
        identifier = {"system": "urn:quietcuff:authority:WESTWING", "value": self.number}
        found = self.client.post("/v1/subjects/find", json={"identifier": identifier})
        if found.status_code == 404:
            return []
        listed = self.client.get("/v1/reading-sets", params={"subject_id": found.json()["id"]}).json()["items"]
        return [self.client.get(f"/v1/reading-sets/{each['id']}").json() for each in reversed(listed)]

    def pressures(self) -> list[tuple[float, float, bool]]:
        readings = [reading for one in self.sets() for reading in one["reading_set"]["readings"]]
        return [(each["systolic_mmhg"], each["diastolic_mmhg"], each["voided"]) for each in readings]


@pytest.fixture
def sender(desk: httpx.Client) -> Sender:
    return Sender(desk)


@pytest.mark.parametrize("name", VECTORS)
def test_the_vectors_are_acknowledged_as_they_expect(desk: httpx.Client, name: str) -> None:
    """Source: check vectors of HL7 v2 reports; the acknowledgement of each is in its file."""
    wanted = json.loads((FOLDER / f"{name}.json").read_text())
    (said,) = sent(desk, VECTORS[name])
    asked = hl7.parse(VECTORS[name].decode())
    assert str(said.segment("MSA")[1]) == wanted["expected_ack"]
    assert str(said.segment("MSA")[2]) == wanted["control_id"]
    msh, theirs = said.segment("MSH"), asked.segment("MSH")
    assert [str(msh[field]) for field in (3, 4, 5, 6)] == [str(theirs[field]) for field in (5, 6, 3, 4)]
    assert [str(msh[field]) for field in (11, 12, 18)] == [str(theirs[field]) for field in (11, 12, 18)]
    assert str(msh[9]).startswith("ACK") and str(msh[10])


def test_a_report_becomes_one_open_set_and_is_not_doubled(sender: Sender) -> None:
    body = sender.message(*pair(142, 91, "1"), *pair(138, 88, "2"), row("pulse", "72", "1"))
    for _ in range(3):
        assert codes(sender.client, body) == ["AA"]
    (stored,) = sender.sets()
    assert (stored["version"], stored["closed"]) == (1, False)
    assert sender.pressures() == [(142, 91, False), (138, 88, False)]
    assert stored["reading_set"]["readings"][0]["pulse_per_min"] == 72
    assert stored["reading_set"]["subject"]["birth_date"] == "1971-04-22"
    sender.says("AA", *pair(136, 86, "3"))
    assert sender.pressures()[-1] == (136, 86, False) and len(sender.sets()) == 1


def test_a_correction_makes_a_version_and_leaves_the_rest_alone(sender: Sender) -> None:
    """Source: vectors 01 and 04, where systolic 138 becomes 128."""
    site = "||||||368208006^Left upper arm structure^SCT"
    sender.says("AA", row("sys", "138", more=site), row("dia", "86", more=site), row("pulse", "72"))
    sender.says("AA", row("sys", "128", status="C"), row("dia", "86"))
    sender.says("AA", row("sys", "128", status="C"), row("dia", "86"))
    (stored,) = sender.sets()
    (reading,) = stored["reading_set"]["readings"]
    assert stored["version"] == 2 and reading["site"] == "left-upper-arm"
    assert (reading["systolic_mmhg"], reading["diastolic_mmhg"], reading["pulse_per_min"]) == (128, 86, 72)
    sender.says("AA", row("dia", "84", status="C"))
    assert sender.pressures() == [(128, 84, False)]
    first = sender.client.get(f"/v1/reading-sets/{stored['id']}/versions/1").json()
    assert first["reading_set"]["readings"][0]["systolic_mmhg"] == 138


def test_each_version_that_a_message_makes_is_linked_with_it(sender: Sender) -> None:
    """A message that corrects a reading and brings another one makes two versions of the open set."""
    sender.says("AA", *pair(142, 91, "1"))
    sender.says("AA", row("sys", "128", "1", status="C"), *pair(138, 88, "2"))
    (stored,) = sender.sets()
    versions = sender.client.get(f"/v1/reading-sets/{stored['id']}/versions").json()["items"]
    first, *later = [one["payload_id"] for one in versions]
    assert (stored["version"], len(set(later)), first in later) == (3, 1, False)
    made = sender.client.get(f"/v1/payloads/{later[0]}").json()["made"]
    assert [(one["version"], one["readings"]) for one in made] == [(2, [0]), (3, [1])]


@pytest.mark.parametrize("status", ["D", "W"])
def test_what_is_taken_back_is_voided_and_stays_visible(sender: Sender, status: str) -> None:
    sender.says("AA", *pair(142, 91, "1"), *pair(138, 88, "2"))
    sender.says("AA", row("sys", '""', "1", status=status), row("dia", '""', "1", status=status))
    assert sender.pressures() == [(142, 91, True), (138, 88, False)]


def test_other_values_under_a_known_key_are_refused_and_kept(sender: Sender) -> None:
    sender.says("AA", *pair(142, 91))
    said = sender.says("AE", *pair(150, 91))
    assert str(said.segment("ERR")[5]).startswith("differs-from-stored")
    assert sender.pressures() == [(142, 91, False)]


def test_a_part_of_a_reading_that_is_not_stored_cannot_be_corrected(sender: Sender) -> None:
    said = sender.says("AE", row("sys", "128", status="C"))
    assert str(said.segment("ERR")[5]).startswith("no-such-reading") and sender.sets() == []


def test_each_thing_refused_has_its_error_and_the_rest_is_stored(desk: httpx.Client) -> None:
    (said,) = sent(desk, MESSY)
    assert str(said.segment("MSA")[1]) == "AE" and str(said.segment("MSA")[2]) == "W#17"
    assert str(said.segment("MSH")[5]) == "VITALS" and str(said.segment("MSH")[9]) == "ACK"
    told = [(str(err[1][0][0]), str(err[5][0][0])) for err in said.segments("ERR")]
    assert len(told) == 7 and ("OBX", "off-scale") in told and ("OBX", "unknown-status") in told
    listed = desk.get("/v1/refused-payloads", params={"limit": 100}).json()["items"]
    assert {place for place in ("OBX[2]-5", "OBX[9]-11")} <= {each["place"] for each in listed}


@pytest.mark.parametrize(
    ("accept", "application", "good", "bad"),
    [
        ("", "", ["AA"], ["AE"]),
        ("AL", "NE", ["CA"], ["CE"]),
        ("NE", "AL", ["AA"], ["AE"]),
        ("AL", "AL", ["CA", "AA"], ["CA", "AE"]),
        ("ER", "NE", ["CA"], ["CE"]),
        ("AL", "ER", ["CA"], ["CA", "AE"]),
        ("NE", "NE", ["CA"], ["CE"]),
    ],
)
def test_a_sender_is_answered_as_it_asks(
    sender: Sender, accept: str, application: str, good: list[str], bad: list[str]
) -> None:
    """Source: HL7 v2.5.1, 2.9 and table 0155, from memory; over HTTP one answer is given where none is asked for."""
    head = f"2.5.1|||{accept}|{application}"
    assert codes(sender.client, sender.message(*pair(142, 91), head=head)) == good
    assert codes(sender.client, sender.message(*pair(142, 91, "2"), row("pulse", "x", "2"), head=head)) == bad


@pytest.mark.parametrize(
    ("body", "code"),
    [
        (message(*pair(142, 91), head="2.5.1||||||ISO IR87"), "AR"),
        (message(*pair(142, 91)) + b"NTE|\xff\xfe\r", "AR"),
        (message(*pair(142, 91), head="2.5.1|||AL|NE") + b"NTE|\x01\r", "CR"),
        (message(*pair(142, 91)).replace(b"ORU^R01^ORU_R01", b"ADT^A01"), "AR"),
        (message(*pair(142, 91), head="9.9"), "AR"),
        (message(*pair(142, 91), pid=""), "AE"),
    ],
)
def test_what_is_turned_away_is_told_so_and_kept(desk: httpx.Client, body: bytes, code: str) -> None:
    (said,) = sent(desk, body)
    assert str(said.segment("MSA")[1]) == code and len(said.segments("ERR")) == 1


@pytest.mark.parametrize("body", [b"", b"{}", b"MSH", b"PID|1\r"])
def test_without_a_head_there_is_nobody_to_answer(desk: httpx.Client, body: bytes) -> None:
    answer = desk.post(ROUTE, content=body, headers={"Content-Type": "application/hl7-v2"})
    assert answer.status_code == 400 and answer.headers["Content-Type"] == "application/problem+json"
    refused = answer.json()["errors"][0]["refused_payload_id"]
    assert desk.get(f"/v1/refused-payloads/{refused}").status_code == 200


def test_a_training_message_stores_nothing(sender: Sender) -> None:
    sender.says("AA", *pair(142, 91), processing="T")
    assert sender.sets() == []


def test_a_refused_message_is_read_again_once_it_is_repaired(sender: Sender) -> None:
    broken = sender.message(row("sys", "142", unit=""), row("dia", "91"))
    assert codes(sender.client, broken) == ["AE"]
    listed = sender.client.get("/v1/refused-payloads", params={"limit": 1}).json()["items"]
    repaired = broken.replace(b"|142||", b"|142|mm[Hg]|").decode()
    answer = sender.client.post(f"/v1/refused-payloads/{listed[0]['id']}/replay", json={"text": repaired})
    assert answer.status_code == 201 and sender.pressures() == [(142, 91, False)]


def test_mutated_messages_are_answered_and_never_a_failure(client: httpx.Client) -> None:
    chance = random.Random(417)
    for _ in range(150):
        body = bytearray(chance.choice([*VECTORS.values(), MESSY]))
        for _ in range(3):
            place = chance.randrange(len(body))
            body[place : place + chance.choice((0, 1, 3))] = chance.choice((b"", b"|", b"\xff", b"\x00", b"9", b"\r"))
        answer = client.post(ROUTE, content=bytes(body), headers={"Content-Type": "application/hl7-v2"})
        assert answer.status_code in (200, 400), answer.text[:500]
