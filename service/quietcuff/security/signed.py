"""The form of signed JSON Web Tokens, checked more strictly than libraries do, before any content is trusted.

Source: RFC 7515 (4: names are unique; appendix C: base64url without padding), RFC 7519 (2: numeric dates; 4: claims), RFC 8725.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any

from quietcuff.core.model.base64url import bytes_of_base64url

LONGEST = 16_384
# The first second of the year 10000, beyond which Python has no dates.
END_OF_DATES = 253_402_300_800
DATES = ("exp", "nbf", "iat")
# Header fields by which a token would choose its own key, or another form in which to be read.
BRINGS_ITS_OWN = frozenset(("crit", "b64", "zip", "cty", "jwk", "x5u", "x5c"))
_LOOKS_SIGNED = re.compile(r"[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+", re.ASCII)

Object = dict[str, Any]


def looks_signed(token: str) -> bool:
    """True where a text has the three parts of a signed token."""
    return _LOOKS_SIGNED.fullmatch(token) is not None


def read_parts(token: str) -> tuple[Object, Object]:
    """The header and claims of a token, of which only the form is checked yet.

    Raises:
        ValueError: too long, not three parts in base64url as RFC 7515 writes it, or no JSON objects in UTF-8 whose names are
            unique.
    """
    if len(token) > LONGEST or not looks_signed(token):
        raise ValueError("no signed token")
    header, claims, _ = (bytes_of_base64url(part) for part in token.split("."))
    return _object_of(header), _object_of(claims)


def has_plain_dates(claims: Object) -> bool:
    """True where every date of a token is a number of seconds that can be a date."""
    return all(_is_date(claims[name]) for name in DATES if name in claims)


def _is_date(value: Any) -> bool:
    # Whole numbers of any length can be compared as they are; arithmetic would turn them into floats and may overflow.
    return type(value) in (int, float) and 0 <= value < END_OF_DATES


def _object_of(raw: bytes) -> Object:
    try:
        found = json.loads(raw.decode("utf-8"), object_pairs_hook=_unique, parse_constant=_refuse, parse_float=_finite)
    except RecursionError as error:
        raise ValueError("nested too deeply") from error
    if not isinstance(found, dict):
        raise ValueError("no object")
    return found


def _unique(pairs: list[tuple[str, Any]]) -> Object:
    # Of two values with one name, parsers differ in which they take: one could be checked and the other used.
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name twice")
    return found


def _finite(text: str) -> float:
    number = float(text)
    return number if math.isfinite(number) else _refuse(text)


def _refuse(text: str) -> float:
    raise ValueError("no number of JSON")
