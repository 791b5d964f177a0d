"""A relay on a port of its own that spoils one connection after the other: real sockets between a client and the server."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal
from urllib.parse import urlsplit

Spoil = Literal["drop", "lose", "busy"]
BUSY = b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 2\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"


class Relay:
    """Passes connections on, after it has spoiled the first ones: dropped unread, answered for, or cut off once the server's
    answer has come."""

    def __init__(self, server_url: str, *spoils: Spoil) -> None:
        address = urlsplit(server_url)
        self._server = (address.hostname or "", address.port or 0)
        self._spoils = list(spoils)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._listener.getsockname()[1]}"
        self.connections = 0
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        # Accepting ends with a last connection, of ours.
        self._listener.shutdown(socket.SHUT_RDWR)
        self._thread.join()
        self._listener.close()

    def _run(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            spoil = self._spoils.pop(0) if self._spoils else None
            with client:
                client.settimeout(10)
                if spoil != "drop":
                    self._answer(client, spoil)

    def _answer(self, client: socket.socket, spoil: Spoil | None) -> None:
        request = _message(client)
        if spoil == "busy":
            client.sendall(BUSY)
            return
        with socket.create_connection(self._server, timeout=10) as server:
            server.sendall(request)
            answer = _message(server)
        if spoil is None:
            client.sendall(answer)


def _message(sender: socket.socket) -> bytes:
    """One whole message of HTTP, by its Content-Length."""
    held = b""
    while b"\r\n\r\n" not in held:
        held += sender.recv(65536)
    head, _, body = held.partition(b"\r\n\r\n")
    lengths = [line.partition(b":")[2] for line in head.split(b"\r\n") if line.lower().startswith(b"content-length")]
    while len(body) < int(lengths[0]):
        body += sender.recv(65536)
    return head + b"\r\n\r\n" + body


@contextmanager
def relaying(server_url: str, *spoils: Spoil) -> Iterator[Relay]:
    """A relay for the length of the block."""
    relay = Relay(server_url, *spoils)
    relay.start()
    try:
        yield relay
    finally:
        relay.stop()
