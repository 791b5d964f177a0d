"""The client for coroutines: the same requests, awaited."""

from __future__ import annotations

from types import TracebackType
from typing import TypeVar

import anyio
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


class AsyncClient(Connecting):
    """The client for coroutines; ``async with AsyncClient(url, key) as client`` closes its connections.

    ``http`` is a client of httpx of your own, with its proxies and certificates. Each change has a key of its own unless you
    give one: give one that you keep, and you can send the change again after a restart.
    """

    def __init__(
        self,
        url: str,
        key: str,
        *,
        patience: Patience | None = None,
        on_concern: OnConcern | None = None,
        http: httpx.AsyncClient | None = None,
    ) -> None:
        super().__init__(url, key, patience=patience, on_concern=on_concern)
        self._http = http or httpx.AsyncClient(timeout=TIMEOUT_SECONDS)

    async def __aenter__(self) -> AsyncClient:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._http.aclose()

    async def open(self, reading_set: ReadingSet, *, key: str | None = None) -> ToldSitting:
        """Store a sitting: whole, or under way where it is not closed."""
        return await self._ask(calls.opening(reading_set, key))

    async def append(self, sitting: OpenSitting, append: Append, *, key: str | None = None) -> ToldSitting:
        """Add readings or answers to an open sitting."""
        return await self._ask(calls.appending(sitting, append, key))

    async def close(self, sitting: OpenSitting, *, key: str | None = None) -> ToldSitting:
        """Close an open sitting."""
        return await self._ask(calls.closing(sitting, key))

    async def correct(self, sitting: OpenSitting, correction: Correction, *, key: str | None = None) -> ToldSitting:
        """Put right what was sent."""
        return await self._ask(calls.correcting(sitting, correction, key))

    async def void(self, sitting: OpenSitting, reason: str, *, key: str | None = None) -> ToldSitting:
        """Take a whole sitting back."""
        return await self._ask(calls.voiding(sitting, reason, key))

    async def read(self, set_id: str) -> ToldSitting:
        """Read a sitting as it stands."""
        return await self._ask(calls.reading(set_id))

    async def summary(self, subject_id: str) -> Summary:
        """Read what a person's sittings come to."""
        return await self._ask(calls.summarising(subject_id))

    async def forward(self, body: GattBody, *, key: str | None = None) -> ToldPayload:
        """Forward the values of a Bluetooth cuff as the device sent them."""
        return await self._ask(calls.forwarding(body, key))

    async def _ask(self, call: calls.ClientCall[T]) -> T:
        going = tries(self.patience)
        wait = next(going)
        while True:
            await anyio.sleep(wait)
            came = await self._send(call)
            try:
                wait = going.send(came)
            except StopIteration as good:
                return self._understood(call, good.value)

    async def _send(self, call: calls.ClientCall[T]) -> Received | Lost:
        try:
            return received(await self._http.send(self._request(call, self._http)))
        except httpx.TransportError as error:
            return lost(error)
