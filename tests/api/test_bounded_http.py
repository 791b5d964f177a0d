"""What a connection may cost before anybody knows whose it is. Status codes are those of RFC 9110 and RFC 6585."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator

import httpx
import pytest
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from api.serving import Server
from bodies import OPENED_SET
from quietcuff.api import bounded_http
from quietcuff.api.lanes import Lane
from quietcuff.core.model.errors import Busy


@pytest.fixture
def connection(server: Server) -> Iterator[socket.socket]:
    with socket.create_connection(("127.0.0.1", int(server.url.rsplit(":", 1)[1])), timeout=10) as opened:
        yield opened


def answer_of(connection: socket.socket) -> bytes:
    """All that comes until the other side closes; a reset after it is a close too."""
    told = b""
    try:
        while part := connection.recv(65536):
            told += part
    except ConnectionResetError:
        pass
    return told


def send_until_closed(connection: socket.socket, part: bytes, most: int) -> int:
    """Send a part again and again until the other side has had enough; how often that was."""
    for count in range(most):
        try:
            connection.sendall(part)
        except (BrokenPipeError, ConnectionResetError):
            return count
    return most


def test_endless_headers_are_cut_off(connection: socket.socket) -> None:
    connection.sendall(b"GET /health/live HTTP/1.1\r\nhost: x\r\n")
    assert send_until_closed(connection, b"x-filler: " + b"a" * 1000 + b"\r\n", 10_000) < 10_000
    told = answer_of(connection)
    assert told == b"" or told.startswith(b"HTTP/1.1 431 ")


def test_a_header_and_an_address_that_never_end_are_cut_off(server: Server) -> None:
    for beginning in (b"GET /health/live HTTP/1.1\r\nx-endless: ", b"GET /"):
        with socket.create_connection(("127.0.0.1", int(server.url.rsplit(":", 1)[1])), timeout=10) as connection:
            connection.sendall(beginning)
            assert send_until_closed(connection, b"a" * 4096, 10_000) < 10_000


def test_a_head_somewhat_over_the_bound_is_answered_431(connection: socket.socket) -> None:
    filler = b"x-filler: " + b"a" * (bounded_http.MOST_HEAD_BYTES + 10) + b"\r\n"
    connection.sendall(b"GET /health/live HTTP/1.1\r\nhost: x\r\n" + filler + b"\r\n")
    assert answer_of(connection).startswith(b"HTTP/1.1 431 ")


def test_a_head_under_the_bound_is_served(client: httpx.Client) -> None:
    assert client.get("/health/live", headers={"x-filler": "a" * 20_000}).status_code == 200


def test_trailers_count_as_head(connection: socket.socket) -> None:
    connection.sendall(b"POST /v1/evaluations HTTP/1.1\r\nhost: x\r\ntransfer-encoding: chunked\r\n\r\n0\r\n")
    assert send_until_closed(connection, b"x-trailer: " + b"a" * 1000 + b"\r\n", 10_000) < 10_000


def test_a_head_that_takes_its_time_is_answered_408(connection: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    # The connection of the fixture was made under the released time: another is made here.
    monkeypatch.setattr(bounded_http, "HEAD_SECONDS", 0.3)
    with socket.create_connection(connection.getpeername(), timeout=10) as slow:
        began = time.monotonic()
        for part in (b"GET / HTTP/1.1\r\n", b"x-a: 1\r\n"):
            slow.sendall(part)
            time.sleep(0.1)
        assert answer_of(slow).startswith(b"HTTP/1.1 408 ")
        assert time.monotonic() - began < 5


def test_a_body_has_its_own_time_from_its_head_on(
    connection: socket.socket, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The timer was set for the head, and rings while the body may still come.
    monkeypatch.setattr(bounded_http, "HEAD_SECONDS", 0.2)
    authorization = server.client().headers["authorization"].encode()
    head = b"POST /v1/evaluations HTTP/1.1\r\nhost: x\r\ncontent-type: application/json\r\ncontent-length: 2\r\n"
    with socket.create_connection(connection.getpeername(), timeout=10) as fresh:
        fresh.sendall(head + b"authorization: " + authorization + b"\r\n\r\n{")
        time.sleep(0.4)
        fresh.sendall(b"}")
        assert fresh.recv(65536).startswith(b"HTTP/1.1 422 ")


def test_silence_before_the_first_byte_is_closed(connection: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bounded_http, "HEAD_SECONDS", 0.2)
    with socket.create_connection(connection.getpeername(), timeout=10) as silent:
        assert answer_of(silent).startswith(b"HTTP/1.1 408 ")


def test_a_body_that_does_not_come_is_answered_408(
    connection: socket.socket, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bounded_http, "BODY_SECONDS", 0.3)
    authorization = server.client().headers["authorization"].encode()
    head = b"POST /v1/evaluations HTTP/1.1\r\nhost: x\r\ncontent-type: application/json\r\ncontent-length: 1000\r\n"
    connection.sendall(head + b"authorization: " + authorization + b"\r\n\r\n{")
    assert answer_of(connection).startswith(b"HTTP/1.1 408 ")


def test_a_connection_too_many_is_turned_away(connection: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    connection.sendall(b"GET /health/live HTTP/1.1\r\nhost: x\r\n\r\n")
    assert connection.recv(65536).startswith(b"HTTP/1.1 200 ")
    monkeypatch.setattr(bounded_http, "MOST_CONNECTIONS", 1)
    with socket.create_connection(connection.getpeername(), timeout=10) as one_more:
        told = answer_of(one_more)
    assert told.startswith(b"HTTP/1.1 503 ") and b"retry-after" in told


def test_a_connection_ends_after_its_last_request(connection: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bounded_http, "MOST_REQUESTS", 2)
    connection.sendall(b"GET /health/live HTTP/1.1\r\nhost: x\r\n\r\n")
    assert b"connection: close" not in connection.recv(65536).lower()
    connection.sendall(b"GET /health/live HTTP/1.1\r\nhost: x\r\n\r\n")
    assert b"connection: close" in answer_of(connection).lower()


def test_a_connection_may_be_idle_only_so_long_after_each_answer(connection: socket.socket, server: Server) -> None:
    connection.sendall(b"GET /health/live HTTP/1.1\r\nhost: x\r\n\r\n")
    read_answer(connection)
    (own,) = [one for one in server.connections() if one.client == connection.getsockname()]
    own.timeout_keep_alive = 1.4
    for _ in range(3):
        connection.sendall(b"GET /health/live HTTP/1.1\r\nhost: x\r\n\r\n")
        assert read_answer(connection)[0].startswith(b"HTTP/1.1 200 ")
        time.sleep(0.5)
    began = time.monotonic()
    assert connection.recv(1) == b""
    assert 0.2 < time.monotonic() - began < 5


def test_a_head_that_began_before_the_last_answer_has_its_own_time(
    connection: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bounded_http, "HEAD_SECONDS", 0.3)
    connection.sendall(b"GET /health/live HTTP/1.1\r\nhost: x\r\n\r\nGET /health/live HTTP/1.1\r\nho")
    assert read_answer(connection)[0].startswith(b"HTTP/1.1 200 ")
    assert answer_of(connection).startswith(b"HTTP/1.1 408 ")


POST_HEAD = b"POST /v1/reading-sets HTTP/1.1\r\nhost: x\r\nauthorization: Bearer %s\r\ncontent-type: application/json\r\n"


@pytest.fixture
def full(server: Server, client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> bytes:
    """The head of a request that is refused by it, for its key is known and no lane has room."""
    assert client.get("/v1/reading-sets").status_code == 200

    def refuse(self: Lane, tenant_id: int) -> None:
        raise Busy(7)

    monkeypatch.setattr(Lane, "require_room", refuse)
    return POST_HEAD % client.headers["Authorization"].removeprefix("Bearer ").encode()


def read_answer(connection: socket.socket) -> tuple[bytes, bytes]:
    """One answer whose body has a length."""
    told = b""
    while b"\r\n\r\n" not in told:
        told += connection.recv(65536)
    head, body = told.split(b"\r\n\r\n", 1)
    length = int(head.lower().split(b"content-length: ")[1].split(b"\r\n")[0])
    while len(body) < length:
        body += connection.recv(65536)
    return head, body


def test_a_request_too_many_is_refused_before_its_body_and_its_connection_goes_on(
    connection: socket.socket, full: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_task(*arguments: object) -> None:
        raise AssertionError("the refusal waited for a turn of the loop")

    monkeypatch.setattr(HttpToolsProtocol, "_start_asgi_task", no_task)
    for _ in range(3):
        connection.sendall(full + b"content-length: 100000\r\n\r\n")
        head, body = read_answer(connection)
        assert head.startswith(b"HTTP/1.1 503 ")
        assert b"\r\nretry-after: 7\r\n" in head + b"\r\n"
        assert b"x-request-id: " in head
        assert json.loads(body)["detail"] == "Try again in 7 seconds."
        connection.sendall(b" " * 100_000)


def test_requests_sent_ahead_are_refused_one_after_the_other(connection: socket.socket, full: bytes) -> None:
    # More than calls may be nested in each other.
    count = 900
    connection.sendall((full + b"content-length: 0\r\n\r\n") * count + full + b"connection: close\r\ncontent-length: 0\r\n\r\n")
    assert answer_of(connection).count(b"HTTP/1.1 503 ") == count + 1


@pytest.mark.parametrize("size", [700_000, 3_000_000])
def test_the_answer_to_a_body_far_over_its_bound_arrives_however_long_it_is_being_sent(client: httpx.Client, size: int) -> None:
    for _ in range(20):
        answer = client.post("/v1/evaluations", content=b" " * size, headers={"Content-Type": "application/json"})
        assert (answer.status_code, answer.headers["connection"]) == (413, "close")
    assert client.get("/health/live").status_code == 200


def test_nothing_that_follows_a_long_body_is_begun_as_its_answer_could_not_be_sent(
    connection: socket.socket, client: httpx.Client
) -> None:
    key = client.headers["Authorization"].encode()
    head = b"POST %b HTTP/1.1\r\nhost: x\r\nauthorization: " + key + b"\r\ncontent-type: %b\r\ncontent-length: %d\r\n\r\n"
    identifier = {"system": "urn:example:visit", "value": "behind-a-long-body"}
    body = json.dumps({**OPENED_SET, "identifier": identifier}).encode()
    long = b"\n" * 600_000
    connection.sendall(
        head % (b"/v1/reading-sets/batch", b"application/x-ndjson", len(long))
        + long
        + head % (b"/v1/reading-sets", b"application/json", len(body))
        + body
    )
    answer = answer_of(connection)
    assert answer.startswith(b"HTTP/1.1 200 ") and answer.count(b"HTTP/1.1 ") == 1
    # So it is sent again, and stored then.
    stored = client.post("/v1/reading-sets", content=body, headers={"Content-Type": "application/json"})
    assert stored.status_code == 201 and "Idempotency-Replayed" not in stored.headers


def test_a_body_without_a_length_that_goes_on_after_its_answer_is_read_only_for_a_while(
    connection: socket.socket, full: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bounded_http, "LINGER_SECONDS", 0.5)
    connection.sendall(full + b"transfer-encoding: chunked\r\n\r\n")
    assert read_answer(connection)[0].startswith(b"HTTP/1.1 503 ")
    chunk = b"40000\r\n" + b" " * 0x40000 + b"\r\n"
    connection.sendall(chunk * 4)
    # The other side sends no more, but still takes what comes.
    assert connection.recv(1) == b""
    connection.sendall(chunk)
    time.sleep(1)
    assert send_until_closed(connection, chunk, 10) < 10


def test_the_body_of_a_refused_request_is_not_read_for_ever(connection: socket.socket, full: bytes) -> None:
    connection.sendall(full + b"content-length: 1000000000\r\n\r\n")
    assert read_answer(connection)[0].startswith(b"HTTP/1.1 503 ")
    assert send_until_closed(connection, b" " * 65536, 1_000) < 1_000


def test_a_connection_whose_request_was_refused_before_its_body_may_be_idle_only_so_long(full: bytes, server: Server) -> None:
    with socket.create_connection(("127.0.0.1", int(server.url.rsplit(":", 1)[1])), timeout=10) as connection:
        connection.sendall(b"GET /health/live HTTP/1.1\r\nhost: x\r\n\r\n")
        read_answer(connection)
        (own,) = [one for one in server.connections() if one.client == connection.getsockname()]
        own.timeout_keep_alive = 0.2
        connection.sendall(full + b"content-length: 10\r\n\r\n")
        read_answer(connection)
        connection.sendall(b" " * 10)
        assert connection.recv(1) == b""
