"""The state of one resource that is made from a sitting: its own version counter, its status, and its last change."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

import msgspec

ObservationStatus = Literal["preliminary", "final", "amended", "corrected", "entered-in-error"]


class ResourceState(msgspec.Struct, frozen=True):
    """The state of one Observation: its own version counter, its status, and the time of its last change."""

    version: int
    status: ObservationStatus
    updated_at: datetime
