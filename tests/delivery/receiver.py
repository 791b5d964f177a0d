"""A small clinical record and a small webhook receiver on a loopback port, with the faults that real ones have.

The record takes FHIR R4 transactions: ``ifNoneExist`` creates, ``PUT Type?identifier=...`` puts in place, each entry all or
nothing with its transaction; references between entries become its own ids. It says nothing that R4 does not ask of a server.
Source: FHIR R4 4.0.1, http.html, "Conditional create", "Conditional update", "Transaction Processing Rules".
"""

from __future__ import annotations

import contextlib
import itertools
import json
import re
import ssl
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import unquote

Resource = dict[str, Any]
Fault = Callable[["Receiver", bytes], "Answer | None"]
DROPPED = -1


class Answer:
    """A status, a body and headers; the status ``DROPPED`` closes the connection without a word."""

    def __init__(self, status: int, body: bytes = b"", **headers: str) -> None:
        self.status, self.body, self.headers = status, body, headers


class SeveralMatch(Exception):
    """A conditional request that matches more than one resource."""


class Record:
    """What the record holds, and everything that was done to it, in order."""

    def __init__(self) -> None:
        self.resources: dict[str, Resource] = {}
        self.log: list[tuple[str, str, Resource]] = []
        self.transactions: list[Resource] = []
        self._lock = threading.Lock()
        self._numbers = itertools.count(1)

    def of_type(self, kind: str) -> list[Resource]:
        return [resource for resource in self.resources.values() if resource["resourceType"] == kind]

    def by_identifier(self) -> dict[str, Resource]:
        """The resources by the value of their first identifier; each value once."""
        found = [(one["identifier"][0]["value"], one) for one in self.resources.values() if "identifier" in one]
        assert len(found) == len({(one["resourceType"], value) for value, one in found}), "something is there twice"
        return dict(found)

    def take(self, bundle: Resource) -> Answer:
        """Do a transaction, or nothing of it."""
        assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
        with self._lock:
            before = dict(self.resources), len(self.log)
            try:
                answers = self._do(bundle)
            except SeveralMatch:
                self.resources, self.log = before[0], self.log[: before[1]]
                return Answer(412)
            self.transactions.append(bundle)
        said = {"resourceType": "Bundle", "type": "transaction-response", "entry": answers}
        return Answer(200, json.dumps(said).encode(), **{"Content-Type": "application/fhir+json"})

    def _do(self, bundle: Resource) -> list[Resource]:
        places, todo, answers = {}, [], []
        for entry in bundle["entry"]:
            kind, request = entry["resource"]["resourceType"], entry["request"]
            query = request["ifNoneExist"] if request["method"] == "POST" else request["url"].partition("?")[2]
            assert request["url"].partition("?")[0] == kind and "id" not in entry["resource"]
            known = self._matching(kind, query)
            place = known or f"{kind}/{next(self._numbers)}"
            places[entry["fullUrl"]] = place
            todo.append(
                (place, entry, "reused" if known and request["method"] == "POST" else "updated" if known else "created")
            )
        for place, entry, done in todo:
            answers.append({"response": {"status": "201 Created" if done == "created" else "200 OK", "location": place}})
            if done != "reused":
                self.resources[place] = resolved(entry["resource"], places)
                self.log.append((done, place, self.resources[place]))
        return answers

    def _matching(self, kind: str, query: str) -> str | None:
        name, _, value = query.partition("=")
        system, bar, wanted = re.sub(r"\\([\\$,|])", r"\1", unquote(value)).partition("|")
        assert bar and name in ("identifier", "_tag")
        found = [
            place for place, one in self.resources.items() if place.startswith(f"{kind}/") and named(one, name, system, wanted)
        ]
        if len(found) > 1:
            raise SeveralMatch
        return found[0] if found else None


def named(resource: Resource, name: str, system: str, wanted: str) -> bool:
    if name == "identifier":
        return {"system": system, "value": wanted} in resource.get("identifier", [])
    return {"system": system, "code": wanted} in resource.get("meta", {}).get("tag", [])


def resolved(value: Any, places: dict[str, str]) -> Any:
    """The same with the record's own ids; a reference that leads to no entry is none of R4's."""
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str) and not value["reference"].startswith("#"):
            assert value["reference"] in places, "a reference leads out of the transaction"
        return {key: places.get(one, one) if key == "reference" else resolved(one, places) for key, one in value.items()}
    return [resolved(one, places) for one in value] if isinstance(value, list) else value


class Quiet(ThreadingHTTPServer):
    """A server that does not complain when a client goes away."""

    daemon_threads = True
    request_queue_size = 64

    def handle_error(self, request: Any, client_address: Any) -> None:
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)


class Receiver:
    """An HTTP server that hands transactions to a record and keeps every event. ``fault`` may answer in their place, or after
    them: then what it answers is sent although the request was done."""

    def __init__(self) -> None:
        self.record = Record()
        self.events: list[tuple[dict[str, str], bytes]] = []
        self.requests = 0
        self.fault: Fault = lambda receiver, body: None
        self.fault_after: Fault = lambda receiver, body: None
        self.tokens: list[str | None] = []
        self._server = Quiet(("127.0.0.1", 0), self._handler())
        self.port = self._server.server_address[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})

    def start(self) -> None:
        self._thread.start()

    def use_tls(self, context: ssl.SSLContext) -> None:
        """Speak TLS from the next connection on."""
        self._server.socket = context.wrap_socket(self._server.socket, server_side=True, do_handshake_on_connect=False)

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def answer(self, path: str, headers: dict[str, str], body: bytes) -> Answer:
        self.requests += 1
        self.tokens.append(headers.get("authorization"))
        instead = self.fault(self, body)
        if instead is not None:
            return instead
        if path == "/hook":
            self.events.append((headers, body))
            done = Answer(204)
        else:
            assert headers["content-type"] == "application/fhir+json"
            done = self.record.take(json.loads(body))
        return self.fault_after(self, body) or done

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                length = int(self.headers["Content-Length"])
                body = self.rfile.read(length)
                if len(body) < length:
                    # Whoever was sending is gone.
                    self.close_connection = True
                    return
                headers = {name.lower(): value for name, value in self.headers.items()}
                answer = receiver.answer(self.path, headers, body)
                if answer.status == DROPPED:
                    self.close_connection = True
                    self.connection.shutdown(2)
                    return
                self.send_response(answer.status)
                for name, value in answer.headers.items():
                    self.send_header(name.replace("_", "-"), value)
                if answer.status != 204:
                    self.send_header("Content-Length", str(len(answer.body)))
                # Who sent it may have given up waiting.
                with contextlib.suppress(ConnectionError):
                    self.end_headers()
                    self.wfile.write(answer.body)

            def log_message(self, *arguments: Any) -> None:
                pass

        return Handler


@contextmanager
def receiving() -> Iterator[Receiver]:
    """A receiver, for the length of the block."""
    receiver = Receiver()
    receiver.start()
    try:
        yield receiver
    finally:
        receiver.stop()
