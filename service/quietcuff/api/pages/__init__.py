"""Pages that the service shows to people: their look, and the policy under which a browser shows them."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

# A page loads its own style, script and pictures, asks this service alone, and stands in nobody's frame.
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
KEPT = {"Cache-Control": "public, max-age=3600"}


@cache
def page_file(name: str) -> bytes:
    """A file of this folder."""
    return (files("quietcuff.api.pages") / name).read_bytes()
