"""Pieces of resources that come again and again, in JSON once: to the encoder they are bytes, and are copied as they are."""

from __future__ import annotations

from typing import TypeVar, cast

import msgspec

Piece = TypeVar("Piece")
ENCODER = msgspec.json.Encoder()


def ready(piece: Piece) -> Piece:
    """A piece as its bytes, under its own type: for places that are written and compared, and whose parts nobody reads."""
    return cast(Piece, msgspec.Raw(ENCODER.encode(piece)))


def element(name: str, value: object) -> bytes:
    """An element of a resource as it follows others in JSON; nothing where there is no value."""
    return b"" if value is None else b',"%b":%b' % (name.encode(), ENCODER.encode(value))
