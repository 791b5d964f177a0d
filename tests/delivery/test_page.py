"""The page for receivers says what is so: its example checks what we sign, its tables name every reason and cause."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from quietcuff.delivery.documents import NewTarget
from quietcuff.delivery.message import Event
from quietcuff.delivery.outcomes import BY_STATUS
from quietcuff.delivery.signing import make_secret, secret_text, signature_headers
from quietcuff.storage.schema.codes import CAUSE

PAGE = (Path(__file__).parents[2] / "docs/delivery.md").read_text("utf-8")


def block(language: str) -> str:
    found = re.search(rf"^```{language}\n(.*?)^```$", PAGE, re.M | re.S)
    assert found is not None
    return found[1]


def test_the_example_believes_what_we_sign_and_nothing_else() -> None:
    scope: dict[str, Any] = {}
    exec(block("python"), scope)  # noqa: S102 - the page's own example
    is_genuine, secret, body, now = scope["is_genuine"], make_secret(), b'{"a": 1}', datetime.now(UTC)
    headers = signature_headers("019d-v1", now, body, [make_secret(), secret])
    assert is_genuine(secret_text(secret), headers, body)
    assert not is_genuine(secret_text(secret), headers, body + b" ")
    assert not is_genuine(secret_text(make_secret()), headers, body)
    old = signature_headers("019d-v1", now - timedelta(minutes=6), body, [secret])
    assert not is_genuine(secret_text(secret), old, body)


def test_the_event_of_the_page_has_the_shape_of_ours() -> None:
    shown = json.loads(block("json"))
    assert list(shown) == list(Event.__struct_fields__)
    assert list(shown["data"]) == ["reading_set_id", "version", "observations"]
    assert [word for word in CAUSE.words if f"`{word}`" not in PAGE] == []


def test_the_page_names_every_status_and_every_field() -> None:
    assert [status for status in BY_STATUS if str(status) not in PAGE] == []
    assert [field for field in NewTarget.__struct_fields__ if f"`{field}`" not in PAGE] == []
