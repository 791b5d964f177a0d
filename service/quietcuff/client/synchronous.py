"""The client for code that waits for each answer."""

from __future__ import annotations

import time
from types import TracebackType
from typing import TypeVar

import httpx

from quietcuff.client import calls
from quietcuff.client.connecting import TIMEOUT_SECONDS, Connecting, OnConcern, lost, received
from quietcuff.client.retries import Lost, Patience, Received, tries
from quietcuff.client.told import OpenSitting, ToldPayload, ToldSitting
from quietcuff.core.model.changes import Append, Correction
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.over_visits.result import Summary
from quietcuff.decode.gatt.body import GattBody

T = TypeVar("T")


class Client(Connecting):
    """A client that waits; ``with Client(url, key) as client`` closes its connections. The rest is as for ``AsyncClient``."""

    def __init__(
        self,
        url: str,
        key: str,
        *,
        patience: Patience | None = None,
        on_concern: OnConcern | None = None,
        http: httpx.Client | None = None,
    ) -> None:
        super().__init__(url, key, patience=patience, on_concern=on_concern)
        self._http = http or httpx.Client(timeout=TIMEOUT_SECONDS)

    def __enter__(self) -> Client:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._http.close()

    def open(self, reading_set: ReadingSet, *, key: str | None = None) -> ToldSitting:
        """Store a sitting: whole, or under way where it is not closed."""
        return self._ask(calls.opening(reading_set, key))

    def append(self, sitting: OpenSitting, append: Append, *, key: str | None = None) -> ToldSitting:
        """Add readings or answers to an open sitting."""
        return self._ask(calls.appending(sitting, append, key))

    def close(self, sitting: OpenSitting, *, key: str | None = None) -> ToldSitting:
        """Close an open sitting."""
        return self._ask(calls.closing(sitting, key))

    def correct(self, sitting: OpenSitting, correction: Correction, *, key: str | None = None) -> ToldSitting:
        """Put right what was sent."""
        return self._ask(calls.correcting(sitting, correction, key))

    def void(self, sitting: OpenSitting, reason: str, *, key: str | None = None) -> ToldSitting:
        """Take a whole sitting back."""
        return self._ask(calls.voiding(sitting, reason, key))

    def read(self, set_id: str) -> ToldSitting:
        """Read a sitting as it stands."""
        return self._ask(calls.reading(set_id))

    def summary(self, subject_id: str) -> Summary:
        """Read what a person's sittings come to."""
        return self._ask(calls.summarising(subject_id))

    def forward(self, body: GattBody, *, key: str | None = None) -> ToldPayload:
        """Forward the values of a Bluetooth cuff as the device sent them."""
        return self._ask(calls.forwarding(body, key))

    def _ask(self, call: calls.ClientCall[T]) -> T:
        going = tries(self.patience)
        wait = next(going)
        while True:
            time.sleep(wait)
            came = self._send(call)
            try:
                wait = going.send(came)
            except StopIteration as good:
                return self._understood(call, good.value)

    def _send(self, call: calls.ClientCall[T]) -> Received | Lost:
        try:
            return received(self._http.send(self._request(call, self._http)))
        except httpx.TransportError as error:
            return lost(error)
