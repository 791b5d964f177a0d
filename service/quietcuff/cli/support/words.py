"""Messages of the commands, on standard error so that standard output stays usable for programs."""

from __future__ import annotations

import sys
from contextvars import ContextVar

# Which command is run, such as "retention erase": the trail is told its name, and nothing of what it was given.
CALLED: ContextVar[str] = ContextVar("quietcuff command", default="command")
ARRAY_GIVEN = "The file is a JSON array: write the reading sets one object a line (NDJSON), without the array around them."
PORT_ACCEPTED = "An address of this machine, and a port from 0 to 65535 that no other program has."


def say(text: str) -> None:
    """Print one line for the person at the terminal."""
    sys.stderr.write(text + "\n")
