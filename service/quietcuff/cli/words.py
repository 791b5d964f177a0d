"""What the commands say to people: on the standard error stream, so that output stays fit for programs."""

from __future__ import annotations

import sys


def say(text: str) -> None:
    """One line to the person at the terminal."""
    sys.stderr.write(text + "\n")
