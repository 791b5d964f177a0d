"""A file of sittings: one JSON text, or one on each line (NDJSON)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

import msgspec

from quietcuff.core.model.errors import Fault, NotReadable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.decode.own_json import Meaning, read

MAX_BYTES = 256 * 1024
CARRIAGE_RETURN_BYTES = 1


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """A line of NDJSON that is not blank, with its number in the file. Of one that is too long the text is one byte over the
    limit, so that ``check_length`` refuses it."""

    number: int
    text: bytes

    def read(self, meaning: Meaning[ReadingSet] | None) -> ReadingSet:
        """The sitting of the line.

        Raises:
            NotReadable, NotAcceptable: the line is too long, or as ``decode.own_json.read``.
        """
        check_length(self.text)
        return read(self.text, ReadingSet, meaning)

    def placed(self, error: Exception) -> Exception:
        """An error of the sitting that was read, with its place in the file; a line has none but its number."""
        return error


class LineReader:
    """Cuts chunks of bytes, as they come, into lines. It never holds more than one line of the longest length."""

    def __init__(self) -> None:
        self._number = 0
        self._begun: list[bytes] = []
        self._held = 0
        self._is_skipping = False

    def feed(self, chunk: bytes) -> Iterator[Line]:
        """The lines that the chunk completes, and one that it shows to be too long."""
        first, *others = chunk.split(b"\n")
        yield from self._hold(first)
        for part in others:
            yield from self._complete()
            yield from self._hold(part)

    def end(self) -> Iterator[Line]:
        """The last line, where the file does not end with a line break."""
        yield from self._complete()

    def _hold(self, part: bytes) -> Iterator[Line]:
        if self._is_skipping or not part:
            return
        self._begun.append(part)
        self._held += len(part)
        if self._held > MAX_BYTES + CARRIAGE_RETURN_BYTES:
            yield Line(number=self._number + 1, text=b"".join(self._begun)[: MAX_BYTES + 1])
            self._begun.clear()
            self._is_skipping = True

    def _complete(self) -> Iterator[Line]:
        self._number += 1
        text = b"".join(self._begun).strip()
        self._begun.clear()
        self._held = 0
        self._is_skipping = False
        if text:
            yield Line(number=self._number, text=text)


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
