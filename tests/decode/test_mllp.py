"""MLLP frames: the check vectors, and that how bytes are divided changes nothing."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decode.hl7_messages import FOLDER, LONDON
from quietcuff.decode.hl7v2.message import read_report
from quietcuff.decode.hl7v2.mllp import BrokenInput, Framed, Frames, framed

CASES = [json.loads(line) for line in (FOLDER / "mllp-vectors.jsonl").read_text().splitlines()]
# What the frames themselves cannot know is found when the message is read.
OF_THE_MESSAGE = {"control_byte_in_body": "control-byte", "charset": "charset"}


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_the_vectors_of_frames(case: dict[str, object]) -> None:
    """Source: check vectors of MLLP framing."""
    frames, wanted = Frames(1000), case["expect"]
    assert isinstance(wanted, dict) and isinstance(case["chunks_hex"], list)
    events = [event for chunk in case["chunks_hex"] for event in frames.feed(bytes.fromhex(chunk))]
    reports = [(event, read_report(event.body, LONDON)) for event in events if isinstance(event, Framed)]
    assert sum(report.rejected is None for _, report in reports) == wanted["messages"]
    broken = [event for event in events if isinstance(event, BrokenInput)]
    error = wanted.get("error")
    if error in OF_THE_MESSAGE:
        (rejected,) = [report.rejected for _, report in reports]
        assert rejected is not None and rejected.code == OF_THE_MESSAGE[error] and not broken
    else:
        assert [event.fault for event in broken] == ([error.replace("_", "-")] if error else [])
        assert any(event.closes for event in broken) == wanted.get("close", False)
    warnings = [warning for _, report in reports for warning in report.text.warnings]
    warnings += ["bytes-between-frames" for event, _ in reports if event.is_untidy]
    assert warnings == ([wanted["warning"].replace("_", "-")] if "warning" in wanted else [])


@given(st.lists(st.binary(min_size=1, max_size=30), max_size=6), st.randoms(use_true_random=False))
def test_how_bytes_are_divided_changes_nothing(bodies: list[bytes], chance: random.Random) -> None:
    stream = b"".join(framed(body) for body in bodies)
    whole = Frames(1000).feed(stream)
    frames, cut, place = Frames(1000), [], 0
    while place < len(stream):
        size = chance.choice((1, 1, 2, 7))
        cut += frames.feed(stream[place : place + size])
        place += size
        if any(isinstance(event, BrokenInput) and event.closes for event in cut):
            break
    assert [told(event) for event in cut] == [told(event) for event in whole][: len(cut)]
    if not any(isinstance(event, BrokenInput) for event in cut):
        assert [event.body for event in cut if isinstance(event, Framed)] == bodies


def told(event: Framed | BrokenInput) -> object:
    return event.body if isinstance(event, Framed) else event.fault


def test_no_more_is_held_than_one_message() -> None:
    frames = Frames(1000)
    assert frames.feed(b"\x0b" + b"a" * 1000) == []
    (event,) = frames.feed(b"b" * 16)
    assert isinstance(event, BrokenInput) and (event.fault, event.closes, len(event.start)) == ("too-large", True, 1000)
    assert frames.begun == b"" and not frames.is_within
    (event,) = Frames(1000).feed(framed(b"a" * 1001))
    assert isinstance(event, BrokenInput) and event.fault == "too-large"
    assert Frames(1000).feed(framed(b"a" * 1000)) == [Framed(b"a" * 1000)]
