"""Two tenants whose every identifier is equal: the same people, devices, payloads, keys of requests, groups and targets."""

from __future__ import annotations

import copy
import json
import re
from typing import Any
from uuid import uuid4

import httpx

from api.serving import Server
from api.test_bulk import begin, finished, here
from api.test_fhir import BASE
from api.test_reading_sets import reading
from bodies import DEVICE, FIRST_READING, OPENED_SET, SUBJECT
from quietcuff.api.examples import example

UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
# Until when a person's history was looked at: now.
AS_OF = re.compile(r'"as_of":"[^"]*"')
READINGS = [FIRST_READING, reading(70, 150, 92), reading(140, 146, 90), reading(210, 144, 90)]
CLOSED = {**OPENED_SET, "closed": True, "readings": READINGS}
# Of another day, so that it joins nothing.
OPEN = json.loads(
    json.dumps(OPENED_SET | {"identifier": {"system": "urn:example:visit", "value": "1002"}}).replace("05-04", "06-04")
)
FHIR_EXAMPLE, GATT_EXAMPLE, HL7_EXAMPLE = example("fhir-observation"), example("gatt"), example("hl7v2")
FHIR_DAY = {**FHIR_EXAMPLE, "effectiveDateTime": "2026-07-04T09:00:00+02:00"}
REFUSED = {**GATT_EXAMPLE, "payloads": [{"characteristic": "2A35", "value_hex": "1e"}]}


class Clinic:
    """One of the two: what it sent, the ids it was given, and the words that only it has said."""

    def __init__(self, server: Server, word: str) -> None:
        self.word = word
        self.tenant = f"{word}-{uuid4()}"
        self.server = server
        self.client = server.client(tenant=self.tenant, scopes="system/*.cruds quietcuff/identified")
        self.ids: dict[str, str] = {}
        self.secrets: set[str] = set()
        self.files: list[str] = []
        self.before: dict[str, str] = {}

    def close(self) -> None:
        self.client.close()

    def sent(self, method: str, path: str, status: int, **how: Any) -> Any:
        answer = self.client.request(method, path, **how)
        assert answer.status_code == status, (path, answer.text[:800])
        self.secrets |= set(UUID.findall(answer.text))
        return answer.json() if answer.headers.get("Content-Type", "").startswith("application/json") else answer

    def fill(self) -> None:
        """Everything that a tenant can have, under identifiers and keys of requests that the other has as well."""
        device = {**DEVICE, "manufacturer": f"{self.word} Instruments"}
        target = {"kind": "webhook", "url": f"https://hooks.example.org/{self.word}"}
        self.ids["target_id"] = self.sent("POST", "/v1/targets", 201, json=target)["id"]
        self.ids["device_id"] = self.sent("POST", "/v1/devices", 201, json=device)["id"]
        self.ids["subject_id"] = self.sent("POST", "/v1/subjects", 201, json=SUBJECT)["id"]
        self.ids["set_id"] = self.store("visit-1", CLOSED)["id"]
        self.ids["open_set_id"] = self.store("visit-2", OPEN)["id"]
        change = {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 148}}
        correction = {"reason": f"{self.word} typed wrongly", "changes": [change]}
        self.sent("POST", f"/v1/reading-sets/{self.ids['set_id']}/corrections", 200, json=correction, headers=if_first())
        self.payloads()
        group = {"name": f"{self.word} group", "identifiers": [SUBJECT["identifier"]]}
        self.ids["group_id"] = self.sent("POST", "/v1/groups", 201, json=group)["id"]
        status = begin(self.client)
        self.ids["job_id"] = status.rpartition("/")[2]
        self.files = [here(item["url"]) for item in finished(self.client, status)["output"]]
        self.secrets |= {self.word, *self.ids.values(), *(UUID.findall(" ".join(self.files)))}
        self.secrets -= set(UUID.findall(json.dumps([HL7_EXAMPLE, FHIR_EXAMPLE, GATT_EXAMPLE])))

    def store(self, key: str, body: dict[str, Any]) -> dict[str, Any]:
        stored: dict[str, Any] = self.sent("POST", "/v1/reading-sets", 201, json=body, headers={"Idempotency-Key": key})
        return stored

    def payloads(self) -> None:
        """One payload of each format, and one that cannot be read."""
        made = self.sent("POST", "/v1/device-payloads/gatt", 201, json=GATT_EXAMPLE, headers={"Idempotency-Key": "payload-1"})
        self.ids["payload_id"] = made["payload_id"]
        fhir = {"Content-Type": "application/fhir+json", "Idempotency-Key": "payload-2"}
        self.sent("POST", "/v1/device-payloads/fhir", 201, content=json.dumps(FHIR_DAY), headers=fhir)
        hl7 = {"Content-Type": "application/hl7-v2"}
        answer = self.sent("POST", "/v1/device-payloads/hl7v2", 200, content=HL7_EXAMPLE.encode(), headers=hl7)
        assert "MSA|AA" in answer.text
        self.sent("POST", "/v1/device-payloads/gatt", 422, json=REFUSED)
        listed = self.sent("GET", "/v1/refused-payloads", 200)["items"]
        assert len(listed) == 1
        self.ids["refused_id"] = listed[0]["id"]

    def resource(self, kind: str) -> str:
        """The id of a resource of a type."""
        set_id = self.ids["set_id"]
        if kind == "AuditEvent":
            return str(self.client.get(f"{BASE}/AuditEvent?_count=1").json()["entry"][0]["resource"]["id"])
        names = {"Observation": f"{set_id}-mean", "Patient": self.ids["subject_id"]}
        return {**names, "Device": self.ids["device_id"], "Provenance": f"{set_id}-v1"}[kind]

    def looks(self, *, pictures: bool = False) -> dict[str, str]:
        """Everything that there is to see, but for the trail, which grows with each look.

        A picture takes as long to draw as all the rest to answer, and shows what the summary says.
        """
        ids = self.ids
        paths = [
            *(f"/v1/reading-sets/{ids[name]}" for name in ("set_id", "open_set_id")),
            *(f"/v1/reading-sets/{ids['set_id']}/{what}" for what in ("fhir", "sheet", "versions", "versions/1")),
            *(f"/v1/subjects/{ids['subject_id']}{what}" for what in ("", "/summary", *(["/trend.svg"] if pictures else []))),
            *(f"/v1/{kind}" for kind in ("reading-sets", "refused-payloads", "groups", "targets")),
            *(f"/v1/targets/{ids['target_id']}{what}" for what in ("", "/undelivered")),
            *(f"/v1/{kind}/{ids[name]}" for kind, name in (("devices", "device_id"), ("groups", "group_id"))),
            *(f"/v1/{kind}/{ids[name]}" for kind, name in (("payloads", "payload_id"), ("refused-payloads", "refused_id"))),
            *(f"{BASE}/{kind}?_count=200&_sort=_id" for kind in ("Observation", "Patient", "Device", "Provenance")),
            *(f"{BASE}/{kind}/{self.resource(kind)}" for kind in ("Observation", "Patient", "Device", "Provenance")),
            *(f"{BASE}/{kind}/{self.resource(kind)}/_history" for kind in ("Observation", "Patient", "Device")),
            *(
                f"{BASE}/Observation/$lastn?max=9&patient=Patient/{ids['subject_id']}",
                f"{BASE}/Group/{ids['group_id']}",
                f"{BASE}/bulk/{ids['job_id']}",
            ),
            *self.files,
        ]
        answers = {path: self.client.get(path) for path in paths}
        for path, answer in answers.items():
            assert answer.status_code == 200, (path, answer.text[:500])
            self.secrets |= set(UUID.findall(answer.text)) - {answer.headers.get("X-Request-Id", "")}
        return {path: AS_OF.sub("", answer.text) for path, answer in answers.items()}


def if_first() -> dict[str, str]:
    return {"If-Match": '"1"'}


def only_of(one: Clinic, other: Clinic) -> set[str]:
    """What one of them has and the other has not: its words, and every id it was ever given."""
    return copy.copy(one.secrets - other.secrets)


def leaks(answer: httpx.Response, secrets: set[str]) -> set[str]:
    """Secrets that an answer tells to who did not say them."""
    asked = f"{answer.request.url}{answer.request.content.decode('utf-8', 'replace')}".lower()
    told = f"{answer.text}{answer.headers}".lower()
    return {secret for secret in secrets if secret in told and secret not in asked}
