"""A file of sittings: one JSON text, or one on each line (NDJSON)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

from quietcuff.core.errors import Fault, NotReadable

MAX_BYTES = 256 * 1024


def texts(stream: BinaryIO) -> Iterator[tuple[int, bytes]]:
    """Each JSON text of the file with the number of its first line; blank lines are skipped.

    A first line that is a whole object makes the file NDJSON, which is read line by line in constant memory.
    A text that is too long comes out one byte over the limit, so that ``check_length`` refuses it.
    """
    number, first = _first_text(stream)
    if first.startswith(b"{") and not first.endswith(b"}"):
        yield number, (first + b"\n" + stream.read(MAX_BYTES + 1))[: MAX_BYTES + 1]
        return
    while first:
        yield number, first
        skipped, first = _first_text(stream)
        number += skipped


def check_length(text: bytes) -> None:
    """Refuse a text that is longer than a request may be.

    Raises:
        NotReadable: more than 256 KiB.
    """
    if len(text) > MAX_BYTES:
        raise NotReadable(Fault(pointer="", code="body-too-large", detail="At most 256 KiB."))


def _first_text(stream: BinaryIO) -> tuple[int, bytes]:
    """The next line that is not blank, and how many lines on it stands; empty at the end of the file."""
    number = 0
    while True:
        line = stream.readline(MAX_BYTES + 2)
        number += 1
        if not line:
            return number, b""
        if len(line) > MAX_BYTES + 1:
            _skip_rest_of_line(stream, line)
            return number, line[: MAX_BYTES + 1]
        if line.strip():
            return number, line.strip()


def _skip_rest_of_line(stream: BinaryIO, line: bytes) -> None:
    while line and not line.endswith(b"\n"):
        line = stream.readline(MAX_BYTES)
