"""By when work for a request must have begun: later, its caller is told that there was no room, and it is not done."""

from __future__ import annotations

import time
from contextvars import ContextVar

from quietcuff.core.model.errors import Busy

RETRY_SECONDS = 2


class Deadline:
    """So many seconds from when the last part of the request came."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._until = time.monotonic() + seconds

    def begin_again(self) -> None:
        """Something came: the seconds run from now."""
        self._until = time.monotonic() + self._seconds

    def require(self) -> None:
        """Make sure that it is not over.

        Raises:
            Busy: it is.
        """
        if self.is_over():
            raise Busy(RETRY_SECONDS)

    def is_over(self) -> bool:
        return time.monotonic() > self._until


# Of the request that is being served, where it has one: commands, listeners and upkeep have none, and wait as long as it takes.
DEADLINE: ContextVar[Deadline | None] = ContextVar("deadline", default=None)
