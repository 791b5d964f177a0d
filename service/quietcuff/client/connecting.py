"""What both clients share: address and key of the service, and telling what must not wait."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import httpx

from quietcuff.client.calls import ClientCall
from quietcuff.client.retries import Lost, Patience, Received
from quietcuff.client.told import ToldPayload, ToldSitting

T = TypeVar("T")
OnConcern = Callable[[ToldSitting], None]
TIMEOUT_SECONDS = 30.0


class Connecting:
    """The settings of a client. ``on_concern`` is called for each sitting whose safety says more than nothing, before its
    answer is given."""

    def __init__(self, url: str, key: str, *, patience: Patience | None = None, on_concern: OnConcern | None = None) -> None:
        self.url = url.rstrip("/")
        self.patience = patience or Patience()
        self._headers = {"Authorization": f"Bearer {key}"}
        self._on_concern = on_concern

    def _request(self, call: ClientCall[T], http: httpx.Client | httpx.AsyncClient) -> httpx.Request:
        headers = {**self._headers, **call.headers}
        return http.build_request(call.method, f"{self.url}{call.path}", content=call.body, headers=headers)

    def _understood(self, call: ClientCall[T], came: Received) -> T:
        told = call.understand(came.body, came.headers)
        for sitting in _sittings_of(told):
            if self._on_concern is not None and sitting.safety.level != "none":
                self._on_concern(sitting)
        return told


def received(answer: httpx.Response) -> Received:
    """An answer as the retries read it."""
    return Received(answer.status_code, answer.content, answer.headers)


def lost(error: httpx.TransportError) -> Lost:
    """A lost answer. The error's own words may hold an address and are left out."""
    return Lost(type(error).__name__)


def _sittings_of(told: object) -> list[ToldSitting]:
    if isinstance(told, ToldPayload):
        return told.sittings
    return [told] if isinstance(told, ToldSitting) else []
