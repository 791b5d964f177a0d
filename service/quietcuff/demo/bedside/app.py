"""The guided sitting beside the service: an application that answers ``/bedside/`` itself and hands everything else on.

The demonstration alone serves it, on a loopback address, with a key of its own tenant.
"""

from __future__ import annotations

import os
from importlib.resources import files
from pathlib import Path
from typing import Any

import msgspec
from litestar.types import ASGIApp, Receive, Send

from quietcuff.api.app import create_app_from_environment
from quietcuff.api.pages import PAGE_POLICY
from quietcuff.demo.bedside import KEY_FILE

PATH = "/bedside/"
# By ending, so that a file of another kind is no part of the page.
KINDS = {".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}
LOOPBACK = ("127.0.0.1", "localhost")
HEADERS = {
    "cache-control": "no-store",
    "content-security-policy": PAGE_POLICY + "; require-trusted-types-for 'script'",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
}
Answer = tuple[int, str, bytes]
NOT_FOUND: Answer = (404, "text/plain; charset=utf-8", b"There is no such file.\n")
NOT_HERE: Answer = (403, "text/plain; charset=utf-8", b"Only for the page itself, on this machine.\n")


def create_bedside_from_environment() -> ASGIApp:
    """The service with the guided sitting beside it, as the demonstration's server makes it."""
    return Bedside(create_app_from_environment(), Path(os.environ[KEY_FILE]).read_text("utf-8").strip())


class Bedside:
    """The page's files and the key that it uses, in front of the service."""

    def __init__(self, service: ASGIApp, key: str) -> None:
        self.service = service
        self.key = msgspec.json.encode({"key": key})
        self.files = read_files()

    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Answer a request for the page, or hand it to the service."""
        if scope["type"] != "http" or not f"{scope['path']}/".startswith(PATH):
            # Told to the landing page, which names the guided sitting where there is one.
            scope = {**scope, "state": {**scope.get("state", {}), "bedside": True}} if scope["type"] == "http" else scope
            await self.service(scope, receive, send)
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        if scope["path"] == PATH.rstrip("/"):
            await send_answer(send, (308, "text/plain; charset=utf-8", b""), {**HEADERS, "location": "bedside/"})
            return
        await send_answer(send, self.answer(scope["method"], scope["path"].removeprefix(PATH), headers), HEADERS)

    def answer(self, method: str, name: str, headers: dict[str, str]) -> Answer:
        """The answer to a request below ``/bedside/``."""
        if method not in ("GET", "HEAD"):
            return 405, "text/plain; charset=utf-8", b"GET it.\n"
        if name == "key":
            return (200, "application/json", self.key) if is_own_page(headers) else NOT_HERE
        status, kind, body = self.files.get(name or "index.html", NOT_FOUND)
        return status, kind, b"" if method == "HEAD" else body


def is_own_page(headers: dict[str, str]) -> bool:
    """True if the page itself asks. Pages of others cannot read an answer, but a name of theirs may point to this machine:
    so the host must be a loopback one, and the browser itself must call the request one of the same origin."""
    host = headers.get("host", "").rpartition(":")[0] or headers.get("host", "")
    return host in LOOPBACK and headers.get("sec-fetch-site") == "same-origin"


def read_files() -> dict[str, Answer]:
    """Every file of the page by its name."""
    folder = files("quietcuff.demo.bedside") / "page"
    kinds = ((file, KINDS.get(Path(file.name).suffix)) for file in folder.iterdir())
    return {file.name: (200, kind, file.read_bytes()) for file, kind in kinds if kind is not None}


async def send_answer(send: Send, answer: Answer, headers: dict[str, str]) -> None:
    """Send a whole answer."""
    status, kind, body = answer
    said = {**headers, "content-type": kind, "content-length": str(len(body))}
    start = [(name.encode(), value.encode()) for name, value in said.items()]
    await send({"type": "http.response.start", "status": status, "headers": start})
    await send({"type": "http.response.body", "body": body, "more_body": False})
