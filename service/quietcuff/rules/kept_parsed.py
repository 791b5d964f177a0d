"""Parsed rule files, kept beside their bytecode, so that a start need not parse TOML again.

Parsing is nearly all of what reading the rules takes. What is kept is found by the digest of a file's own bytes, and it is
decoded into its types and checked like the file itself; a file that is not found in it, or does not fit, is parsed. It is
written like bytecode is: by whoever parsed first and may write there, as a whole, and not where Python writes no bytecode.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from contextlib import suppress
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any

import msgspec

FILE_NAME = "parsed-rules.json"
READABLE = 0o644


class KeptParsed:
    """TOML files as they were parsed before, by the digest of their bytes."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._before = read_kept(file)
        self._values: dict[str, Any] = {}
        self._parsed_some = False

    def decode(self, raw: bytes, *, type: Any) -> Any:
        """A file as its type, parsed only if it was not before.

        Raises:
            msgspec.DecodeError, UnicodeDecodeError: it is not TOML, or does not have the type.
        """
        digest = digest_of(raw)
        if (before := self._before.get(digest)) is not None:
            # What does not fit is parsed: the file itself says what is wrong with it.
            with suppress(msgspec.DecodeError):
                decoded = msgspec.json.decode(before, type=type)
                self._values[digest] = before
                return decoded
        decoded = msgspec.toml.decode(raw, type=type)
        self._values[digest] = msgspec.toml.decode(raw)
        self._parsed_some = True
        return decoded

    def save(self) -> None:
        """Keep what was decoded, if some of it was parsed, and nothing else."""
        if not self._parsed_some or sys.dont_write_bytecode:
            return
        kept = msgspec.json.encode(self._values)
        # As without bytecode: a folder that cannot be written to makes the next start slower, no more.
        with suppress(OSError):
            write_whole(self._file, digest_of(kept).encode() + b"\n" + kept)


def write_whole(file: Path, raw: bytes) -> None:
    """Write a file that other processes see whole or not at all."""
    number, name = tempfile.mkstemp(dir=file.parent, prefix=file.name)
    try:
        with open(number, "wb") as new:
            new.write(raw)
        # Whoever may read the rules may read this; a temporary file is its owner's alone.
        os.chmod(name, READABLE)
        os.replace(name, file)
    except OSError:
        os.unlink(name)
        raise


def beside_bytecode(source: str) -> Path:
    """The kept file beside the bytecode of a module's source."""
    return Path(cache_from_source(source)).with_name(FILE_NAME)


def read_kept(file: Path) -> dict[str, msgspec.Raw]:
    """What a kept file holds: nothing if there is none, or if it is not as it was written."""
    try:
        digest, _, kept = file.read_bytes().partition(b"\n")
        if digest.decode() != digest_of(kept):
            return {}
        return msgspec.json.decode(kept, type=dict[str, msgspec.Raw])
    except (OSError, UnicodeDecodeError, msgspec.DecodeError):
        return {}


def digest_of(raw: bytes) -> str:
    """The SHA-256 of some bytes, as answers show it."""
    return "sha256:" + hashlib.sha256(raw).hexdigest()
