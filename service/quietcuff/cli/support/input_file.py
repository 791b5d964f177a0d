"""The input file of a command: plain, compressed, or from a pipe."""

from __future__ import annotations

import asyncio
import os
import stat
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import BinaryIO

from quietcuff.cli.support.packed import NOT_GZIP, open_input, unpacked
from quietcuff.core.model.errors import Fault, NotReadable

CHUNK_BYTES = 64 * 1024


class InputFile:
    """An open file; ``-`` is standard input, and a name ending in ``.gz`` is decompressed while it is read."""

    def __init__(self, name: str) -> None:
        self._is_ours = name != "-"
        self._file = open_input(name)
        self._stream = unpacked(name, self._file)
        self._mode = os.fstat(self._file.fileno()).st_mode

    @property
    def total_bytes(self) -> int | None:
        """Size of the file on disk in bytes; None for a pipe."""
        return os.fstat(self._file.fileno()).st_size if stat.S_ISREG(self._mode) else None

    @property
    def position_bytes(self) -> int:
        """Number of bytes read so far."""
        # Of the file and not of the stream: of a compressed file the length that is known is the packed one.
        return self._file.tell() if stat.S_ISREG(self._mode) else 0

    async def chunks(self) -> AsyncIterator[bytes]:
        """The bytes as they arrive. While a pipe has none, other work goes on.

        Raises:
            NotReadable: the name ends in .gz, and it is not a complete gzip file.
        """
        try:
            while chunk := await self._next_chunk():
                yield chunk
        except NOT_GZIP as error:
            detail = "The file is not whole, or not of gzip. The lines before the fault were read."
            raise NotReadable(Fault(pointer="", code="not-gzip", detail=detail)) from error

    async def read(self, most_bytes: int) -> bytes:
        """All bytes, or the first ones where there are more than that.

        Raises:
            NotReadable: as ``chunks``.
        """
        held = bytearray()
        async for chunk in self.chunks():
            held += chunk
            if len(held) >= most_bytes:
                break
        return bytes(held[:most_bytes])

    def close(self) -> None:
        """Close it, unless it is standard input."""
        if self._is_ours:
            self._file.close()

    async def _next_chunk(self) -> bytes:
        # A blocking read would stop the loop, and with it the storing of lines that were read already.
        if stat.S_ISFIFO(self._mode) or stat.S_ISSOCK(self._mode) or self._file.isatty():
            await readable(self._file)
        return self._stream.read1(CHUNK_BYTES)


async def readable(file: BinaryIO) -> None:
    """Wait until there is something to read, if the system can tell."""
    loop, is_ready = asyncio.get_running_loop(), asyncio.Event()
    # Not every event loop can watch a file; then the read itself waits.
    with suppress(NotImplementedError):
        loop.add_reader(file, is_ready.set)
        try:
            await is_ready.wait()
        finally:
            loop.remove_reader(file)
