"""What is sent: transactions that the standards' own tools take, and events signed as their specification says."""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from fhir.resources.R4B.bundle import Bundle
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from application.clinic import first_visit, left, reading, sitting
from delivery.post import PUBLIC_URL, Post
from delivery.receiver import DROPPED, Answer
from fhir_r4.profiles import faults_of
from quietcuff.delivery import targets
from quietcuff.delivery.signing import make_secret, secret_text, signature_headers
from quietcuff.delivery.transaction import token

OBSERVATION = f"{PUBLIC_URL}/id/observation".replace(":", "%3A").replace("/", "%2F")


@pytest.fixture
def database_url(sqlite_url: str) -> str:
    """What is sent does not depend on the database; that it is sent from both is tested with the worker."""
    return sqlite_url


def requests_of(bundle: dict[str, Any]) -> dict[str, tuple[str, str, str | None]]:
    """By the last part of its identifier or tag: method, URL and ifNoneExist of each entry."""
    found = {}
    for entry in bundle["entry"]:
        resource, request = entry["resource"], entry["request"]
        value = resource["identifier"][0]["value"] if "identifier" in resource else resource["meta"]["tag"][0]["code"]
        name = value.rsplit("-", 1)[-1] if resource["resourceType"] == "Provenance" else value.rpartition("/")[2]
        found[name] = (request["method"], request["url"], request.get("ifNoneExist"))
    return found


async def transactions(post: Post) -> list[dict[str, Any]]:
    await post.send_all()
    bundles = post.receiver.record.transactions
    for bundle in bundles:
        Bundle.model_validate_json(json.dumps(bundle))
        assert faults_of(with_types(bundle)) == []
    return bundles


def with_types(bundle: dict[str, Any]) -> dict[str, Any]:
    """The same with references that show what they lead to, as profiles look at them; each entry has its request (bdl-3)."""
    types = {entry["fullUrl"]: entry["resource"]["resourceType"] for entry in bundle["entry"]}
    assert all(entry["request"] for entry in bundle["entry"])

    def shown(value: Any) -> Any:
        if isinstance(value, dict):
            return {
                key: f"{types[one]}/{one[9:]}" if key == "reference" and one in types else shown(one)
                for key, one in value.items()
            }
        return [shown(one) for one in value] if isinstance(value, list) else value

    return {**bundle, "entry": [{**entry, "resource": shown(entry["resource"])} for entry in bundle["entry"]]}


async def test_a_new_sitting_is_created_unless_it_is_there(post: Post) -> None:
    await post.target()
    device = {"identifier": {"system": "urn:example:device", "value": "SN-0007"}, "kind": "automatic", "site": "upper-arm"}
    flagged = [left(0, pulse_per_min=72, device_flags=["irregular-pulse"]), *first_visit()[1:]]
    answer = await post.clinic.receive(sitting(flagged, device=device))
    (bundle,) = await transactions(post)
    set_id = answer.set_id

    def new(kind: str, query: str) -> tuple[str, str, str | None]:
        return ("POST", kind, query)

    ours = {
        name: new("Observation", f"identifier={OBSERVATION}%7C{set_id}%2F{name}")
        for name in ("r0", "p0", "f0", "r1", "r2", "r3", "mean")
    }
    assert requests_of(bundle) == {
        "p-0001": new("Patient", "identifier=urn%3Aexample%3Amrn%7Cp-0001"),
        "SN-0007": new("Device", "identifier=urn%3Aexample%3Adevice%7CSN-0007"),
        "0.1.0": new("Device", f"identifier={OBSERVATION.replace('observation', 'device')}%7Cquietcuff%2F0.1.0"),
        **ours,
        "v1": new("Provenance", f"_tag={OBSERVATION.replace('observation', 'provenance')}%7C{set_id}-v1"),
    }
    assert [entry["resource"]["resourceType"] for entry in bundle["entry"]] == [
        "Patient",
        *["Device"] * 2,
        *["Observation"] * 7,
        "Provenance",
    ]
    assert all(entry["fullUrl"].startswith("urn:uuid:") and "id" not in entry["resource"] for entry in bundle["entry"])


async def test_a_correction_puts_in_place_what_moved_and_nothing_else(post: Post) -> None:
    await post.target()
    answer = await post.clinic.receive(sitting())
    await post.send()
    await post.clinic.correct(answer, {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 148}})
    bundle = (await transactions(post))[-1]
    asked = requests_of(bundle)
    query = f"identifier={OBSERVATION}%7C{answer.set_id}%2F"
    assert asked["r2"] == ("PUT", f"Observation?{query}r2", None)
    assert asked["mean"] == ("PUT", f"Observation?{query}mean", None)
    # The other reading that the mean comes from: there already, and only pointed to.
    assert asked["r3"] == ("POST", "Observation", f"{query}r3")
    assert not asked.keys() & {"r0", "r1", "p0"}
    statuses = {
        entry["resource"]["identifier"][0]["value"][-2:]: entry["resource"]["status"]
        for entry in bundle["entry"]
        if entry["resource"]["resourceType"] == "Observation"
    }
    assert (statuses["r2"], statuses["an"], statuses["r3"]) == ("corrected", "corrected", "final")
    (provenance,) = [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == "Provenance"]
    assert len(provenance["target"]) == 2


async def test_a_sitting_that_is_taken_back_is_entered_in_error(post: Post) -> None:
    await post.target()
    answer = await post.clinic.receive(sitting())
    await post.send()
    await post.clinic.correct(answer, {"change": "void-set"})
    await transactions(post)
    record = post.receiver.record
    assert {one["status"] for one in record.of_type("Observation")} == {"entered-in-error"}
    assert len(record.of_type("Observation")) == 6


@pytest.mark.parametrize("asked", [False, True], ids=["unasked", "asked"])
async def test_an_implausible_reading_only_goes_where_it_is_asked_for(post: Post, asked: bool) -> None:
    await post.target(implausible=asked)
    readings = [*first_visit(), reading(4, 88, 144, pulse_per_min=70)]
    answer = await post.clinic.receive(sitting(readings))
    await transactions(post)
    names = {value.rpartition("/")[2] for value in post.receiver.record.by_identifier() if value.startswith(answer.set_id)}
    assert ({"r4", "p4"} <= names) == asked and {"r0", "r1", "r2", "r3"} <= names
    await post.clinic.correct(
        answer, {"change": "amend-reading", "index": 4, "set": {"systolic_mmhg": 144, "diastolic_mmhg": 88}}
    )
    await transactions(post)
    assert f"{answer.set_id}/r4" in post.receiver.record.by_identifier()


async def test_what_turns_out_implausible_is_put_right_where_it_is_known(post: Post) -> None:
    await post.target()
    answer = await post.clinic.receive(sitting([*first_visit(), reading(4, 144, 88)]))
    await transactions(post)
    await post.clinic.correct(
        answer, {"change": "amend-reading", "index": 4, "set": {"systolic_mmhg": 88, "diastolic_mmhg": 144}}
    )
    await transactions(post)
    shown = post.receiver.record.by_identifier()[f"{answer.set_id}/r4"]
    assert shown["component"][0]["valueQuantity"]["value"] == 88
    assert [note["text"] for note in shown["note"]] == ["Implausible, not used in the mean."]


async def test_an_implausible_reading_that_is_taken_back_was_never_told(post: Post) -> None:
    await post.target()
    answer = await post.clinic.receive(sitting([*first_visit(), reading(4, 88, 144)]))
    await post.clinic.correct(answer, {"change": "void-reading", "index": 4})
    await transactions(post)
    assert f"{answer.set_id}/r4" not in post.receiver.record.by_identifier()


@pytest.mark.parametrize("asked", [False, True], ids=["unasked", "asked"])
async def test_a_preliminary_mean_only_goes_where_it_is_asked_for(post: Post, asked: bool) -> None:
    await post.target(preliminary=asked)
    answer = await post.clinic.receive(sitting(first_visit(), closed=False))
    await transactions(post)
    known = post.receiver.record.by_identifier()
    assert (f"{answer.set_id}/mean" in known) == asked
    await post.clinic.append(answer, {"readings": [], "closed": True})
    await transactions(post)
    assert post.receiver.record.by_identifier()[f"{answer.set_id}/mean"]["status"] == "final"


@pytest.mark.parametrize("asked", [False, True], ids=["unasked", "asked"])
async def test_that_there_is_no_result_only_goes_where_it_is_asked_for(post: Post, asked: bool) -> None:
    """The readings arrive either way, and a result that more readings bring takes its place."""
    await post.target(without_result=asked)
    answer = await post.clinic.receive(sitting(first_visit()[:2]))
    await transactions(post)
    name = f"{answer.set_id}/mean"
    assert f"{answer.set_id}/r1" in post.receiver.record.by_identifier()
    assert (name in post.receiver.record.by_identifier()) == asked
    await post.clinic.append(await post.clinic.reopen(answer), {"readings": first_visit()[2:], "closed": True})
    await transactions(post)
    shown = post.receiver.record.by_identifier()[name]
    assert (shown["status"], shown["component"][0]["valueQuantity"]["value"]) == ("amended", 145)


async def test_a_result_that_a_record_has_gives_way_to_none_and_one_that_it_never_had_does_not(post: Post) -> None:
    await post.target()
    answer = await post.clinic.receive(sitting())
    await transactions(post)
    without = await post.clinic.receive(sitting(first_visit()[:2]))
    for one, places in ((answer, (2, 3)), (without, (0,))):
        failed = {"systolic_mmhg": None, "diastolic_mmhg": None}
        await post.clinic.correct(one, *({"change": "amend-reading", "index": index, "set": failed} for index in places))
    await transactions(post)
    shown = post.receiver.record.by_identifier()
    assert (shown[f"{answer.set_id}/mean"]["status"], shown[f"{answer.set_id}/r2"]["status"]) == ("corrected", "corrected")
    assert not any("valueQuantity" in part for part in shown[f"{answer.set_id}/mean"]["component"][:2])
    assert f"{without.set_id}/mean" not in shown and f"{without.set_id}/r0" in shown


async def test_what_moved_again_is_told_by_the_version_that_moved_it_last(post: Post) -> None:
    await post.target()
    answer = await post.clinic.receive(sitting())
    await post.clinic.correct(answer, {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 148}})
    first, second = await transactions(post)
    assert requests_of(first).keys() >= {"r0", "r1", "r3", "p0"} and "mean" not in requests_of(first)
    assert requests_of(second)["mean"][0] == "PUT"
    assert len(post.receiver.record.of_type("Observation")) == 6


async def test_identifiers_with_signs_of_a_search_are_escaped(post: Post) -> None:
    await post.target()
    await post.clinic.receive(sitting(person="a|b,c$d\\e & f/g?é"))
    await post.clinic.receive(sitting(person="a|b,c$d\\e & f/g?é"))
    await transactions(post)
    assert len(post.receiver.record.of_type("Patient")) == 1


def test_a_token_is_escaped_for_the_search_and_then_for_the_url() -> None:
    # FHIR R4 4.0.1, search.html, "Escaping Search Parameters".
    assert token("urn:x", "a|b,c$d\\e") == "urn%3Ax%7Ca%5C%7Cb%5C%2Cc%5C%24d%5C%5Ce"


def test_the_specifications_own_tool_accepts_our_signatures() -> None:
    secret, body = make_secret(), b'{"a":1}'
    headers = signature_headers("msg-1", datetime.now(UTC), body, [make_secret(), secret])
    assert Webhook(secret_text(secret)).verify(body, headers) == {"a": 1}
    assert 24 <= len(secret) <= 64 and secret_text(secret).startswith("whsec_")
    with pytest.raises(WebhookVerificationError):
        Webhook(secret_text(secret)).verify(body + b" ", headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(secret_text(make_secret())).verify(body, headers)


def test_the_example_of_the_reference_libraries() -> None:
    # The vector that the Standard Webhooks libraries test with (from memory; their own tool agrees, below).
    key, at = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", datetime.fromtimestamp(1614265330, UTC)
    body = b'{"test": 2432232314}'
    message = "msg_p5jXN8AQM9LWM0D4loKWxJek"
    ours = signature_headers(message, at, body, [base64.b64decode(key[6:])])["webhook-signature"]
    assert ours == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert ours == Webhook(key).sign(msg_id=message, timestamp=at, data=body.decode())


async def test_an_event_is_a_cloud_event_and_signed_with_both_keys_while_they_change(post: Post) -> None:
    post.clinic.clock.now = datetime.now(UTC)
    made = await post.target("webhook")
    answer = await post.clinic.receive(sitting())
    await post.send()
    rotated = await targets.rotate_secret(post.clinic.desk, post.clinic.caller, made.id)
    await post.clinic.correct(answer, {"change": "void-reading", "index": 1})
    await post.send()
    post.clinic.clock.move(hours=24)
    await post.clinic.correct(await post.clinic.receive(sitting()), {"change": "void-set"})
    await post.send()
    (first, body), (second, _), (last, _), *_ = post.receiver.events
    assert made.secret is not None
    assert Webhook(made.secret).verify(body, first)["id"] == first["webhook-id"] == f"{answer.set_id}-v1"
    assert len(second["webhook-signature"].split()) == 2 and len(last["webhook-signature"].split()) == 1
    assert rotated.secret != made.secret
    for headers, content in post.receiver.events[:2]:
        Webhook(rotated.secret if headers is second else made.secret).verify(content, headers)
    event = from_http_event(HTTPMessage(headers=first, body=body))
    assert (event.get_type(), event.get_source()) == ("quietcuff.reading-set.created", PUBLIC_URL)
    assert (event.get_subject(), event.get_specversion()) == (answer.set_id, "1.0")
    time = event.get_time()
    assert time is not None and abs(time - datetime.now(UTC)) < timedelta(minutes=5)
    assert first["content-type"] == "application/cloudevents+json; charset=utf-8"


async def test_an_event_keeps_its_id_when_it_is_sent_again(post: Post) -> None:
    await post.target("webhook")
    await post.clinic.receive(sitting())
    post.receiver.fault_after = lambda receiver, body: Answer(DROPPED) if receiver.requests == 1 else None
    await post.send_all()
    (first, body), (again, same) = post.receiver.events
    assert (first["webhook-id"], body) == (again["webhook-id"], same)
    assert int(again["webhook-timestamp"]) > int(first["webhook-timestamp"])
    assert msgspec.json.decode(body)["type"] == "quietcuff.reading-set.created"
