"""The deadline by which work for a request must have begun.

Work that would begin later is not done, and its caller is told that the service is busy.
"""

from __future__ import annotations

import time
from contextvars import ContextVar

from quietcuff.core.model.errors import Busy

RETRY_SECONDS = 2


class Deadline:
    """A number of seconds, counted from the moment the last part of the request arrived."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._until = time.monotonic() + seconds

    def begin_again(self) -> None:
        """Count the seconds from now, because another part of the request arrived."""
        self._until = time.monotonic() + self._seconds

    def require(self) -> None:
        """Make sure that the deadline has not passed.

        Raises:
            Busy: it is.
        """
        if self.is_over():
            raise Busy(RETRY_SECONDS)

    def is_over(self) -> bool:
        return time.monotonic() > self._until


# The deadline of the request that is being served. Commands, listeners and background work have none, and wait as long as it
# takes.
DEADLINE: ContextVar[Deadline | None] = ContextVar("deadline", default=None)
