"""The shortcut of the hot route: whatever is sent to it is answered as the framework's own way answers it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from litestar.exceptions import ClientException, InternalServerException

from api.serving import Server
from bodies import OPENED_SET
from quietcuff.api.problems import CLIENT_LEFT
from quietcuff.api.straight import body_of

# With the slash the path is the same route to the framework, and no shortcut leads to it.
STRAIGHT, ROUTED = "/v1/reading-sets", "/v1/reading-sets/"
JSON = {"Content-Type": "application/json"}
REQUESTS: dict[str, dict[str, Any]] = {
    "stored": {"json": OPENED_SET},
    "stored in German": {"json": OPENED_SET, "params": {"lang": "de"}, "headers": {"Idempotency-Key": "once"}},
    "empty": {"content": [b""], "headers": JSON},
    "faults": {"json": {"readings": [{"systolic_mmhg": "x"}]}},
    "no idempotency key": {"json": OPENED_SET, "headers": {"Idempotency-Key": ""}},
    "another kind": {"content": [b"x"], "headers": {"Content-Type": "text/plain"}},
    "in parts": {"content": [b"[", b"1]"], "headers": JSON},
    "too long": {"json": " " * 300_000},
    "too long in parts": {"content": [b" " * 200_000, b" " * 200_000], "headers": JSON},
    "no host": {"json": OPENED_SET, "headers": {"Host": "a b"}},
    "no key": {"json": OPENED_SET, "headers": {"Authorization": ""}},
}
OF_ITS_OWN = {"date", "x-request-id", "location", "content-length"}
ITS_OWN = {"instance", "id", "subject_id", "created_at", "updated_at", "closes_at", "received_at"}


@pytest.fixture(scope="module")
def clinics(server: Server) -> Iterator[list[httpx.Client]]:
    """Clients of two clinics, so that neither knows what the other stored."""
    made = [server.client(tenant=tenant) for tenant in ("straight", "routed")]
    yield made
    for client in made:
        client.close()


@pytest.mark.parametrize("name", REQUESTS)
def test_the_shortcut_answers_as_the_framework_does(clinics: list[httpx.Client], name: str) -> None:
    answers = []
    for client, path in zip(clinics, (STRAIGHT, ROUTED), strict=True):
        asked = dict(REQUESTS[name])
        if "content" in asked:
            asked["content"] = iter(asked["content"])
        answers.append(client.post(path, **asked))
    straight, routed = answers
    assert straight.status_code == routed.status_code
    assert headers_of(straight) == headers_of(routed)
    assert without_its_own(straight.json()) == without_its_own(routed.json())


def headers_of(answer: httpx.Response) -> list[tuple[str, str]]:
    return [(name, value) for name, value in answer.headers.multi_items() if name not in OF_ITS_OWN]


def without_its_own(value: Any) -> Any:
    """What an answer says, without ids and moments."""
    if isinstance(value, dict):
        return {key: without_its_own(inner) for key, inner in value.items() if key not in ITS_OWN}
    return [without_its_own(inner) for inner in value] if isinstance(value, list) else value


def test_a_body_that_breaks_off_and_one_of_no_length_are_refused_in_the_words_of_the_framework() -> None:
    async def leave() -> Any:
        return {"type": "http.disconnect"}

    with pytest.raises(InternalServerException) as left:
        asyncio.run(body_of({"headers": []}, leave))
    assert left.value.detail == CLIENT_LEFT
    with pytest.raises(ClientException):
        asyncio.run(body_of({"headers": [(b"content-length", b"many")]}, leave))
