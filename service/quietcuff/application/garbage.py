"""How often a process that stores sittings looks for garbage."""

from __future__ import annotations

import gc

# Requests and lines leave next to no rings behind, and those under way were looked at in vain each time: of a sitting over HTTP
# 39 us went into it at Python's own 700, and 4 us at this.
NEW_OBJECTS = 10_000


def look_seldom() -> None:
    """Look at what is new only when this much has been made; a look then takes some milliseconds."""
    gc.set_threshold(NEW_OBJECTS)
