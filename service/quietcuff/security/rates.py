"""The rate limit of a key: a number of requests a minute, shared by all processes of one database.

Processes do not ask the database for each request: each takes a twentieth of the minute's requests at once and counts them
down.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Awaitable, Callable

from quietcuff.core.model.errors import TooOften

LEASES_A_MINUTE = 20
MOST_KNOWN = 10_000

# Takes a number of requests of a minute for a caller; the answer is the total that all processes have taken.
Lease = Callable[[str, int, int], Awaitable[int]]


class _Minute:
    """The requests that a caller has left in one minute."""

    def __init__(self, number: int, left: int) -> None:
        self.number = number
        self.left = left
        self.is_spent = False
        self.lock = asyncio.Lock()


class Rates:
    """The rate limit of every key. ``a_minute`` is 0 where there is none."""

    def __init__(self, a_minute: int, lease: Lease | None = None, clock: Callable[[], float] = time.time) -> None:
        self._a_minute = a_minute
        self._lease = lease
        self._clock = clock
        self._minutes: dict[str, _Minute] = {}

    async def take(self, actor: str) -> None:
        """Count a request.

        Raises:
            TooOften: the minute's requests are used up.
        """
        if not self._a_minute:
            return
        minute = self._minute(actor)
        if minute.left < 1 and self._lease is not None and not minute.is_spent:
            async with minute.lock:
                # Looked at again: another request may have taken more while this one waited for the lock.
                if minute.left < 1 and not minute.is_spent:
                    await self._take_more(self._lease, actor, minute)
        if minute.left < 1:
            wait = max(1, math.ceil((minute.number + 1) * 60 - self._clock()))
            raise TooOften(f"This key may ask {self._a_minute} times a minute.", wait)
        minute.left -= 1

    async def _take_more(self, lease: Lease, actor: str, minute: _Minute) -> None:
        count = max(1, self._a_minute // LEASES_A_MINUTE)
        before = await lease(actor, minute.number, count) - count
        granted = max(0, min(count, self._a_minute - before))
        minute.left += granted
        minute.is_spent = granted < count

    def _minute(self, actor: str) -> _Minute:
        number = int(self._clock() // 60)
        found = self._minutes.get(actor)
        if found is None or found.number != number:
            # Only minutes that are over are dropped, so nobody gets a limit afresh.
            if len(self._minutes) >= MOST_KNOWN:
                self._minutes = {name: one for name, one in self._minutes.items() if one.number == number}
            found = self._minutes[actor] = _Minute(number, 0 if self._lease else self._a_minute)
        return found
