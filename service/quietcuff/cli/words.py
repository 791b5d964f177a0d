"""What the commands say to people: on the standard error stream, so that output stays fit for programs."""

from __future__ import annotations

from rich.console import Console


def say(text: str) -> None:
    """One line to the person at the terminal."""
    Console(stderr=True, highlight=False, markup=False, soft_wrap=True).print(text)
