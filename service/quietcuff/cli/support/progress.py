"""Progress of long work on standard error: a bar at a terminal, otherwise a line now and then."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Any

from quietcuff.cli.support.input_file import InputFile
from quietcuff.cli.support.words import say

SECONDS_BETWEEN_LOOKS = 0.2
SECONDS_BETWEEN_LINES = 10.0


class LineProgress:
    """Counts lines and shows their rate and, if the size of the source is known, the time left."""

    def __init__(self, source: InputFile, *, seconds_between_lines: float = SECONDS_BETWEEN_LINES) -> None:
        console = terminal()
        self._source = source
        self._total = source.total_bytes
        self._lines = 0
        self._began = time.monotonic()
        self._bar = None if console is None else self._make_bar(console)
        self._wait = SECONDS_BETWEEN_LOOKS if self._bar is not None else seconds_between_lines
        self._next = self._began + self._wait

    def __enter__(self) -> LineProgress:
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._bar is not None:
            self._bar.stop()

    def count(self) -> None:
        """Count one line as done."""
        self._lines += 1
        now = time.monotonic()
        # Looked at by the clock and not by the count: a line of output for every so many lines would slow a fast import.
        if now < self._next:
            return
        self._next = now + self._wait
        rate = f"{self._lines / (now - self._began):,.0f} a second"
        position_bytes = self._source.position_bytes
        if self._bar is not None:
            self._bar.update(self._task, completed=position_bytes, lines=f"{self._lines:,} lines", rate=rate)
        else:
            say(", ".join([f"{self._lines:,} lines", rate, *self._left(position_bytes, now)]))

    def _left(self, position_bytes: int, now: float) -> list[str]:
        if not self._total or not position_bytes:
            return []
        seconds = (now - self._began) * (self._total - position_bytes) / position_bytes
        return [f"{100 * position_bytes // self._total} %", f"about {seconds / 60:.0f} min left"]

    def _make_bar(self, console: Any) -> Any:
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

        columns = [TextColumn("{task.fields[lines]}"), TextColumn("{task.fields[rate]}"), TimeRemainingColumn()]
        bar = Progress(BarColumn(), TaskProgressColumn(), *columns, console=console)
        self._task = bar.add_task("", total=self._total, lines="", rate="")
        return bar


@contextmanager
def work_done(unit: str, *, seconds_between_lines: float = SECONDS_BETWEEN_LINES) -> Iterator[Callable[[float, int], None]]:
    """Progress of work that tells which part of it is done (0 to 1) and how much that is, with rate and time left: a bar at a
    terminal, elsewhere a line now and then."""
    began = last = time.monotonic()
    with part_bar() as show:

        def told(part: float, count: int) -> None:
            nonlocal last
            now = time.monotonic()
            passed = max(now - began, 1e-6)
            rate = f"{count:,} {unit}, {count / passed:,.0f} a second"
            if show is not None:
                show(part, rate)
            elif now - last >= seconds_between_lines:
                last = now
                left = [f"{100 * part:.0f} %", f"about {time_in_words(passed * (1 - part) / part)} left"] if part > 0 else []
                say(", ".join([rate, *left]))

        yield told


@contextmanager
def part_bar() -> Iterator[Callable[[float, str], None] | None]:
    """A bar that shows which part is done beside a text; None where there is no terminal to show it."""
    console = terminal()
    if console is None:
        yield None
        return
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (BarColumn(), TaskProgressColumn(), TextColumn("{task.description}"), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda part, text: bar.update(task, completed=part, description=text)


def terminal() -> Any:
    """The terminal behind standard error, as what draws bars on it; None where there is none."""
    if not sys.stderr.isatty():
        return None
    # Loaded only here: it takes a tenth of a second.
    from rich.console import Console

    console = Console(stderr=True)
    return console if console.is_terminal else None


def time_in_words(seconds: float) -> str:
    """A time to wait for: in seconds up to a minute and a half, then in minutes."""
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"
