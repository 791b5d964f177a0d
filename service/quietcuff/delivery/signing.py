"""Signatures of the Standard Webhooks specification 1.0.0: symmetric, HMAC-SHA256 over id, time and body."""

from __future__ import annotations

import base64
import hmac
import secrets
from collections.abc import Iterable
from datetime import datetime

SECRET_BYTES = 32
PREFIX = "whsec_"


def make_secret() -> bytes:
    """A new key; the specification asks for 24 to 64 bytes."""
    return secrets.token_bytes(SECRET_BYTES)


def secret_text(secret: bytes) -> str:
    """A key in the form in which its receiver gets it."""
    return PREFIX + base64.b64encode(secret).decode()


def signature_headers(message_id: str, at: datetime, body: bytes, keys: Iterable[bytes]) -> dict[str, str]:
    """The three headers of a signed message, with one signature for each key, the newest first."""
    timestamp = str(int(at.timestamp()))
    signed = f"{message_id}.{timestamp}.".encode() + body
    signatures = [base64.b64encode(hmac.digest(key, signed, "sha256")).decode() for key in keys]
    return {
        "webhook-id": message_id,
        "webhook-timestamp": timestamp,
        "webhook-signature": " ".join(f"v1,{signature}" for signature in signatures),
    }
