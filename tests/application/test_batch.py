"""Many sittings, one a line: told of in order, each on its own, and the same as if they had come one after the other."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import msgspec
import pytest

from application.clinic import Body, Clinic, on_day, open_clinic, reading, sitting, told
from quietcuff import application
from quietcuff.application import Answer, AppContext, Known, ReceivedLine, batch
from quietcuff.core.model.errors import Conflict, Fault, NotAcceptable, NotReadable, QuietcuffError
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.decode.ndjson import Line
from quietcuff.storage.engine.store import Store, open_store

BY_LINE = batch.by_identifier_or_line(None)


def ndjson(*bodies: Body) -> bytes:
    return b"".join(msgspec.json.encode(body) + b"\n" for body in bodies)


async def in_chunks(raw: bytes, size: int = 5_000) -> AsyncIterator[bytes]:
    for start in range(0, len(raw), size):
        yield raw[start : start + size]
        await asyncio.sleep(0)


async def receive(clinic: Clinic, raw: bytes, known: Known = BY_LINE) -> list[ReceivedLine]:
    """What came of each line, in the order in which it was told."""
    found: list[ReceivedLine] = []
    await application.receive_lines(clinic.desk, clinic.caller, in_chunks(raw), known, found.append)
    return found


def answers(found: list[ReceivedLine]) -> list[Answer]:
    """The answers, which every line must have."""
    assert all(isinstance(received.outcome, Answer) for received in found)
    return [received.outcome for received in found if isinstance(received.outcome, Answer)]


def kinds(found: list[ReceivedLine]) -> list[str]:
    return [type(received.outcome).__name__ for received in found]


def faults(received: ReceivedLine) -> list[tuple[str | None, str]]:
    error = received.outcome
    assert isinstance(error, NotReadable | NotAcceptable)
    return [
        (fault.header or fault.pointer, fault.code)
        for fault in ([error.fault] if isinstance(error, NotReadable) else error.faults)
    ]


def visits(people: int, days: int) -> list[Body]:
    """Sittings of several people over several days, everybody's first before anybody's second; no two alike."""
    return [
        sitting(
            on_day([reading(minute, 110 + 2 * day + person, 70 + day) for minute in range(3)], f"2026-03-{day + 1:02}"),
            person=f"p-{person}",
            visit=None,
        )
        for day in range(days)
        for person in range(people)
    ]


async def test_bad_lines_stop_no_other_and_all_are_told_in_order(clinic: Clinic) -> None:
    good = [sitting(person=f"p-{number}") for number in range(150)]
    lines = [msgspec.json.encode(body) for body in good]
    lines[20] = b"not JSON"
    lines[40] = msgspec.json.encode({**good[40], "colour": "red"})
    lines[60] = msgspec.json.encode({**good[60], "protocol": "no-such"})
    lines[80] = b'{"x": "' + b"x" * 300_000 + b'"}'
    lines[100] = lines[99]
    lines[120] = msgspec.json.encode({**good[119], "closed": False})
    lines[140] = b""
    lines[141] = msgspec.json.encode({**good[141], "history": {"as_of": "2026-05-04T09:00:00Z"}})
    found = await receive(clinic, b"\n".join(lines))
    assert [received.line.number for received in found] == [number for number in range(1, 151) if number != 141]
    bad = {received.line.number: received for received in found if not isinstance(received.outcome, Answer)}
    assert {number: faults(bad[number]) for number in (21, 41, 61, 81, 142)} == {
        21: [("", "not-json")],
        41: [("/colour", "unknown-field")],
        61: [("/protocol", "unknown-code")],
        81: [("", "body-too-large")],
        142: [("/history", "not-accepted-here")],
    }
    assert isinstance(bad[121].outcome, Conflict) and len(bad) == 6
    first, again = answers(found[99:101])
    assert again.replayed and again.body == first.body
    assert await clinic.count("reading_set") == 142


async def test_sittings_of_one_person_are_evaluated_in_the_order_of_their_lines(
    store: Store, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lines far apart, side by side, and many in one commit: as if each had been sent alone."""
    bodies = visits(people=40, days=4)
    bodies += sorted(visits(people=3, days=28), key=lambda body: str(body["subject"]["identifier"]["value"]), reverse=True)
    alone = await open_clinic(store, rulebook, "alone")
    expected = [told(await alone.receive(body))["evaluation"] for body in bodies]
    together = await open_clinic(store, rulebook, "together")
    found = await receive(together, ndjson(*bodies))
    assert [told(answer)["evaluation"] for answer in answers(found)] == expected
    assert len({evaluation["history_digest"] for evaluation in expected}) > 100


async def test_a_tenant_that_must_be_read_again_changes_no_order(clinic: Clinic) -> None:
    """The clock runs on by a minute a look, so that what is known of the tenant is always too old."""
    whole_clock = clinic.desk.clock

    def running() -> Any:
        clinic.clock.move(minutes=1)
        return whole_clock()

    clinic.desk.tenants._clock = running
    bodies = visits(people=1, days=28)
    found = await receive(clinic, ndjson(*bodies))
    earlier = [len(told(answer)["reading_set"]["history"]["sittings"]) for answer in answers(found)]
    assert earlier == list(range(28))


async def test_lines_sent_again_are_answered_from_what_is_stored(clinic: Clinic) -> None:
    raw = ndjson(*visits(people=30, days=3))
    first, again = answers(await receive(clinic, raw)), answers(await receive(clinic, raw))
    assert all(answer.replayed for answer in again)
    assert [answer.body for answer in again] == [answer.body for answer in first]
    assert await clinic.count("reading_set") == 90


async def test_a_line_without_identifier_is_known_by_the_requests_key_and_its_number(clinic: Clinic) -> None:
    bare = sitting(identifier=None)
    raw = ndjson(bare, bare, sitting())
    for _ in range(2):
        await receive(clinic, raw)
    assert await clinic.count("reading_set") == 2 * 2 + 1
    known = batch.by_identifier_or_line("b-1")
    for _ in range(2):
        await receive(clinic, raw, known)
    assert await clinic.count("reading_set") == 5 + 2
    shifted = await receive(clinic, ndjson(sitting(identifier=None, closed=False)), known)
    assert faults(shifted[0]) == [("Idempotency-Key", "key-reused")]
    await clinic.receive(sitting(identifier=None), key="b-1")
    assert await clinic.count("reading_set") == 8


async def test_lines_may_have_to_bring_an_identifier_or_be_known_by_their_content(clinic: Clinic) -> None:
    bare = sitting(identifier=None)
    raw = ndjson(bare, {**bare, "closed": False}, bare, sitting())
    found = await receive(clinic, raw, batch.by_identifier)
    assert kinds(found) == ["NotAcceptable"] * 3 + ["Answer"]
    assert faults(found[0]) == [("/identifier", "missing")]
    for _ in range(2):
        await receive(clinic, raw, batch.by_identifier_or_content)
        clinic.clock.move(days=400)
    assert await clinic.count("reading_set") == 3


async def test_what_is_read_when_the_sender_goes_away_is_stored_and_told(clinic: Clinic) -> None:
    bodies = [sitting(person=f"p-{number}") for number in range(70)]
    raw = ndjson(*bodies)

    async def cut_off() -> AsyncIterator[bytes]:
        yield raw[: raw.rindex(b"{") - 30]
        raise NotReadable(Fault(pointer="", code="not-gzip", detail="gone"))

    found: list[ReceivedLine] = []
    with pytest.raises(QuietcuffError):
        await application.receive_lines(clinic.desk, clinic.caller, cut_off(), BY_LINE, found.append)
    assert 0 < len(found) == await clinic.count("reading_set") < 70


async def test_what_is_taken_in_before_it_is_cancelled_is_stored_and_told(clinic: Clinic) -> None:
    raw = ndjson(*[sitting(person=f"p-{number}") for number in range(200)])
    found: list[ReceivedLine] = []

    async def endless() -> AsyncIterator[bytes]:
        yield raw
        await asyncio.sleep(60)

    task = asyncio.create_task(application.receive_lines(clinic.desk, clinic.caller, endless(), BY_LINE, found.append))
    while not await clinic.count("reading_set"):
        await asyncio.sleep(0.001)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert set(kinds(found)) == {"Answer"}
    assert len(found) == await clinic.count("reading_set")


async def test_a_defect_in_one_line_is_that_lines_alone(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = batch.understand_line

    def understand_line(desk: AppContext, line: Line) -> ReadingSet:
        if b"v-bad" in line.text:
            raise RuntimeError("a defect")
        return whole(desk, line)

    monkeypatch.setattr(batch, "understand_line", understand_line)
    bad = sitting(identifier={"system": "urn:example:visit", "value": "v-bad"})
    found = await receive(clinic, ndjson(sitting(), bad, sitting()))
    assert kinds(found) == ["Answer", "RuntimeError", "Answer"]


async def test_no_more_than_a_window_of_lines_is_held(sqlite_url: str, rulebook: Rulebook) -> None:
    store = open_store(sqlite_url)
    clinic = await open_clinic(store, rulebook)
    sent = answered = most = 0

    async def lines() -> AsyncIterator[bytes]:
        nonlocal sent, most
        for _ in range(600):
            sent += 1
            most = max(most, sent - answered)
            yield b"{}\n"

    def tell(received: ReceivedLine) -> None:
        nonlocal answered
        answered += 1

    await application.receive_lines(clinic.desk, clinic.caller, lines(), BY_LINE, tell)
    assert answered == 600 and most <= batch.MOST_LINES_HELD + 1
    await store.close()
