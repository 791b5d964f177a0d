"""Large answers that are packed for whoever takes gzip, and those that never are."""

from __future__ import annotations

import gzip
from collections.abc import Iterator

import httpx
import pytest

from api.serving import Server
from api.test_reading_sets import whole_set
from quietcuff.api.requests import takes_gzip
from quietcuff.api.responses import PACKED_FROM, may_be_packed, with_vary

LIST = "/v1/reading-sets?limit=50"


@pytest.fixture(scope="module")
def packed_client(server: Server) -> Iterator[httpx.Client]:
    """A client of a tenant that has enough sittings for a large page."""
    with server.client(tenant="packed") as client:
        for _ in range(12):
            whole_set(client)
        yield client


def asked(client: httpx.Client, method: str, accepted: str) -> tuple[httpx.Response, bytes]:
    """An answer with its bytes as they were sent."""
    with client.stream(method, LIST, headers={"Accept-Encoding": accepted}) as answer:
        return answer, b"".join(answer.iter_raw())


def test_a_large_page_is_packed_for_whoever_takes_it(packed_client: httpx.Client) -> None:
    plain, plain_bytes = asked(packed_client, "GET", "identity")
    packed, packed_bytes = asked(packed_client, "GET", "br, gzip")
    assert len(plain_bytes) > PACKED_FROM > len(packed_bytes) == int(packed.headers["Content-Length"])
    assert packed.headers["Content-Encoding"] == "gzip" and "Content-Encoding" not in plain.headers
    # RFC 9110, 12.5.5: also the plain one says by which header it was chosen.
    assert plain.headers["Vary"] == packed.headers["Vary"] == "Accept-Encoding"
    assert gzip.decompress(packed_bytes) == plain_bytes
    told, nothing = asked(packed_client, "HEAD", "gzip")
    assert nothing == b"" and told.headers["Content-Length"] == packed.headers["Content-Length"]


@pytest.mark.parametrize(
    ("method", "status", "headers", "is_packed"),
    [
        ("GET", 200, [], True),
        # A weak tag is of every coding of the same content; a strong one names the bytes (RFC 9110, 8.8.1).
        ("GET", 200, [(b"etag", b'W/"3"')], True),
        ("GET", 200, [(b"etag", b'"3"')], False),
        ("GET", 200, [(b"content-encoding", b"gzip")], False),
        ("POST", 200, [], False),
        ("GET", 404, [], False),
    ],
)
def test_only_what_is_read_and_has_no_strong_tag_is_packed(
    method: str, status: int, headers: list[tuple[bytes, bytes]], is_packed: bool
) -> None:
    assert may_be_packed({"method": method}, status, headers) is is_packed


def test_what_an_answer_varies_by_is_named_once() -> None:
    language = (b"vary", b"Accept-Language")
    assert with_vary([language]) == [(b"vary", b"Accept-Language, Accept-Encoding")]
    assert with_vary(with_vary([language])) == with_vary([language])


@pytest.mark.parametrize(
    ("accepted", "takes"), [("gzip", True), ("*;q=0.1", True), ("gzip;q=0", False), ("br", False), ("", False)]
)
def test_gzip_is_sent_only_where_it_is_named(accepted: str, takes: bool) -> None:
    assert takes_gzip(accepted) is takes
