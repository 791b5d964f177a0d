"""How schemathesis sends a list as lines and reads it back: it does not know NDJSON by itself."""

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
