"""Answers that are whole when they begin, written in one piece with their head.

uvicorn writes the head of an answer and its body one after the other. Each write is a call of the system, and wakes the client.
"""

from __future__ import annotations

import re
from typing import Any

from uvicorn.protocols.http.httptools_impl import STATUS_LINE

# Said by the first message of an answer: all of its body comes with the next message, before anything is waited for.
WHOLE = "quietcuff.whole"
# The lines of a head as we write them. Any other is looked at by uvicorn, which refuses what would break out of its line.
_LINES = re.compile(rb"\r\n(?:[a-z0-9-]+: [\t\x20-\x7e\x80-\xff]*\r\n)*")
_MORE_TO_DO = (b"\r\nconnection:", b"\r\ntransfer-encoding:")


def whole_start(status: int, headers: list[tuple[bytes, bytes]]) -> Any:
    """The message that begins a whole answer."""
    return {"type": "http.response.start", "status": status, "headers": headers, WHOLE: True}


class OneWrite:
    """An application for one request, of which uvicorn keeps the ``cycle``."""

    def __init__(self, app: Any, cycle: Any) -> None:
        self._app = app
        self._cycle = cycle
        self._start: Any = None

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Answer the request."""
        await self._app(scope, receive, self.send)

    async def send(self, message: Any) -> None:
        """Send a part of the answer; a start that says so waits for the body."""
        if message.get(WHOLE):
            self._start = message
            return
        start, self._start = self._start, None
        if start is not None:
            if self._is_plain() and self._is_written(start, message["body"]):
                return
            await self._cycle.send(start)
        await self._cycle.send(message)

    def _is_plain(self) -> bool:
        """False where uvicorn has more to do than to write the answer."""
        cycle = self._cycle
        is_held_up = cycle.disconnected or cycle.response_started or cycle.flow.write_paused or cycle.access_log
        return not is_held_up and cycle.keep_alive and cycle.scope["method"] != "HEAD"

    def _is_written(self, start: Any, body: bytes) -> bool:
        """Write an answer, as uvicorn's ``send`` would. False if its headers ask for more than to be written."""
        cycle = self._cycle
        headers = (*cycle.default_headers, *start["headers"])
        lines = b"\r\n".join([b"", *[b"%b: %b" % header for header in headers], b""])
        if not _LINES.fullmatch(lines) or lines.count(b"\n") != len(headers) + 1:
            return False
        if b"\r\ncontent-length: %d\r\n" % len(body) not in lines or any(name in lines for name in _MORE_TO_DO):
            return False
        cycle.response_started = cycle.response_complete = True
        cycle.waiting_for_100_continue = False
        cycle.transport.write(b"".join((STATUS_LINE[start["status"]][:-2], lines, b"\r\n", body)))
        cycle.message_event.set()
        cycle.on_response()
        return True
