"""Base64url without padding, as tokens, keys and cursors write bytes. Source: RFC 4648, 5; RFC 7515, appendix C."""

from __future__ import annotations

from base64 import urlsafe_b64decode, urlsafe_b64encode


def base64url(raw: bytes) -> str:
    """Bytes as text that fits a URL: b"\\xff\\xef" gives "_-8"."""
    return urlsafe_b64encode(raw).rstrip(b"=").decode("ascii")


def bytes_of_base64url(text: str) -> bytes:
    """The bytes that a text stands for. Only its one canonical spelling is accepted.

    Raises:
        ValueError: any other text.
    """
    raw = urlsafe_b64decode(text + "=" * (-len(text) % 4))
    if base64url(raw) != text:
        raise ValueError("not base64url")
    return raw
