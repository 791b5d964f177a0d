"""From the outbox to the receiver, through every fault: each resource arrives, once, and in order."""

from __future__ import annotations

import json
import time
from typing import Any

import pytest

from application.clinic import Clinic, first_visit, left, reading, sitting
from delivery.post import Post
from delivery.receiver import DROPPED, Answer, Receiver
from quietcuff.delivery import worker

# What is in the answers, and the passing of time, is no matter of the database.
ON_SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


async def test_a_sitting_arrives_whole_and_once(post: Post) -> None:
    target = await post.target(bearer_token="invented-token")
    answer = await post.clinic.receive(sitting())
    assert await post.send() == 1
    record = post.receiver.record
    names = {value.removeprefix(f"{answer.set_id}/") for value in record.by_identifier() if value.startswith(answer.set_id)}
    assert names == {"r0", "p0", "r1", "r2", "r3", "mean"}
    assert (len(record.of_type("Patient")), len(record.of_type("Provenance"))) == (1, 1)
    assert post.receiver.tokens == ["Bearer invented-token"]
    assert await post.send() == 0
    stands = await post.stands(target)
    assert (stands.waiting, stands.undelivered, stands.oldest_waiting_at) == (0, 0, None)


async def test_nothing_is_queued_for_a_tenant_without_targets(post: Post) -> None:
    await post.clinic.receive(sitting())
    assert await post.clinic.count("outbox") == 0
    await post.target()
    await post.clinic.receive(sitting())
    assert await post.clinic.count("outbox") == 1


async def test_an_outbox_row_is_of_the_same_transaction(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    await post.target()

    def fail(*arguments: Any, **about: Any) -> None:
        raise RuntimeError("the disk is full")

    with monkeypatch.context() as broken:
        broken.setattr("quietcuff.application.evaluate_and_keep.note", fail)
        with pytest.raises(RuntimeError, match="disk"):
            await post.clinic.receive(sitting())
    assert [await post.clinic.count(table) for table in ("reading_set", "outbox")] == [0, 0]
    await post.clinic.receive(sitting())
    assert [await post.clinic.count(table) for table in ("reading_set", "outbox")] == [1, 1]


class Trouble:
    """A receiver that is in trouble for so many requests, and then well."""

    def __init__(self, answer: Answer, times: int) -> None:
        self.answer, self.times = answer, times

    def __call__(self, receiver: Receiver, body: bytes) -> Answer | None:
        self.times -= 1
        return self.answer if self.times >= 0 else None


async def morning(clinic: Clinic) -> list[str]:
    """Three people, two sittings each, of which one is fed reading by reading and one corrected."""
    ids = []
    for person in ("p-1", "p-2", "p-3"):
        opened = await clinic.receive(sitting([left(0)], person=person, closed=False))
        for minute, systolic in ((1, 150), (2, 146), (3, 144)):
            clinic.clock.move(seconds=60)
            opened = await clinic.append(opened, {"readings": [reading(minute, systolic, 90)], "closed": minute == 3})
        whole = await clinic.receive(sitting(first_visit(), person=person))
        await clinic.correct(whole, {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 148}})
        ids += [opened.set_id, whole.set_id]
    return ids


@pytest.mark.parametrize(
    ("answer", "times", "hours"),
    [
        (Answer(500), 3, 0.5),
        (Answer(503, Retry_After="7200"), 3, 2),
        (Answer(409), 7, 1),
        (Answer(404), 3, 0.5),
        (Answer(302, Location="http://127.0.0.1:1/elsewhere"), 3, 0.5),
        (Answer(429, Retry_After="Mon, 04 May 2026 10:00:00 GMT"), 3, 2.5),
        # Five fail together; what waits is brought forward once one has been taken.
        (Answer(DROPPED), 5, 0.5),
    ],
    ids=["500", "503 with seconds", "409", "404", "redirect", "429 with a date", "dropped"],
)
@ON_SQLITE
async def test_trouble_passes_and_everything_is_there_once(post: Post, answer: Answer, times: int, hours: float) -> None:
    await post.target()
    ids = await morning(post.clinic)
    post.receiver.fault = Trouble(answer, times)
    assert await post.send_all() >= hours
    check_everything_is_there(post, ids)


async def test_what_was_done_but_not_answered_is_done_once(post: Post) -> None:
    await post.target()
    ids = await morning(post.clinic)
    post.receiver.fault_after = Trouble(Answer(DROPPED), 4)
    await post.send_all()
    check_everything_is_there(post, ids)


@ON_SQLITE
async def test_a_slow_receiver_is_asked_again(clinic: Clinic, receiver: Receiver) -> None:
    post = Post(clinic, receiver, seconds=0.2)

    def dawdle(receiver: Receiver, body: bytes) -> None:
        time.sleep(0.5 if receiver.requests <= 2 else 0)

    receiver.fault_after = dawdle
    await post.target()
    ids = await morning(clinic)
    await post.send_all()
    await post.close()
    check_everything_is_there(post, ids)


async def test_a_record_that_is_down_gets_everything_when_it_is_back(clinic: Clinic, receiver: Receiver) -> None:
    post = Post(clinic, receiver)
    await post.target()
    ids = await morning(clinic)
    receiver.fault = lambda receiver, body: Answer(DROPPED)
    await post.send()
    clinic.clock.move(minutes=60)
    await post.send()
    receiver.fault = lambda receiver, body: None
    assert await post.send_all() <= 9
    await post.close()
    check_everything_is_there(post, ids)


async def test_a_target_that_fails_shows_why_and_when_next_and_catches_up_once_it_answers(post: Post) -> None:
    target = await post.target()
    for number in range(3):
        await post.clinic.receive(sitting(person=f"p-{number}"))
    # One of them is put off for an hour, the others for some seconds.
    post.receiver.fault = lambda receiver, body: Answer(503, **({"Retry-After": "3600"} if receiver.requests == 1 else {}))
    await post.send()
    stands = await post.stands(target)
    assert (stands.last_status, stands.waiting) == (503, 3) and stands.last_error is not None
    assert None not in (stands.last_attempt_at, stands.next_attempt_at)
    post.receiver.fault = lambda receiver, body: None
    post.clinic.clock.move(minutes=2)
    await post.send()
    await post.send()
    stands = await post.stands(target)
    assert stands.waiting == 0
    assert (stands.last_error, stands.last_status, stands.last_attempt_at, stands.next_attempt_at) == (None, None, None, None)


@pytest.mark.parametrize("minutes", [0, 2])
async def test_what_waits_is_brought_forward_by_something_new_that_is_taken(post: Post, minutes: float) -> None:
    target = await post.target()
    waits = [await post.clinic.receive(sitting(person="p-1")) for _ in range(2)]
    post.receiver.fault = lambda receiver, body: Answer(503, Retry_After="3600")
    await post.send()
    post.receiver.fault = lambda receiver, body: None
    post.clinic.clock.move(minutes=minutes)
    assert await post.send() == 0, "for an hour, as the receiver asked"
    new = await post.clinic.receive(sitting(person="p-2"))
    assert await post.send() == 3
    assert (await post.stands(target)).waiting == 0
    assert {f"{answer.set_id}/mean" for answer in (*waits, new)} <= set(post.receiver.record.by_identifier())


async def test_one_that_is_never_taken_is_not_given_up_because_others_are(post: Post) -> None:
    target = await post.target()
    bad = await post.clinic.receive(sitting(person="p-1"))
    behind = await post.clinic.receive(sitting(person="p-1"))
    post.receiver.fault = lambda receiver, body: Answer(500) if bad.set_id.encode() in body else None
    for _ in range(12):
        await post.clinic.receive(sitting(person="p-2"))
        await post.send()
        post.clinic.clock.move(seconds=20)
    stands = await post.stands(target)
    assert (stands.waiting, stands.undelivered) == (2, 0), "four attempts in four minutes, and the next in two hours"
    assert stands.next_attempt_at is not None
    # A tenth of two hours.
    post.clinic.clock.move(minutes=12)
    post.receiver.fault = lambda receiver, body: None
    await post.clinic.receive(sitting(person="p-2"))
    await post.send()
    assert (await post.stands(target)).waiting == 0
    assert {f"{answer.set_id}/mean" for answer in (bad, behind)} <= set(post.receiver.record.by_identifier())


async def test_who_asks_some_for_time_and_takes_others_is_not_asked_again_at_once(post: Post) -> None:
    await post.target()
    for number in range(4):
        await post.clinic.receive(sitting(person=f"p-{number}"))
    post.receiver.fault = lambda receiver, body: Answer(429, Retry_After="60") if receiver.requests <= 2 else None
    assert await post.send() == 4
    assert await post.send() == 0


def check_everything_is_there(post: Post, ids: list[str]) -> None:
    """Every Observation of the sets once, in its last state; one person for each; and nothing older after anything newer."""
    record = post.receiver.record
    by_identifier = record.by_identifier()
    for set_id in ids:
        for name in ("r0", "r1", "r2", "r3", "mean"):
            assert f"{set_id}/{name}" in by_identifier, name
    for whole in ids[1::2]:
        assert by_identifier[f"{whole}/r2"]["status"] == "corrected"
        assert by_identifier[f"{whole}/r2"]["component"][0]["valueQuantity"]["value"] == 148
        assert by_identifier[f"{whole}/mean"]["component"][0]["valueQuantity"]["value"] == 146
    assert len(record.of_type("Patient")) == 3
    created = [place for done, place, _ in record.log if done == "created"]
    assert len(created) == len(set(created)) == len(record.resources)
    check_order(record.transactions)


def check_order(transactions: list[Any]) -> None:
    """The versions of each set arrive in their order, a version again perhaps, but never an earlier one."""
    newest: dict[str, int] = {}
    for bundle in transactions:
        (tag,) = [
            entry["resource"]["meta"]["tag"][0]["code"]
            for entry in bundle["entry"]
            if entry["resource"]["resourceType"] == "Provenance"
        ]
        set_id, _, version = tag.rpartition("-v")
        assert int(version) >= newest.get(set_id, 0)
        newest[set_id] = int(version)


@ON_SQLITE
@pytest.mark.parametrize(
    ("status", "reason"), [(400, "refused"), (422, "refused"), (412, "several-matches"), (413, "too-large")]
)
async def test_what_will_never_be_taken_is_given_up_at_once_and_the_rest_goes_on(post: Post, status: int, reason: str) -> None:
    target = await post.target()
    bad = await post.clinic.receive(sitting(person="p-1"))
    good = await post.clinic.receive(sitting(person="p-1"))
    post.receiver.fault = lambda receiver, body: Answer(status) if bad.set_id.encode() in body else None
    await post.send_all()
    (entry,) = await post.undelivered(target)
    assert (entry.reading_set_id, entry.reason, entry.status, entry.attempts) == (bad.set_id, reason, status, 1)
    assert f"{good.set_id}/mean" in post.receiver.record.by_identifier()
    assert (await post.stands(target)).undelivered == 1


async def test_several_of_one_identifier_are_left_alone(post: Post) -> None:
    target = await post.target()
    answer = await post.clinic.receive(sitting())
    await post.send()
    record = post.receiver.record
    place = next(place for place, one in record.resources.items() if place.startswith("Patient"))
    record.resources["Patient/again"] = record.resources[place]
    await post.clinic.correct(answer, {"change": "void-reading", "index": 1})
    held = len(record.log)
    await post.send()
    assert [entry.reason for entry in await post.undelivered(target)] == ["several-matches"]
    assert len(record.log) == held


@ON_SQLITE
async def test_after_ten_attempts_it_is_given_up_visibly_and_can_be_replayed(post: Post) -> None:
    target = await post.target()
    answer = await post.clinic.receive(sitting())
    post.receiver.fault = lambda receiver, body: Answer(500)
    # Standard Webhooks 1.0.0, example schedule: ten attempts in 75 h 35 min 5 s. A tenth more at most; here half-hour steps.
    assert 75.5 <= await post.send_all() <= 75.6 * 1.1 + 10 * 0.5
    (entry,) = await post.undelivered(target)
    assert (entry.reason, entry.status, entry.attempts, post.receiver.requests) == ("receiver-failed", 500, 10, 10)
    later = await post.clinic.correct(answer, {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 148}})
    post.receiver.fault = lambda receiver, body: None
    await post.send_all()
    await post.replay(target, entry.id)
    await post.send_all()
    record = post.receiver.record.by_identifier()
    assert record[f"{answer.set_id}/r2"]["component"][0]["valueQuantity"]["value"] == 148
    assert {f"{answer.set_id}/r{index}" for index in range(4)} <= set(record)
    assert (await post.stands(target)).undelivered == 0 and later.version == 2


async def test_what_is_not_authorised_pauses_the_target_until_it_is_told_to_go_on(post: Post) -> None:
    target = await post.target(bearer_token="stale")
    answer = await post.clinic.receive(sitting())
    post.receiver.fault = lambda receiver, body: None if receiver.tokens[-1] == "Bearer fresh" else Answer(401)
    await post.send_all(2)
    stands = await post.stands(target)
    assert (stands.state, stands.reason, stands.waiting, post.receiver.requests) == ("paused", "not-authorised", 1, 1)
    await post.change(target, bearer_token="fresh", state="active")
    await post.send()
    assert f"{answer.set_id}/mean" in post.receiver.record.by_identifier()
    assert (await post.stands(target)).reason is None


async def test_what_is_gone_ends_the_target(post: Post) -> None:
    target = await post.target("webhook")
    await post.clinic.receive(sitting())
    post.receiver.fault = lambda receiver, body: Answer(410)
    await post.send()
    assert (await post.stands(target)).state == "disabled"
    await post.clinic.receive(sitting())
    assert await post.send() == 0
    assert await post.clinic.count("outbox") == 1


async def test_a_poisoned_entry_holds_up_nobody_else(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    target = await post.target()
    poisoned = await post.clinic.receive(sitting(person="p-1"))
    build = worker.parcel_of

    def break_some(snapshot: Any, publisher: Any, row: Any, entry: Any, now: Any) -> Any:
        if str(entry.set_id) == poisoned.set_id:
            raise KeyError("no such thing")
        return build(snapshot, publisher, row, entry, now)

    monkeypatch.setattr(worker, "parcel_of", break_some)
    others = [await post.clinic.receive(sitting(person=f"p-{number}")) for number in range(2, 6)]
    await post.send()
    record = post.receiver.record.by_identifier()
    assert all(f"{answer.set_id}/mean" in record for answer in others)
    assert (await post.stands(target)).waiting == 1
    assert {type(failure) for failure in post.failures} == {KeyError}
    post.failures.clear()


@ON_SQLITE
async def test_a_webhook_of_a_sitting_tells_ids_and_nothing_else(post: Post) -> None:
    await post.target("webhook")
    answer = await post.clinic.receive(sitting())
    await post.send()
    ((_, body),) = post.receiver.events
    told = json.loads(body)
    assert told["data"] == {
        "reading_set_id": answer.set_id,
        "version": 1,
        "observations": [f"{answer.set_id}-{name}" for name in ("r0", "p0", "r1", "r2", "r3", "mean")],
    }
    assert told["subject"] == answer.set_id
    # Ids and times are made by chance or clock, and may have any digits.
    beside = json.dumps({name: value for name, value in told.items() if name not in ("data", "id", "subject", "time")})
    assert not any(word in beside for word in ("p-0001", "1971", "146"))
