"""Decoders of JSON documents that are made when they are first used."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Generic, TypeVar

import msgspec

T = TypeVar("T")


class DocumentDecoder(Generic[T]):
    """JSON to one type. Looking into a large type takes milliseconds, which a start need not wait for."""

    def __init__(self, kind: type[T]) -> None:
        self._kind = kind

    @cached_property
    def decode(self) -> Callable[[bytes | str], T]:
        """Decoding a document; from the second use on, msgspec's own decoder alone."""
        return msgspec.json.Decoder(self._kind).decode
