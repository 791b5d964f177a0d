"""Strict reading of query parameters, headers and ids, and the parameters that several routes share."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime
from functools import cache
from typing import Any
from urllib.parse import parse_qsl
from uuid import UUID

import msgspec
from litestar.connection import ASGIConnection
from litestar.exceptions import HTTPException
from litestar.params import FromPath

from quietcuff.api.operations import OperationParameter
from quietcuff.application.context import IfMatch
from quietcuff.core.model.errors import Fault, NotAcceptable, NotFound, NotReadable
from quietcuff.core.model.fields import check_day, check_instant
from quietcuff.decode.faults import LONGEST_NAMED_FIELD
from quietcuff.storage.rows.paging import DEFAULT_LIMIT, LONGEST_PAGE, limit_fault

_ETAG_LIST = re.compile(r'\s*"[^"]*"(\s*,\s*"[^"]*")*\s*', re.ASCII)
# The version alone, or as a read in a language tags it: see spoken_etag.
_VERSION = re.compile(r'"([1-9][0-9]{0,8})(?:\.[0-9a-f]{16})?"', re.ASCII)
_VISIBLE = re.compile(r"[\x21-\x7e]{1,255}", re.ASCII)
_MOMENT = "A day such as 2026-05-04, or RFC 3339 with an offset (its + written %2B), years 1900 to 2200."

Connection = ASGIConnection[Any, Any, Any, Any]
# Where a scope keeps its headers by name.
HEADERS = "quietcuff.headers"
# A part of the path. Named once, because the framework takes long to make one.
PathText = FromPath[str]


def header_of(connection: Connection, name: str) -> str | None:
    """Text of a header. Several lines are joined by commas, as HTTP defines."""
    return header_in(connection.scope, name)


def header_in(scope: Any, name: str) -> str | None:
    """The same from what the server hands on, before there is a connection."""
    found = headers_of(scope).get(as_in_scopes(name))
    return None if found is None else found.decode("latin-1")


def headers_of(scope: Any) -> dict[bytes, bytes]:
    """The headers of a request by their names in lower case, as they came."""
    table: dict[bytes, bytes] | None = scope.get(HEADERS)
    if table is None:
        # Made once, since every request is asked for half a dozen.
        table = scope[HEADERS] = _table_of(scope["headers"])
    return table


def _table_of(headers: Iterable[tuple[bytes, bytes]]) -> dict[bytes, bytes]:
    table: dict[bytes, bytes] = {}
    for name, value in headers:
        table[name] = value if name not in table else table[name] + b"," + value
    return table


@cache
def as_in_scopes(name: str) -> bytes:
    """A name of ours as every scope has it: in lower case (ASGI)."""
    return name.lower().encode("latin-1")


def if_match_of(connection: Connection) -> IfMatch:
    """Versions in ``If-Match``; None if the header is missing. A tag that is not a version matches nothing.

    Raises:
        NotReadable: weak or unquoted.
    """
    text = header_of(connection, "If-Match")
    if text is None:
        return None
    if text.strip() == "*":
        return "*"
    # Weak tags are refused: RFC 9110, 13.1.1 compares strongly, so a weak one could never match.
    if not _ETAG_LIST.fullmatch(text):
        raise NotReadable(Fault(header="If-Match", code="bad-header", detail='Strong ETags in quotes, such as "3"; or *.'))
    return frozenset(int(version) for version in _VERSION.findall(text))


def is_known_already(connection: Connection, etag: str) -> bool:
    """True if ``If-None-Match`` shows that the caller has this answer already."""
    text = header_of(connection, "If-None-Match")
    return text is not None and (text.strip() == "*" or etag in re.findall(r'"[^"]*"', text))


def idempotency_key_of(connection: Connection) -> str | None:
    """The idempotency key of a request, without quotation marks around it.

    Raises:
        NotReadable: empty, longer than 255, or with other than visible ASCII characters.
    """
    text = header_of(connection, "Idempotency-Key")
    if text is None:
        return None
    text = text.strip(" \t")
    if len(text) > 1 and text[0] == text[-1] == '"':
        text = text[1:-1]
    if not _VISIBLE.fullmatch(text):
        accepted = "1 to 255 visible ASCII characters."
        raise NotReadable(Fault(header="Idempotency-Key", code="bad-header", detail=accepted))
    return text


def prefers_representation(connection: Connection) -> bool:
    """True if ``Prefer`` asks for the full representation. Source: RFC 7240; other preferences are ignored."""
    preferences = (header_of(connection, "Prefer") or "").lower().split(",")
    named = [preference.partition(";")[0].replace('"', "").replace(" ", "") for preference in preferences]
    return "return=representation" in named


def format_of(connection: Connection, *offered: str) -> str:
    """The offered media type with the highest weight in ``Accept``; the first one if nothing is said or weights are equal.

    Each type takes the weight of the most specific matching range. Source: RFC 9110, 12.5.1.

    Raises:
        HTTPException: 406; none of them is accepted.
    """
    text = header_of(connection, "Accept")
    if text is None or not text.strip():
        return offered[0]
    weights = dict(_weighed(part) for part in text.lower().split(","))

    def weight(media_type: str) -> float:
        ranges = (media_type, f"{media_type.partition('/')[0]}/*", "*/*")
        return next((weights[each] for each in ranges if each in weights), 0)

    best = max(offered, key=weight)
    if not weight(best):
        raise HTTPException(status_code=406, detail=f"Accept {' or '.join(offered)}.")
    return best


def _weighed(part: str) -> tuple[str, float]:
    """A range of ``Accept`` with its weight: 1 if none is given, 0 if it is not a number."""
    media_type, *said = ("".join(piece.split()) for piece in part.split(";"))
    weight = next((one[2:] for one in said if one.startswith("q=")), "1")
    return media_type, float(weight) if re.fullmatch(r"[01](\.[0-9]{0,3})?", weight, re.ASCII) else 0


def query_of(connection: Connection, *names: str) -> dict[str, str]:
    """Parameters of the query, each known to the route and given once.

    Raises:
        NotAcceptable: one that is unknown, given twice, or not UTF-8; all of them are named.
    """
    raw = connection.scope["query_string"]
    try:
        pairs = refuse_nul(parse_qsl(raw.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=100))
    except ValueError as error:
        fault = Fault(parameter="", code="not-utf-8", detail="At most 100 parameters, percent-encoded UTF-8 without U+0000.")
        raise NotAcceptable([fault]) from error
    found: dict[str, str] = {}
    faults: list[Fault] = []
    accepted = f"Accepted: {', '.join(names)}." if names else "This route takes no query parameter."
    for name, text in pairs:
        if name not in names:
            # A long unknown name is not repeated in the answer: it may be data in the wrong place.
            shown = name if len(name) <= LONGEST_NAMED_FIELD else ""
            faults.append(Fault(parameter=shown, code="unknown-parameter", detail=accepted))
        elif name in found:
            faults.append(Fault(parameter=name, code="repeated-parameter", detail="Once."))
        else:
            found[name] = text
    if faults:
        raise NotAcceptable(faults)
    return found


def refuse_nul(pairs: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """The pairs, after checking that none contains U+0000, which no database text can hold.

    Raises:
        ValueError: one does.
    """
    if any("\0" in text for pair in pairs for text in pair):
        raise ValueError
    return pairs


def number_of(text: str) -> int:
    """Version number in a path.

    Raises:
        NotFound: no version has such a number.
    """
    if not re.fullmatch(r"[1-9][0-9]{0,8}", text, re.ASCII):
        raise NotFound
    return int(text)


def id_parameter(name: str, text: str) -> str:
    """Id in a query parameter.

    Raises:
        NotAcceptable: not the form of an id.
    """
    known = _uuid(text)
    if known is None:
        raise NotAcceptable.of(parameter=name, code="not-an-id", detail="A UUID in lower case, as it was given.")
    return known


def limit_parameter(asked: dict[str, str]) -> int:
    """Length of a page among the query parameters. The list itself says which lengths it takes.

    Raises:
        NotAcceptable: not a whole number.
    """
    text = asked.get("limit", str(DEFAULT_LIMIT))
    if not re.fullmatch(r"[0-9]{1,6}", text, re.ASCII):
        raise NotAcceptable([limit_fault()])
    return int(text)


def moment_parameter(name: str, text: str) -> datetime | date:
    """Day or moment in a query parameter.

    Raises:
        NotAcceptable: neither, or outside the years 1900 to 2200.
    """
    try:
        # A day has ten characters, and no moment has as few.
        if len(text) == 10:
            day = msgspec.convert(text, date)
            check_day(day)
            return day
        instant = msgspec.convert(text, datetime)
        check_instant(instant)
    except (ValueError, OverflowError) as error:
        raise NotAcceptable.of(parameter=name, code="not-a-time", detail=_MOMENT) from error
    return instant


def _uuid(text: str) -> str | None:
    try:
        parsed = UUID(text)
    except ValueError:
        return None
    return text if str(parsed) == text else None


def accepts_gzip(connection: Connection) -> bool:
    """True if Accept-Encoding names gzip or ``*`` with a weight above 0."""
    return takes_gzip(header_of(connection, "Accept-Encoding") or "")


def takes_gzip(accepted: str) -> bool:
    """True if the text of an Accept-Encoding names gzip or ``*`` with a weight above 0."""
    for part in accepted.lower().split(","):
        coding, _, weight = part.replace(" ", "").partition(";")
        if coding in ("gzip", "x-gzip", "*"):
            return weight.rstrip("0") not in ("q=", "q=0.")
    return False


ETAGS = {"anyOf": [{"type": "string", "pattern": '^"[0-9]{1,9}"$'}, {"const": "*"}], "examples": ['"3"']}

BEGAN_FROM = OperationParameter(
    name="from",
    within="query",
    schema={"type": "string"},
    description="Only sittings that began at this day or time, or later. A plain day is in the tenant's time zone.",
)
BEGAN_BEFORE = OperationParameter(
    name="to", within="query", schema={"type": "string"}, description="Only sittings that began before this."
)
PAGE_LENGTH = OperationParameter(
    name="limit",
    within="query",
    schema={"type": "integer", "minimum": 1, "maximum": LONGEST_PAGE, "default": DEFAULT_LIMIT},
    description="The length of the page.",
)
PAGE_CURSOR = OperationParameter(
    name="cursor", within="query", schema={"type": "string"}, description="From the `next` of an earlier page."
)
IDEMPOTENCY_KEY = OperationParameter(
    name="Idempotency-Key",
    within="header",
    schema={"type": "string", "minLength": 1, "maxLength": 255, "pattern": "^[!-~]+$"},
    description="Your own key of this request: sent again with the same body, it is answered as the first time, and "
    "nothing is done twice. Kept 30 days; only successes are remembered.",
)
IDEMPOTENCY_KEY_OF_BATCH = msgspec.structs.replace(
    IDEMPOTENCY_KEY,
    description="Your own key of this request: a line without an `identifier` is known by it and its line number, and is "
    "not stored again when the same lines are sent again. Kept 30 days.",
)
IF_MATCH = OperationParameter(
    name="If-Match",
    within="header",
    schema=ETAGS,
    description='The version that the change is meant for: its ETag, such as "3". Missing: 428. Stale: 412.',
)
IF_MATCH_OR_ANY = msgspec.structs.replace(
    IF_MATCH,
    description='The version that the readings were taken after: its ETag, such as "3"; or * for whichever is newest.',
)
IF_MATCH_OPTIONAL = msgspec.structs.replace(
    IF_MATCH,
    description='Only if this is still the newest version, such as "3". May be left out.',
)
IF_NONE_MATCH = OperationParameter(
    name="If-None-Match",
    within="header",
    schema={"type": "string"},
    description="The ETag that you have: answered by 304 if it is still the newest.",
)
