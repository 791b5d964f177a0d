"""The gateway between cuffs and service: it sends, remembers the version, and can send again under the same key."""

from __future__ import annotations

from http.client import HTTPConnection, HTTPException
from typing import Any, TypeVar

import msgspec

from quietcuff.core.model.errors import DemoFailed
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet

T = TypeVar("T")
TIMEOUT_SECONDS = 30


class SittingSeen(msgspec.Struct, frozen=True, kw_only=True):
    """A stored sitting from the service's answer, with the parts that the demonstration needs."""

    id: str
    version: int
    closed: bool
    reading_set: ReadingSet
    evaluation: Evaluation


class ChangeAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """The answer to a change: the sitting, its ETag, and whether it repeats an earlier answer."""

    envelope: SittingSeen
    etag: str
    replayed: bool


class Request(msgspec.Struct, frozen=True, kw_only=True):
    """One request, kept so that it can be sent again."""

    method: str
    path: str
    body: bytes | None
    headers: dict[str, str]
    expected_status: int


class Gateway:
    """A small client of the service, on the standard library alone."""

    def __init__(self, host: str, port: int, key: str) -> None:
        self.host = host
        self.port = port
        self.key = key
        self.sent: list[Request] = []

    def register_device(self, device: dict[str, Any]) -> None:
        """Register a device, so that readings need only name it."""
        body = msgspec.json.encode(device)
        self.exchange(Request(method="POST", path="/v1/devices", body=body, headers={}, expected_status=201))

    def open_set(self, reading_set: dict[str, Any], retry_key: str) -> ChangeAnswer:
        """Store a sitting, whole or with more readings to come."""
        return self.change("/v1/reading-sets", reading_set, 201, {"Idempotency-Key": retry_key})

    def append(self, last: ChangeAnswer, arrived: dict[str, Any], retry_key: str) -> ChangeAnswer:
        """Send what has arrived since to an open sitting."""
        headers = {"Idempotency-Key": retry_key, "If-Match": last.etag}
        return self.change(f"/v1/reading-sets/{last.envelope.id}/readings", arrived, 200, headers)

    def correct(self, last: ChangeAnswer, correction: dict[str, Any], retry_key: str) -> ChangeAnswer:
        """Correct what was sent."""
        headers = {"Idempotency-Key": retry_key, "If-Match": last.etag}
        return self.change(f"/v1/reading-sets/{last.envelope.id}/corrections", correction, 200, headers)

    def send_again(self) -> ChangeAnswer:
        """Send the last change again, with the same body and key."""
        return self.answer_to(self.sent[-1])

    def read_bundle(self, set_id: str) -> bytes:
        """The sitting as one FHIR Bundle."""
        path = f"/v1/reading-sets/{set_id}/fhir"
        body, _ = self.exchange(Request(method="GET", path=path, body=None, headers={}, expected_status=200))
        return body

    def change(self, path: str, body: dict[str, Any], expected_status: int, headers: dict[str, str]) -> ChangeAnswer:
        """Send a change, and keep it in case its answer is lost."""
        encoded = msgspec.json.encode(body)
        request = Request(method="POST", path=path, body=encoded, headers=headers, expected_status=expected_status)
        # Kept before it is sent: an answer can be lost after the service has stored the change.
        self.sent.append(request)
        return self.answer_to(request)

    def answer_to(self, request: Request) -> ChangeAnswer:
        """The answer to a change, checked against the types that the service promises."""
        body, headers = self.exchange(request)
        return ChangeAnswer(
            envelope=decode(body, SittingSeen, request),
            etag=headers.get("etag", ""),
            replayed=headers.get("idempotency-replayed") == "true",
        )

    def exchange(self, request: Request) -> tuple[bytes, dict[str, str]]:
        """Send one request over HTTP; the answer's body and headers.

        Raises:
            DemoFailed: no answer, or another status than the one that belongs there.
        """
        headers = {"Authorization": f"Bearer {self.key}", "Content-Type": "application/json", **request.headers}
        # One connection for each request, so that nothing of an earlier request can disturb a later one.
        connection = HTTPConnection(self.host, self.port, timeout=TIMEOUT_SECONDS)
        try:
            connection.request(request.method, request.path, request.body, headers)
            response = connection.getresponse()
            body = response.read()
        except (OSError, HTTPException) as exc:
            raise DemoFailed(f"{request.method} {request.path}: no answer") from exc
        finally:
            connection.close()
        if response.status != request.expected_status:
            # A problem document fits into this; a long page must not fill the terminal.
            told = body.decode("utf-8", "replace")[:2000]
            raise DemoFailed(f"{request.method} {request.path}: {response.status}, not {request.expected_status}: {told}")
        return body, {name.lower(): value for name, value in response.getheaders()}


def decode(body: bytes, kind: type[T], request: Request) -> T:
    """An answer decoded as its type.

    Raises:
        DemoFailed: the answer lacks something that the service promises.
    """
    try:
        return msgspec.json.decode(body, type=kind)
    except msgspec.DecodeError as exc:
        raise DemoFailed(f"{request.method} {request.path}: an answer of another shape: {exc}") from exc
