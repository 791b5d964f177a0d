"""Logs as lines of JSON: a fixed list of facts about each request, none of them about a person.

A path is logged as its template, so that no id is in the log. Query strings, bodies and error messages are never logged. Lines
of the server and of other libraries get the same form, and lose what may quote a value.
"""

from __future__ import annotations

import asyncio
import logging
import re
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import nullcontext
from datetime import UTC, datetime
from functools import lru_cache
from select import PIPE_BUF
from typing import TextIO

import msgspec

from quietcuff.core.model.errors import StoreFailing

access = logging.getLogger("quietcuff.access")
service = logging.getLogger("quietcuff.service")

TRACEBACK = "Traceback (most recent call last):"
LONGEST_TEXT = 300
MOST_FRAMES = 20


class AccessLine(msgspec.Struct, frozen=True, kw_only=True):
    """Log entry for one request. The time is added to every entry as it is written."""

    request_id: str
    method: str
    route: str
    status: int
    milliseconds: float
    tenant: int | None
    key: str | None


class StandardError(logging.StreamHandler[TextIO]):
    """Handler that writes to the current standard error stream at each entry, even if another stream has replaced it.

    Lines that are ready within one turn of the event loop are written together, in the order in which they came.
    """

    def __init__(self) -> None:
        logging.Handler.__init__(self)
        self._held: list[str] = []
        self._held_length = 0
        self._called: asyncio.AbstractEventLoop | None = None

    @property
    def stream(self) -> TextIO:  # type: ignore[override]
        return sys.stderr

    def emit(self, record: logging.LogRecord) -> None:
        """Write an entry at once, after the lines that were ready before it."""
        try:
            self._hold(self.format(record))
        except Exception:
            self.handleError(record)
        self.write_held()

    def flush(self) -> None:
        """Write whatever is held, and empty the stream."""
        self.write_held()
        super().flush()

    def write_line(self, line: str) -> None:
        """Write a line that is ready, by the next turn of the event loop; at once where there is none."""
        with self.lock or nullcontext():
            self._hold(line)
            try:
                loop = asyncio.get_running_loop()
            except RuntimeError:
                self.write_held()
                return
            if self._called is not loop:
                self._called = loop
                loop.call_soon(AtTurnOrEnd(self.write_held))

    def write_held(self) -> None:
        """Write the lines that are ready."""
        with self.lock or nullcontext():
            self._called = None
            if not self._held:
                return
            text = "".join(self._held)
            self._held.clear()
            self._held_length = 0
            try:
                self.stream.write(text)
                self.stream.flush()
            except Exception:
                # A log that cannot be written must not end the request; logging itself tells of it in the same way.
                self.handleError(logging.makeLogRecord({"name": access.name, "msg": "a line could not be written"}))

    def _hold(self, line: str) -> None:
        # So many bytes reach a pipe in one piece, even where several processes write to it.
        if self._held_length + len(line) >= PIPE_BUF:
            self.write_held()
        self._held.append(line + self.terminator)
        self._held_length += len(line) + 1


class AtTurnOrEnd:
    """Something that is done by the next turn of an event loop, or when the loop is closed before that and drops it."""

    def __init__(self, do: Callable[[], None]) -> None:
        self._do = do

    def __call__(self) -> None:
        self._do()

    def __del__(self) -> None:
        self._do()


class JsonLine(logging.Formatter):
    """One entry as one line of JSON: its time (ISO 8601, UTC), its level and its log, then what it tells.

    Our own entries are objects already. Of any other the first line of its text is kept, and of an error its classes and lines
    of code: all else may quote a value.
    """

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        message = record.getMessage()
        if record.name.startswith("quietcuff."):
            return self.line_of(record.name, record.levelname.lower(), record.created, message)
        told: dict[str, object] = {}
        if message.startswith(TRACEBACK):
            told["failure"] = [_cause_in(message)]
        else:
            told["text"] = message.partition("\n")[0][:LONGEST_TEXT]
        if record.exc_info and record.exc_info[1] is not None:
            told["failure"] = _causes(record.exc_info[1])
        return self.line_of(record.name, record.levelname.lower(), record.created, msgspec.json.encode(told).decode())

    @staticmethod
    def line_of(log: str, level: str, at: float, entry: str) -> str:
        """An entry, which is an object, with what stands before it in every line."""
        whole, part = divmod(int(at * 1000), 1000)
        return f'{{"at":"{second_text(whole)}.{part:03}Z","level":"{level}","log":"{log}",{entry[1:]}'


@lru_cache(maxsize=4)
def second_text(at: int) -> str:
    """A second in UTC. Lines come many to a second."""
    return datetime.fromtimestamp(at, UTC).replace(tzinfo=None).isoformat()


def tell_access(line: AccessLine) -> None:
    """Log a request. Where the log is ours alone, its line is written without the record that other handlers would need."""
    message = msgspec.json.encode(line).decode()
    handler = access.handlers[0] if len(access.handlers) == 1 and not access.propagate and not access.filters else None
    if isinstance(handler, StandardError) and isinstance(handler.formatter, JsonLine) and not logging.root.manager.disable:
        handler.write_line(handler.formatter.line_of(access.name, "info", time.time(), message))
    else:
        access.info("%s", message)


def configure_logs(level: str) -> None:
    """Send every log to standard error, one line for each entry; those of other libraries from warnings on."""
    handler = StandardError()
    handler.setFormatter(JsonLine())
    for logger in (access, service):
        logger.handlers[:] = [handler]
        logger.propagate = False
        logger.setLevel(level.upper())
    logging.getLogger("uvicorn").setLevel(level.upper())
    root = logging.getLogger()
    # Only ours is put in another's place: whoever runs the service in a program of their own may listen as well.
    root.handlers[:] = [*(one for one in root.handlers if not isinstance(one, StandardError)), handler]


def log_failure(error: BaseException, request_id: str) -> None:
    """Log a failure as exception classes and code lines. Messages are left out, because they may quote a value."""
    service.error("%s", msgspec.json.encode({"request_id": request_id, "failure": _causes(error)}).decode())


def _cause_in(text: str) -> dict[str, object]:
    """The class and the lines of code of a printed traceback."""
    frames = re.findall(r'^ +File "(.+)", line (\d+), in (\S+)', text, re.M)
    kind = text.rstrip().rpartition("\n")[2].partition(":")[0]
    return {"error": kind, "at": [f"{name}:{line} {function}" for name, line, function in frames[-MOST_FRAMES:]]}


def _causes(error: BaseException) -> list[dict[str, object]]:
    told: list[dict[str, object]] = []
    cause: BaseException | None = error
    # A bound, since the causes of an error may lead round in a ring.
    while cause is not None and len(told) < 10:
        frames = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in traceback.extract_tb(cause.__traceback__)]
        kind = {"code": cause.code} if isinstance(cause, StoreFailing) else {}
        told.append({"error": f"{type(cause).__module__}.{type(cause).__qualname__}", **kind, "at": frames[-MOST_FRAMES:]})
        cause = cause.__cause__ or cause.__context__
    return told
