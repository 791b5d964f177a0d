"""The keys with which the trail is chained. They stand in a file outside the database, one a line, the newest last.

Whoever can change rows of the trail, and has no key, cannot make links that fit. Only a key's name is stored or shown.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import stat
from pathlib import Path

import msgspec

from quietcuff.core.model.errors import StoreNotUsable

KEY_BYTES = 32
NAME_LETTERS = 8
_LINE = re.compile(r"[0-9a-f]{64}", re.ASCII)


class TrailKey:
    """One key. It shows itself by its name alone, wherever it may be printed."""

    def __init__(self, secret: bytes) -> None:
        self.secret = secret
        self.name = hashlib.sha256(b"quietcuff trail key\0" + secret).hexdigest()[:NAME_LETTERS]

    def __repr__(self) -> str:
        return f"TrailKey({self.name})"


class TrailFiles(msgspec.Struct, frozen=True, kw_only=True):
    """The files of the trail outside the database: that of its keys, and one that seals are written to; either may be none."""

    keys: str | None = None
    seals: str | None = None

    def read_keys(self) -> tuple[TrailKey, ...]:
        """The keys, the one in use last; none without a file.

        Raises:
            StoreNotUsable: there is a file, but it does not hold keys that are kept from others.
        """
        return () if self.keys is None else read_trail_keys(self.keys)


def read_trail_keys(path: str) -> tuple[TrailKey, ...]:
    """The keys of a file, the one in use last.

    Raises:
        StoreNotUsable: it is not there, others than its owner may read it, or it holds anything but keys.
    """
    try:
        with open(path, encoding="ascii") as file:
            mode = os.fstat(file.fileno()).st_mode
            lines = [line.strip() for line in file if line.strip()]
    except (OSError, UnicodeDecodeError) as error:
        raise StoreNotUsable("The file of the trail's keys cannot be read: see QUIETCUFF_TRAIL_KEY_FILE.") from error
    if stat.S_IMODE(mode) & 0o077:
        raise StoreNotUsable("The file of the trail's keys may be read by others than its owner: chmod 600.")
    if not lines or not all(_LINE.fullmatch(line) for line in lines):
        raise StoreNotUsable("The file of the trail's keys holds a line that is no key: make keys with quietcuff trail key.")
    return tuple(TrailKey(bytes.fromhex(line)) for line in lines)


def add_trail_key(path: str, *, rotate: bool) -> TrailKey:
    """Make a key and write it to the end of a file, which only its owner can read; its name may be told.

    Raises:
        StoreNotUsable: it is there, and the key is not to follow those in it; or it is to, and the file holds none.
    """
    if rotate:
        read_trail_keys(path)
    elif Path(path).exists():
        raise StoreNotUsable("The file is there already; --rotate adds a key that follows those in it.")
    key = TrailKey(secrets.token_bytes(KEY_BYTES))
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | (0 if rotate else os.O_EXCL)
    descriptor = os.open(path, flags, 0o600)
    with os.fdopen(descriptor, "a", encoding="ascii") as file:
        file.write(key.secret.hex() + "\n")
        file.flush()
        os.fsync(file.fileno())
    return key
