"""The form of signed JSON Web Tokens, looked at more closely than libraries do before anything in one is believed.

Source: RFC 7515 (4: names are unique; appendix C: base64url without padding), RFC 7519 (2: numeric dates; 4: claims), RFC 8725.
"""

from __future__ import annotations

import json
import math
import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from typing import Any

LONGEST = 16_384
# The first second of the year 10000: no date is beyond.
END_OF_DATES = 253_402_300_800
DATES = ("exp", "nbf", "iat")
# What would have a token say by itself with which key, or in which other form, it is to be read.
BRINGS_ITS_OWN = frozenset(("crit", "b64", "zip", "cty", "jwk", "x5u", "x5c"))
_LOOKS_SIGNED = re.compile(r"[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+", re.ASCII)

Object = dict[str, Any]


def looks_signed(token: str) -> bool:
    """Whether a text has the three parts of a signed token."""
    return _LOOKS_SIGNED.fullmatch(token) is not None


def read_parts(token: str) -> tuple[Object, Object]:
    """Header and claims of a token, nothing of it proved yet but its form.

    Raises:
        ValueError: too long, not three parts in base64url as RFC 7515 writes it, or no JSON objects in UTF-8 whose names are
            unique.
    """
    if len(token) > LONGEST or not looks_signed(token):
        raise ValueError("no signed token")
    header, claims, _ = (_bytes_of(part) for part in token.split("."))
    return _object_of(header), _object_of(claims)


def has_plain_dates(claims: Object) -> bool:
    """Whether the dates of a token, as far as it has them, are numbers of seconds that can be a date."""
    return all(_is_date(claims[name]) for name in DATES if name in claims)


def _is_date(value: Any) -> bool:
    # A whole number of any length is compared as it is; arithmetic would make a float of it.
    return type(value) in (int, float) and 0 <= value < END_OF_DATES


def _bytes_of(part: str) -> bytes:
    """What base64url stands for; there is one way of writing it."""
    raw = urlsafe_b64decode(part + "=" * (-len(part) % 4))
    if urlsafe_b64encode(raw).rstrip(b"=").decode("ascii") != part:
        raise ValueError("not base64url")
    return raw


def _object_of(raw: bytes) -> Object:
    try:
        found = json.loads(raw.decode("utf-8"), object_pairs_hook=_unique, parse_constant=_refuse, parse_float=_finite)
    except RecursionError as error:
        raise ValueError("nested too deeply") from error
    if not isinstance(found, dict):
        raise ValueError("no object")
    return found


def _unique(pairs: list[tuple[str, Any]]) -> Object:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name twice")
    return found


def _finite(text: str) -> float:
    number = float(text)
    return number if math.isfinite(number) else _refuse(text)


def _refuse(text: str) -> float:
    raise ValueError("no number of JSON")
