"""Lines of NDJSON are the same lines however their bytes come in, and never more than one of them is held."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcuff.core.model.errors import NotReadable
from quietcuff.decode.ndjson import MAX_BYTES, Line, LineReader, check_length

MEGABYTE = 1024 * 1024


def lines_of(*chunks: bytes) -> list[Line]:
    reader = LineReader()
    found = [line for chunk in chunks for line in reader.feed(chunk)]
    return found + list(reader.end())


def told(*chunks: bytes) -> list[tuple[int, bytes]]:
    return [(line.number, line.text) for line in lines_of(*chunks)]


def test_blank_lines_are_skipped_and_numbered() -> None:
    assert told(b'\n{"a":1}\r\n  \n\t\r\n {"b":2} \n{"c":3}') == [(2, b'{"a":1}'), (5, b'{"b":2}'), (6, b'{"c":3}')]
    assert told(b"") == told(b"\n\n \n") == []


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from([b"{}", b"x", b"\n", b"\r\n", b" ", b"\n\n", b"\xff", b"ab"]), max_size=30), st.data())
def test_how_the_bytes_are_cut_into_chunks_does_not_matter(parts: list[bytes], data: st.DataObject) -> None:
    whole = b"".join(parts)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(whole)), max_size=8)))
    chunks = [whole[start:end] for start, end in zip([0, *cuts], [*cuts, len(whole)], strict=True)]
    expected = [(number, text.strip()) for number, text in enumerate(whole.split(b"\n"), 1) if text.strip()]
    assert told(*chunks) == told(whole) == expected


def refused(line: Line) -> bool:
    try:
        check_length(line.text)
    except NotReadable as error:
        assert error.fault.code == "body-too-large"
        return True
    return False


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b""])
def test_a_line_of_just_the_limit_is_whole_and_one_byte_more_is_too_long(end: bytes) -> None:
    assert [refused(line) for line in lines_of(b"x" * MAX_BYTES + end)] == [False]
    assert [refused(line) for line in lines_of(b"x" * (MAX_BYTES + 1) + end)] == [True]


def test_the_rest_of_a_line_that_is_too_long_is_not_held() -> None:
    reader = LineReader()
    tracemalloc.start()
    found = [line for _ in range(200) for line in reader.feed(b"x" * 65_536)]
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    found += [line for part in (b"xx\n{}\nxx", b"\n") for line in reader.feed(part)]
    assert held < 2 * MEGABYTE
    assert [(line.number, refused(line)) for line in found] == [(1, True), (2, False), (3, False)]
