"""The keys that chain the trail, kept in a file outside the database, one in each line, the newest last.

Whoever can change rows of the trail but has no key cannot make links that fit. Only a key's name is stored or shown.
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
    """One key. Printed, it shows only its name."""

    def __init__(self, secret: bytes) -> None:
        self.secret = secret
        self.name = hashlib.sha256(b"quietcuff trail key\0" + secret).hexdigest()[:NAME_LETTERS]

    def __repr__(self) -> str:
        return f"TrailKey({self.name})"


class TrailFiles(msgspec.Struct, frozen=True, kw_only=True):
    """The trail's files outside the database: one of keys, and one for seals. Either may be missing."""

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
    """Make a key and add it to the end of a file that only its owner can read. Its name may be shown.

    Raises:
        StoreNotUsable: it is there, and the key is not to follow those in it; or it is to, and the file holds none.
    """
    if rotate:
        read_trail_keys(path)
    elif Path(path).exists():
        raise StoreNotUsable("The file is there already; --rotate adds a key that follows those in it.")
    key = TrailKey(secrets.token_bytes(KEY_BYTES))
    # Without rotation the file must not exist: O_EXCL also excludes one that was made since the check above.
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | (0 if rotate else os.O_EXCL)
    descriptor = os.open(path, flags, 0o600)
    with os.fdopen(descriptor, "a", encoding="ascii") as file:
        file.write(key.secret.hex() + "\n")
        file.flush()
        # Rows chained with a key that is lost in a power cut could never be checked.
        os.fsync(file.fileno())
    return key
