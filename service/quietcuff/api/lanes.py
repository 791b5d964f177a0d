"""Admission of requests: only as many are let in as can be answered in time, by the speed of the latest answers.

Requests of similar cost share a lane. A lane measures how many requests it answers a second while it is busy. The expected wait
is the number of requests inside divided by that rate (Little's law). A request that would wait too long is refused at once,
before its body is decoded.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable
from typing import Literal

import msgspec

from quietcuff.core.model.errors import Busy

LaneName = Literal["free", "key", "write", "read", "picture", "batch", "file"]
Leave = Callable[[bool], None]
# What takes as long as its client does.
UNTIMED = frozenset({"free", "batch", "file"})
# Expected waiting is an expectation: half as much again may come of other tenants, and a commit is as long as its slowest work.
PART_FOR_WAITING = 0.4
PART_BEFORE_WORK = 0.8
MOST_OVER = 1.5
REMEMBERED_SECONDS = 2.0
LONGEST_RETRY_SECONDS = 30
# A key's public part is all that is remembered of it.
KEYS_BEGIN = b"Bearer qc_"
PUBLIC_PART = len(KEYS_BEGIN) + 8
MOST_KEYS_KNOWN = 10_000


# The loop that takes requests in may fall behind by so much before a lane that holds so many turns away; it beats so often.
LONGEST_LAG_SECONDS = 0.1
BEHIND_FROM = 64
BEAT_SECONDS = 0.05


class Pulse:
    """Lag of the event loop behind the work that is ready."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._due_at: float | None = None

    async def beat(self) -> None:
        """Keep measuring while requests are served."""
        while True:
            self._due_at = self._monotonic() + BEAT_SECONDS
            await asyncio.sleep(BEAT_SECONDS)

    def lag(self) -> float:
        """Seconds by which the next beat is late; 0 before the first beat."""
        return 0.0 if self._due_at is None else self._monotonic() - self._due_at


class Kind(msgspec.Struct, frozen=True, kw_only=True):
    """Settings of a lane: the rate assumed before any measurement, the number inside from which it counts as busy, and the
    number it always admits. ``most`` is the limit of a lane that is not limited by time."""

    guess_a_second: float = 50.0
    busy_from: int = 4
    always: int = 16
    most: int | None = None


KINDS: dict[LaneName, Kind] = {
    "key": Kind(guess_a_second=500.0),
    "write": Kind(),
    "read": Kind(guess_a_second=200.0),
    "picture": Kind(guess_a_second=3.0, busy_from=1, always=2),
    "batch": Kind(most=16),
    "file": Kind(most=64),
}


class Lane:
    """One lane. ``enter`` returns a function to call when the request leaves; its argument is True if the request was
    served."""

    def __init__(
        self,
        kind: Kind,
        answer_seconds: float,
        monotonic: Callable[[], float] = time.monotonic,
        lag: Callable[[], float] = lambda: 0.0,
    ) -> None:
        self._kind = kind
        self._lag = lag
        self._longest = answer_seconds * PART_FOR_WAITING
        self._monotonic = monotonic
        self._inside: dict[int, int] = {}
        self._total = 0
        self._served = kind.guess_a_second * REMEMBERED_SECONDS / 4
        self._busy_seconds = REMEMBERED_SECONDS / 4
        self._looked_at = monotonic()

    def enter(self, tenant_id: int) -> Leave:
        """Take a place in the lane.

        Raises:
            Busy: the answer would come too late, or the tenant has its share already.
        """
        self.require_room(tenant_id)
        self._total += 1
        self._inside[tenant_id] = self._inside.get(tenant_id, 0) + 1
        return lambda is_served: self._leave(tenant_id, is_served)

    def require_room(self, tenant_id: int) -> None:
        """Check that there is a place.

        Raises:
            Busy: there is none.
        """
        self._look()
        # The rate says nothing while the loop itself lags: answers are then late before their work begins.
        is_behind = self._total >= BEHIND_FROM and self._lag() > LONGEST_LAG_SECONDS
        if is_behind or not self._has_room(tenant_id):
            raise Busy(min(LONGEST_RETRY_SECONDS, max(1, math.ceil(self.expected_wait() - self._longest))))

    def expected_wait(self) -> float:
        """Expected wait in seconds of a request that comes now."""
        return self._total * self._busy_seconds / self._served

    def _has_room(self, tenant_id: int) -> bool:
        room = self._kind.most or max(self._kind.always, self._longest * self._served / self._busy_seconds)
        # Half of the room is for whoever comes; of the rest each tenant has its share, a newcomer also of what others hold.
        if 2 * self._total < room:
            return True
        tenants = len(self._inside) + (tenant_id not in self._inside)
        most = room if tenants == 1 else room * MOST_OVER
        return self._total < most and self._inside.get(tenant_id, 0) < room / tenants

    def _leave(self, tenant_id: int, is_served: bool) -> None:
        self._look()
        # Requests answered in an idle lane say how often it was asked and not how many it could answer.
        self._served += is_served and self._total >= self._kind.busy_from
        self._total -= 1
        left = self._inside.pop(tenant_id) - 1
        if left:
            self._inside[tenant_id] = left

    def _look(self) -> None:
        """Count the time since the last look if the lane was busy, and let older measurements fade."""
        now = self._monotonic()
        if self._total >= self._kind.busy_from:
            self._busy_seconds += now - self._looked_at
        self._looked_at = now
        if self._busy_seconds > REMEMBERED_SECONDS:
            fading = REMEMBERED_SECONDS / self._busy_seconds
            self._busy_seconds *= fading
            # Never below one: after a long stall the rate would be nothing, and everybody would be turned away for good.
            self._served = max(self._served * fading, 1.0)


class Lanes:
    """The lanes of one process.

    In a flood even the path to a refusal is long. Requests that can be refused by their head alone are therefore refused before
    that path. Their tenants are remembered by the public part of the key; the key itself is checked on the path.
    """

    def __init__(self, answer_seconds: float, monotonic: Callable[[], float] = time.monotonic) -> None:
        self.seconds_before_work = answer_seconds * PART_BEFORE_WORK
        self.pulse = Pulse(monotonic)
        lag = self.pulse.lag
        self._lanes = {name: Lane(kind, answer_seconds, monotonic, lag) for name, kind in KINDS.items()}
        self._lanes_of_routes: dict[tuple[str, str], LaneName] = {}
        self._tenants: dict[bytes, int] = {}

    def enter(self, name: LaneName, tenant_id: int) -> Leave:
        """Take a place in a lane.

        Raises:
            Busy: there is none.
        """
        return self._lanes[name].enter(tenant_id)

    def know_route(self, method: str, path: str, name: LaneName) -> None:
        """Remember the lane of a route with a fixed path."""
        self._lanes_of_routes[method, path] = name

    def know_key(self, authorization: bytes, tenant_id: int) -> None:
        """Remember the tenant of a valid key."""
        if authorization.startswith(KEYS_BEGIN) and len(authorization) > PUBLIC_PART:
            if len(self._tenants) >= MOST_KEYS_KNOWN:
                # Emptied as a whole, since whoever still asks is known again with its next request.
                self._tenants.clear()
            self._tenants[authorization[:PUBLIC_PART]] = tenant_id

    def refuse_plainly(self, method: str, path: str, authorization: bytes | None) -> None:
        """Refuse a request that would be refused later on its path, as far as its head shows.

        Raises:
            Busy: there is no room.
        """
        name = self._lanes_of_routes.get((method, path))
        if name is None or authorization is None:
            return
        tenant_id = self._tenants.get(authorization[:PUBLIC_PART])
        if tenant_id is not None:
            self._lanes[name].require_room(tenant_id)
