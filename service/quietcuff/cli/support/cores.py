"""The processor cores that this process may use."""

from __future__ import annotations

import os


def cores() -> int:
    """How many there are: those that the system lets this process run on, which may be fewer than the machine has."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
