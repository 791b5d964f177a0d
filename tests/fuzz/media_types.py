"""How schemathesis sends and reads what it does not know by itself: NDJSON, HL7 v2, and sheets."""

from __future__ import annotations

import json
from typing import Any

import schemathesis


@schemathesis.serializer("application/x-ndjson")
def lines(context: Any, value: Any) -> bytes:
    """Each item on a line of its own; what is no list is a line."""
    if isinstance(value, bytes):
        return value
    return b"".join(json.dumps(item).encode() + b"\n" for item in (value if isinstance(value, list) else [value]))


@schemathesis.deserializer("application/x-ndjson")
def items(context: Any, response: Any) -> Any:
    """The lines of an answer as a list."""
    return [json.loads(line) for line in response.content.splitlines()]


@schemathesis.serializer("application/hl7-v2", "text/csv")
def segments(context: Any, value: Any) -> bytes:
    """A message or a sheet is its own text."""
    return value if isinstance(value, bytes) else str(value).encode("utf-8", errors="replace")
