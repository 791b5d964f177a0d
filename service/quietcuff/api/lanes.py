"""How many requests are let in at once: as many as will be answered in time, by how fast they have been answered so far.

Requests that cost alike share a lane. A lane measures how many it answers a second while it is busy; the expected waiting time
is what is inside, over that rate (Little's law). Who would wait too long is told so at once, before the body is decoded.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections import Counter
from collections.abc import Callable, Iterable
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
    """How far behind the event loop is with what is ready."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._due_at: float | None = None

    async def beat(self) -> None:
        """Go on for as long as requests are served."""
        while True:
            self._due_at = self._monotonic() + BEAT_SECONDS
            await asyncio.sleep(BEAT_SECONDS)

    def lag(self) -> float:
        """The seconds by which the next beat is late; none where there is no beat."""
        return 0.0 if self._due_at is None else self._monotonic() - self._due_at


class Kind(msgspec.Struct, frozen=True, kw_only=True):
    """A lane: how fast it is taken to be before anything was measured, from how many inside it counts as busy, how many it
    takes whatever they may wait, and where it is not bounded by time, how many it takes at all."""

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
    """One lane. ``enter`` answers what is called when the request leaves, with whether it was served and not turned away."""

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
        self._inside: Counter[int] = Counter()
        self._total = 0
        self._served = kind.guess_a_second * REMEMBERED_SECONDS / 4
        self._busy_seconds = REMEMBERED_SECONDS / 4
        self._looked_at = monotonic()

    def enter(self, tenant_id: int) -> Leave:
        """Take a place.

        Raises:
            Busy: the answer would come too late, or this tenant has its share.
        """
        self.require_room(tenant_id)
        self._total += 1
        self._inside[tenant_id] += 1
        return lambda is_served: self._leave(tenant_id, is_served)

    def require_room(self, tenant_id: int) -> None:
        """Make sure that there is a place.

        Raises:
            Busy: there is none.
        """
        self._look()
        is_behind = self._total >= BEHIND_FROM and self._lag() > LONGEST_LAG_SECONDS
        if is_behind or not self._has_room(tenant_id):
            raise Busy(min(LONGEST_RETRY_SECONDS, max(1, math.ceil(self.expected_wait() - self._longest))))

    def expected_wait(self) -> float:
        """The seconds that whoever comes now would wait."""
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
        self._served += is_served and self._total >= self._kind.busy_from
        self._total -= 1
        self._inside[tenant_id] -= 1
        if not self._inside[tenant_id]:
            del self._inside[tenant_id]

    def _look(self) -> None:
        """Count the time that has gone by as busy or not, and let old times fade."""
        now = self._monotonic()
        if self._total >= self._kind.busy_from:
            self._busy_seconds += now - self._looked_at
        self._looked_at = now
        if self._busy_seconds > REMEMBERED_SECONDS:
            fading = REMEMBERED_SECONDS / self._busy_seconds
            self._busy_seconds *= fading
            self._served = max(self._served * fading, 1.0)


class Lanes:
    """The lanes of one process.

    Under a flood even the way to a refusal is long: those that are plain from a request's head alone are given before it. For
    that the tenants of keys are remembered by a key's public part; whether the key is good is looked at on the way.
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
        """Remember the lane of a route whose path is always the same."""
        self._lanes_of_routes[method, path] = name

    def know_key(self, authorization: bytes, tenant_id: int) -> None:
        """Remember the tenant of a key that was good."""
        if authorization.startswith(KEYS_BEGIN) and len(authorization) > PUBLIC_PART:
            if len(self._tenants) >= MOST_KEYS_KNOWN:
                self._tenants.clear()
            self._tenants[authorization[:PUBLIC_PART]] = tenant_id

    def refuse_plainly(self, method: str, path: str, headers: Iterable[tuple[bytes, bytes]]) -> None:
        """Turn away what would be turned away on its way, as far as its head tells.

        Raises:
            Busy: there is no room.
        """
        name = self._lanes_of_routes.get((method, path))
        if name is None:
            return
        authorization = next((value for header, value in headers if header == b"authorization"), b"")
        tenant_id = self._tenants.get(authorization[:PUBLIC_PART])
        if tenant_id is not None:
            self._lanes[name].require_room(tenant_id)
