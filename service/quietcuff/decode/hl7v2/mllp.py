"""The frames in which HL7 v2 messages come over a plain connection (MLLP): a start byte, the message, two end bytes.

A frame is ``0x0B``, the message, ``0x1C 0x0D``. Line ends between frames are forgiven; anything else there, another start byte
within a message, or an end byte before a line feed, means that the two sides no longer agree where messages begin.

Source: HL7 Minimal Lower Layer Protocol, release 1, from memory; [DECISION].
"""

from __future__ import annotations

from typing import Literal

import msgspec

START, END, RETURN, FEED = b"\x0b", 0x1C, 0x0D, 0x0A
BETWEEN = b"\r\n \t"

Fault = Literal["no-start-byte", "bad-trailer", "start-byte-in-body", "empty", "too-large"]


class Framed(msgspec.Struct, frozen=True):
    """A whole message. ``is_untidy`` where line ends stood before it."""

    body: bytes
    is_untidy: bool = False


class BrokenInput(msgspec.Struct, frozen=True):
    """Broken input: the fault, what there is of the message, and whether the connection can go on."""

    fault: Fault
    start: bytes = b""
    closes: bool = True


class Frames:
    """Cuts what arrives on one connection into messages, however it is divided. It holds one message at most, of ``most`` bytes
    and what was fed last."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._held = bytearray()
        self._is_within = False
        self._is_untidy = False
        self._seen = 0

    @property
    def is_within(self) -> bool:
        """True where a message has begun and not ended."""
        return self._is_within

    @property
    def begun(self) -> bytes:
        """The bytes so far of a message that has not ended."""
        return bytes(self._held) if self._is_within else b""

    def feed(self, data: bytes) -> list[Framed | BrokenInput]:
        """The messages that the next bytes complete, in order. After something broken that closes, nothing more is read."""
        self._held += data
        found: list[Framed | BrokenInput] = []
        while True:
            event = self._message() if self._is_within else self._start()
            if event is None:
                return found
            if isinstance(event, Framed | BrokenInput):
                found.append(event)
            if isinstance(event, BrokenInput) and event.closes:
                self._held.clear()
                self._is_within = False
                return found

    def _start(self) -> BrokenInput | Literal["go on"] | None:
        """Step over what stands between messages to the next start byte."""
        rest = self._held.lstrip(BETWEEN)
        self._is_untidy = self._is_untidy or len(rest) < len(self._held)
        self._held = rest
        if not rest:
            return None
        if not rest.startswith(START):
            return BrokenInput("no-start-byte")
        del self._held[:1]
        self._is_within, self._seen = True, 0
        return "go on"

    def _message(self) -> Framed | BrokenInput | None:
        """The message up to its end, if that is there."""
        while (end := self._held.find(END, self._seen)) >= 0:
            if self._held.find(START, self._seen, end) >= 0:
                return BrokenInput("start-byte-in-body", bytes(self._held[:end]))
            if end > self._most:
                return BrokenInput("too-large", bytes(self._held[: self._most]))
            if end + 1 == len(self._held):
                self._seen = end
                return None
            if self._held[end + 1] == FEED:
                return BrokenInput("bad-trailer", bytes(self._held[:end]))
            if self._held[end + 1] == RETURN:
                return self._ended(end)
            self._seen = end + 1
        if self._held.find(START, self._seen) >= 0:
            return BrokenInput("start-byte-in-body", bytes(self._held))
        if len(self._held) > self._most:
            return BrokenInput("too-large", bytes(self._held[: self._most]))
        self._seen = len(self._held)
        return None

    def _ended(self, end: int) -> Framed | BrokenInput:
        body, is_untidy = bytes(self._held[:end]), self._is_untidy
        del self._held[: end + 2]
        self._is_within = self._is_untidy = False
        return Framed(body, is_untidy) if body.strip(BETWEEN) else BrokenInput("empty", closes=False)


def framed(message: bytes) -> bytes:
    """A message in its frame."""
    return START + message + bytes((END, RETURN))
