"""Who may do what: a walk over every route, with every scope, and with the keys of another tenant."""

from __future__ import annotations

import json
import logging
import time
from contextlib import closing
from http.client import HTTPConnection
from typing import Any
from urllib.parse import urlsplit
from uuid import uuid4

import httpx
import pytest

from api.serving import Server, new_key
from api.test_reading_sets import named, whole_set
from bodies import APPEND, CORRECTION, DEVICE, OPENED_SET, SUBJECT, TARGET
from quietcuff.api.app import create_routes
from quietcuff.api.authentication import admit
from quietcuff.api.examples import example
from quietcuff.api.openapi import operations
from quietcuff.api.operations import FORM, Operation, operation_of
from quietcuff.security.scopes import LETTERS, METRICS, Need
from quietcuff.settings import Settings

TYPES = (
    "Observation",
    "Patient",
    "Device",
    "Provenance",
    "Binary",
    "Endpoint",
    "Group",
    "AuditEvent",
    "Table",
    "FollowUp",
    "Quality",
    "WhatIf",
)
OPEN = {
    "is_live", "is_ready", "smart_configuration", "smart_configuration_of_fhir", "give_token",
    "list_problems", "get_problem", "capability_statement",
    "read_code_system", "read_measure", "read_search_parameter", "read_structure_definition",
    "search_code_systems", "search_measures", "search_search_parameters", "search_structure_definitions",
    "search_code_systems_by_post", "search_measures_by_post", "search_search_parameters_by_post",
    "search_structure_definitions_by_post",
    "openapi", "docs", "docs_start", "docs_style", "docs_script",
    "docs_look", "favicon", "guide", "guides", "landing", "look",
}  # fmt: skip
# What each operation asks of a key, said here once more: a change of it must be meant.
NEEDED = {
    "evaluate": "Observation.c",
    "store_reading_set": "Observation.c",
    "store_reading_sets": "Observation.c",
    "get_reading_set": "Observation.r",
    "list_reading_sets": "Observation.s",
    "list_reading_set_versions": "Observation.r",
    "get_reading_set_version": "Observation.r",
    "get_reading_set_bundle": "Observation.r",
    "get_reading_set_sheet": "Observation.r",
    "append_readings": "Observation.u",
    "reopen_reading_set": "Observation.u",
    "correct_reading_set": "Observation.u",
    "move_reading_set": "Observation.u",
    "save_subject": "Patient.c",
    "find_subject": "Patient.s",
    "get_subject": "Patient.r",
    "summarise_subject": "Patient.r",
    "save_device": "Device.c",
    "get_device": "Device.r",
    "read_observation": "Observation.r",
    "read_patient": "Patient.r",
    "read_device": "Device.r",
    "read_provenance": "Provenance.r",
    "read_audit_event": "AuditEvent.r",
    "read_observation_version": "Observation.r",
    "read_patient_version": "Patient.r",
    "read_device_version": "Device.r",
    "read_provenance_version": "Provenance.r",
    "read_audit_event_version": "AuditEvent.r",
    "history_of_observation": "Observation.r",
    "history_of_patient": "Patient.r",
    "history_of_device": "Device.r",
    "history_of_provenance": "Provenance.r",
    "search_observations": "Observation.s",
    "search_observations_by_post": "Observation.s",
    "last_observations": "Observation.s",
    "last_observations_by_post": "Observation.s",
    "search_patients": "Patient.s",
    "search_patients_by_post": "Patient.s",
    "search_devices": "Device.s",
    "search_devices_by_post": "Device.s",
    "search_provenances": "Provenance.s",
    "search_provenances_by_post": "Provenance.s",
    "search_audit_events": "AuditEvent.s",
    "search_audit_events_by_post": "AuditEvent.s",
    "export_system": "any-key",
    "export_system_by_post": "any-key",
    "export_patient": "any-key",
    "export_patient_by_post": "any-key",
    "ask_after_export": "any-key",
    "end_export": "any-key",
    "read_export_file": "any-key",
    "draw_trend_of_subject": "Patient.r",
    "make_target": "Endpoint.c",
    "list_targets": "Endpoint.s",
    "get_target": "Endpoint.r",
    "change_target": "Endpoint.u",
    "rotate_target_secret": "Endpoint.u",
    "delete_target": "Endpoint.d",
    "list_undelivered": "Endpoint.r",
    "replay_undelivered": "Endpoint.u",
    "export_group": "any-key",
    "export_group_by_post": "any-key",
    "read_group": "Group.r",
    "save_group": "Group.c",
    "get_group": "Group.r",
    "list_groups": "Group.s",
    "delete_group": "Group.d",
    "receive_gatt": "Binary.c",
    "receive_hl7v2": "Binary.c",
    "receive_fhir": "Binary.c",
    "get_payload": "Binary.r",
    "list_refused_payloads": "Binary.s",
    "get_refused_payload": "Binary.r",
    "replay_refused_payload": "Binary.u",
    "get_table_dictionary": "Table.r",
    "get_table": "Table.r",
    "list_follow_ups": "FollowUp.s",
    "read_follow_up_group": "FollowUp.s",
    "read_follow_up_group_low_with_symptoms": "FollowUp.s",
    "read_follow_up_group_symptoms": "FollowUp.s",
    "read_follow_up_group_severe_without_later_set": "FollowUp.s",
    "read_follow_up_group_review_without_later_set": "FollowUp.s",
    "read_follow_up_group_unconfirmed_overdue": "FollowUp.s",
    "read_follow_up_group_blocked_not_repeated": "FollowUp.s",
    "evaluate_measure": "Quality.r",
    "evaluate_measure_by_post": "Quality.r",
    "evaluate_one_measure": "Quality.r",
    "evaluate_one_measure_by_post": "Quality.r",
    "get_quality": "Quality.r",
    "get_quality_page": "Quality.r",
    "start_what_if": "WhatIf.c",
    "get_what_if": "WhatIf.r",
    "metrics": METRICS,
    "end_what_if": "WhatIf.d",
    "list_protocols": "any-key",
    "list_words": "any-key",
    "get_protocol": "any-key",
    "list_guidelines": "any-key",
    "get_guideline": "any-key",
}
ROUTES = list(operations(create_routes(Settings())))


def request_of(client: httpx.Client, path: str, method: str, operation: Operation, ids: dict[str, str]) -> httpx.Response:
    """The answer to a request of the operation that would be a good one, with these ids in its path."""
    return client.send(built(client, path, method, operation, ids))


def built(client: httpx.Client, path: str, method: str, operation: Operation, ids: dict[str, str]) -> httpx.Request:
    """That request."""
    headers = {"If-Match": '"1"'}
    if operation.media_type == FORM:
        return client.build_request("POST", path.format(**ids), data={"code": "96607-7"}, headers=headers)
    body = BODIES.get(operation.id)
    if body is not None:
        headers["Content-Type"] = operation.media_type
    return client.build_request(method, path.format(**ids), json=body, headers=headers)


BODIES: dict[str, Any] = {
    "evaluate": OPENED_SET,
    "store_reading_set": OPENED_SET,
    "append_readings": APPEND,
    "correct_reading_set": CORRECTION,
    "move_reading_set": {"subject": {"identifier": {"system": "urn:example:mrn", "value": "p-0002"}}, "reason": "wrong person"},
    "save_subject": SUBJECT,
    "find_subject": {"identifier": SUBJECT["identifier"]},
    "save_device": DEVICE,
    "receive_gatt": example("gatt"),
    "receive_fhir": example("fhir-observation"),
    "replay_refused_payload": {},
    "make_target": TARGET,
    "change_target": {"state": "paused"},
    "replay_undelivered": {},
    "save_group": {"name": "at home", "setting": "home"},
    "start_what_if": {"guideline": "esh-2023"},
    "evaluate_measure_by_post": example("measure-type-parameters"),
    "evaluate_one_measure_by_post": example("measure-parameters"),
}
NO_IDS = {
    "set_id": str(uuid4()),
    "subject_id": str(uuid4()),
    "device_id": str(uuid4()),
    "target_id": str(uuid4()),
    "group_id": str(uuid4()),
    "resource_id": str(uuid4()),
    "payload_id": str(uuid4()),
    "refused_id": str(uuid4()),
    "version_id": "1",
    "job_id": str(uuid4()),
    "number": "1",
    "name": "sets",
    "rule_id": "office-both-arms",
    "slug": "not-found",
}


def test_every_route_says_what_it_is_and_what_it_asks() -> None:
    said = {operation.id: str(operation.access).removeprefix("system/") for _, _, operation in ROUTES}
    assert said == {**NEEDED, **dict.fromkeys(OPEN, "open")}


def test_no_route_is_without_an_operation() -> None:
    app = create_routes(Settings())
    for route in app.routes:
        for handler in route.route_handlers:  # type: ignore[union-attr]
            # For OPTIONS too: the framework made no handler of its own.
            assert operation_of(handler.opt) is not None, route.path
            # A hook of a lower layer would take the place of ours, and the route would admit everybody.
            assert handler.resolve_before_request() is admit, route.path


def test_without_a_key_only_open_routes_answer(stranger: httpx.Client) -> None:
    for path, method, operation in ROUTES:
        status = request_of(stranger, path, method, operation, NO_IDS).status_code
        assert (status == 401) == (operation.id not in OPEN), (operation.id, status)


def test_a_key_opens_exactly_what_its_one_scope_names(server: Server, stranger: httpx.Client) -> None:
    keys = {Need(kind, letter): f"system/{kind}.{letter}" for kind in TYPES for letter in LETTERS}
    bearers = {need: f"Bearer {new_key(server.database_url, scopes=scopes)}" for need, scopes in keys.items()}
    # A plain connection, as there are thousands of requests, and to build each anew would cost more than its answer.
    with closing(HTTPConnection("127.0.0.1", urlsplit(server.url).port)) as connection:
        # An export asks for two letters of every type that it holds: its own tests walk them.
        for path, method, operation in (route for route in ROUTES if not route[2].id.startswith("export_")):
            sent = built(stranger, path, method, operation, NO_IDS)
            headers = {name: text for name, text in sent.headers.items() if name not in ("content-length", "accept-encoding")}
            for held, bearer in bearers.items():
                connection.request(sent.method, sent.url.raw_path.decode(), sent.content, {**headers, "Authorization": bearer})
                answer = connection.getresponse()
                text = answer.read()
                is_allowed = operation.access in ("open", "any-key") or operation.access == held
                assert (answer.status == 403) != is_allowed, (operation.id, held, answer.status)
                if not is_allowed:
                    assert str(operation.access) in answer.headers["WWW-Authenticate"]
                    assert str(operation.access).encode() in text


def test_older_words_and_stars_open_what_they_say(server: Server) -> None:
    with server.client(scopes="system/*.read") as reader, server.client(scopes="system/Observation.write") as writer:
        assert reader.get("/v1/reading-sets").status_code == 200
        assert reader.post("/v1/evaluations", json=OPENED_SET).status_code == 403
        assert writer.post("/v1/evaluations", json=OPENED_SET).status_code == 200
        assert writer.get("/v1/reading-sets").status_code == 403


def test_another_tenant_sees_and_changes_nothing(service: Server) -> None:
    with service.client() as ours, service.client(tenant="other clinic") as theirs:
        path, envelope = whole_set(ours)
        device_id = ours.post("/v1/devices", json=DEVICE).json()["id"]
        set_id, subject_id = envelope["id"], envelope["subject_id"]
        ids = {**NO_IDS, "set_id": set_id, "subject_id": subject_id, "device_id": device_id}
        resources = {"Observation": f"{set_id}-mean", "Patient": subject_id, "Device": device_id, "Provenance": f"{set_id}-v1"}
        for route, method, operation in ROUTES:
            if operation.access == "open":
                # The same for everybody, and of nobody.
                continue
            if "/AuditEvent/" in route:
                # Its ids are counted anew for each tenant; that each sees its own alone is tested with the trail.
                continue
            if "/Measure/" in route:
                # Definitions; that their numbers are of one tenant is tested with them.
                continue
            named_resource = {"resource_id": resources.get(route.split("/")[3], "")} if "{resource_id}" in route else {}
            if any(f"{{{name}}}" in route for name in ("set_id", "subject_id", "device_id", "resource_id")):
                mine = request_of(ours, route, method, operation, ids | named_resource)
                assert mine.status_code in (200, 409, 412, 422), (operation.id, mine.text)
                answer = request_of(theirs, route, method, operation, ids | named_resource)
                assert answer.status_code == 404, (operation.id, answer.status_code)
                assert subject_id not in answer.text
        assert theirs.get("/v1/reading-sets", params={"subject_id": subject_id}).json()["items"] == []
        assert theirs.get("/v1/reading-sets").json()["items"] == []
        assert "entry" not in theirs.get("/fhir/R4/Observation", params={"patient": subject_id}).json()
        assert "entry" not in theirs.get("/fhir/R4/Observation", params={"_id": f"{set_id}-mean"}).json()
        finding = {"identifier": envelope["reading_set"]["subject"]["identifier"]}
        assert theirs.post("/v1/subjects/find", json=finding).status_code == 404
        assert ours.get(path).json()["reading_set"] == envelope["reading_set"] or ours.get(path).json()["version"] > 1


def test_the_same_names_in_two_tenants_are_two_people_and_two_sets(service: Server) -> None:
    body, key = named(OPENED_SET), f"same-{uuid4()}"
    with service.client() as ours, service.client(tenant="other clinic") as theirs:
        first = ours.post("/v1/reading-sets", json=body, headers={"Idempotency-Key": key})
        second = theirs.post("/v1/reading-sets", json=body, headers={"Idempotency-Key": key})
    assert (first.status_code, second.status_code) == (201, 201)
    assert "Idempotency-Replayed" not in second.headers
    assert first.json()["subject_id"] != second.json()["subject_id"]


def wait_for_lines(caplog: pytest.LogCaptureFixture, count: int) -> None:
    """A request's line is written after its answer is sent: give the last ones a moment."""
    patience = time.monotonic() + 5
    while sum(record.name == "quietcuff.access" for record in caplog.records) < count and time.monotonic() < patience:
        time.sleep(0.01)


def test_the_log_tells_of_requests_but_not_of_people(
    server: Server, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The service has it so: whichever test went before, the server library writes no access log of its own.
    monkeypatch.setattr(logging.getLogger("uvicorn.access"), "propagate", False)
    monkeypatch.setattr(logging.getLogger("uvicorn.access"), "handlers", [])
    body, key = named(OPENED_SET), new_key(server.database_url)
    with caplog.at_level(logging.INFO, logger="quietcuff.access"), server.client_of(key) as client:
        stored = client.post("/v1/reading-sets", json=body).json()
        client.get(f"/v1/reading-sets/{stored['id']}")
        client.get("/fhir/R4/Observation", params={"patient": stored["subject_id"]})
        client.get("/v1/nowhere/Wilhelmina")
        client.post("/v1/evaluations", json={"Wilhelmina": 1})
        wait_for_lines(caplog, 5)
    lines = [json.loads(record.getMessage()) for record in caplog.records if record.name == "quietcuff.access"]
    assert [(line["method"], line["route"], line["status"]) for line in lines] == [
        ("POST", "/v1/reading-sets", 201),
        ("GET", "/v1/reading-sets/{set_id}", 200),
        ("GET", "/fhir/R4/Observation", 200),
        ("GET", "unmatched", 404),
        ("POST", "/v1/evaluations", 422),
    ]
    assert lines[0]["key"] == key.split("_")[1] and lines[0]["milliseconds"] > 0
    secrets = (stored["id"], stored["subject_id"], body["subject"]["identifier"]["value"], "Wilhelmina", key.split("_")[2])
    assert not any(secret in caplog.text for secret in secrets)
