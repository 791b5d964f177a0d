"""Export files as chunks of deflated lines, which together are one gzip member.

A file is deflated chunk by chunk, each chunk by itself and ending at a byte; together, between a header and a trailer, they
are one gzip member. So a reader that accepts gzip gets the chunks as they are stored, any other has each inflated alone, and
neither needs more than one chunk in memory. Clients exist that stop after the first member of a gzip stream, therefore one.
Source: RFC 1951 and RFC 1952.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence

import msgspec

from quietcuff.storage.bulk.files import ChunkRow, FileRow

# Measured on what is exported: a fifth of the processor time of level 6 for a tenth more bytes.
LEVEL = 1
RAW = -zlib.MAX_WBITS
HEADER = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"
# An empty last block, which ends what blocks before it left open.
LAST_BLOCK = b"\x03\x00"
TRAILER_BYTES = 8


class Packed(msgspec.Struct, frozen=True, kw_only=True):
    """Chunks to store, and the files as they are with these chunks."""

    files: list[FileRow] = []
    chunks: list[ChunkRow] = []


class JobFiles:
    """The files of a job. A file takes lines until it has ``most`` resources; then a new one is begun."""

    def __init__(self, files: Iterable[FileRow], most: int) -> None:
        self._most = most
        self._files = list(files)

    @property
    def files(self) -> list[FileRow]:
        return self._files

    def pack(self, purpose: str, resource_type: str, lines: Sequence[bytes]) -> Packed:
        """Add lines to the newest file of their kind, and to new files where it is full."""
        changed, chunks, done = [], [], 0
        while done < len(lines):
            file = self._open_file(purpose, resource_type)
            part = lines[done : done + self._most - file.resources]
            done += len(part)
            grown, chunk = extended(file, part)
            self._files[file.file_number - 1] = grown
            changed.append(grown)
            chunks.append(chunk)
        return Packed(files=changed, chunks=chunks)

    def _open_file(self, purpose: str, resource_type: str) -> FileRow:
        for file in reversed(self._files):
            if (file.purpose, file.resource_type) == (purpose, resource_type):
                if file.resources < self._most:
                    return file
                # Only the newest file of a kind can have room: the older ones were filled before it was begun.
                break
        made = FileRow(file_number=len(self._files) + 1, purpose=purpose, resource_type=resource_type)
        self._files.append(made)
        return made


def extended(file: FileRow, lines: Sequence[bytes]) -> tuple[FileRow, ChunkRow]:
    """A file grown by some lines, and the chunk that holds them."""
    plain = b"\n".join((*lines, b""))
    packer = zlib.compressobj(LEVEL, zlib.DEFLATED, RAW)
    # A full flush ends at a byte and forgets what came before: the chunk can be inflated without its predecessors.
    data = packer.compress(plain) + packer.flush(zlib.Z_FULL_FLUSH)
    grown = msgspec.structs.replace(
        file,
        resources=file.resources + len(lines),
        chunks=file.chunks + 1,
        plain_bytes=file.plain_bytes + len(plain),
        packed_bytes=file.packed_bytes + len(data),
        checksum=zlib.crc32(plain, file.checksum),
    )
    return grown, ChunkRow(file_number=file.file_number, chunk_number=grown.chunks, data=data)


def unpacked(chunk: bytes) -> bytes:
    """The lines of a chunk."""
    return zlib.decompressobj(RAW).decompress(chunk)


def trailer(file: FileRow) -> bytes:
    """The end of the gzip member of a file: last block, checksum and length."""
    # RFC 1952 keeps the length modulo 2^32, so that files above 4 GiB are valid too.
    size = file.plain_bytes & 0xFFFFFFFF
    return LAST_BLOCK + file.checksum.to_bytes(4, "little") + size.to_bytes(4, "little")


def gzip_length(file: FileRow) -> int:
    """Length of the gzip member of a file, in bytes."""
    return len(HEADER) + file.packed_bytes + len(LAST_BLOCK) + TRAILER_BYTES
