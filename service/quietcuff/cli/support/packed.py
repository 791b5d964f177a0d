"""The bytes of a file, unpacked where its name says that it is compressed."""

from __future__ import annotations

import gzip
import io
import sys
import zlib
from typing import BinaryIO, cast

# Errors of reading a file that is no gzip file, or not a whole one.
NOT_GZIP = (gzip.BadGzipFile, EOFError, zlib.error)


def open_input(name: str) -> BinaryIO:
    """The file as it is; ``-`` is standard input."""
    return sys.stdin.buffer if name == "-" else open(name, "rb")


def unpacked(name: str, file: BinaryIO) -> io.BufferedReader:
    """What the file holds; of a name that ends in ``.gz``, what it unpacks to, a part at a time."""
    return cast(io.BufferedReader, gzip.GzipFile(fileobj=file) if name.lower().endswith(".gz") else file)
