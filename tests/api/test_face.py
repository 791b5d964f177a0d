"""What is the same on every route: keys, problems, headers, documents."""

from __future__ import annotations

import ast
import json
import re
import runpy
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from api.serving import Server, problem
from quietcuff.api.problem_types import FAULT_CODES, PROBLEM_TYPES
from quietcuff.cli import main

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Authorization": "Bearer x"},
        {"Authorization": "Basic dXNlcjpwYXNz"},
        {"Authorization": "Bearer qc_aaaaaaaa_" + "a" * 43},
        {"Authorization": "qc_aaaaaaaa_" + "a" * 43},
    ],
)
def test_every_refused_key_is_told_the_same(stranger: httpx.Client, headers: dict[str, str]) -> None:
    answer = stranger.get("/v1/protocols", headers=headers)
    found = problem(answer, 401, "not-authenticated")
    # RFC 6750, 3.1: without a token no error code; with one that is not taken, invalid_token.
    error = ', error="invalid_token"' if headers.get("Authorization", "").startswith("Bearer ") else ""
    assert answer.headers["WWW-Authenticate"] == f'Bearer realm="quietcuff"{error}'
    assert found["detail"] == "A key is needed that is known, not revoked and not expired."


def test_the_key_is_looked_at_before_the_body(stranger: httpx.Client) -> None:
    problem(stranger.post("/v1/evaluations", content=b"{" * 1000), 401, "not-authenticated")


def test_a_missing_scope_is_named(server: Server) -> None:
    with server.client(scopes="system/Observation.rs") as reader:
        answer = reader.post("/v1/evaluations", json={})
    found = problem(answer, 403, "not-allowed")
    assert "system/Observation.c" in found["detail"]
    assert 'scope="system/Observation.c"' in answer.headers["WWW-Authenticate"]


def test_a_route_that_is_not_there(stranger: httpx.Client) -> None:
    problem(stranger.get("/v2/anything"), 404, "not-found")


def test_a_method_that_is_not_there_names_those_that_are(client: httpx.Client) -> None:
    for method, path, allowed in (
        ("DELETE", "/v1/evaluations", "POST"),
        ("OPTIONS", "/v1/evaluations", "POST"),
        ("PUT", "/v1/reading-sets", "GET, HEAD, POST"),
        ("OPTIONS", "/v1/reading-sets", "GET, HEAD, POST"),
        ("PATCH", "/v1/reading-sets/019df237-3e80-7cda-ae6c-acc0e2b83dda", "GET, HEAD"),
        ("TRACE", "/health/live", "GET, HEAD"),
        ("OPTIONS", "/v1/reading-sets/019df237-3e80-7cda-ae6c-acc0e2b83dda", "GET, HEAD"),
    ):
        answer = client.request(method, path)
        problem(answer, 405, "method-not-allowed")
        assert answer.headers["Allow"] == allowed


@pytest.mark.parametrize("path", ["/health/live", "/health/ready", "/docs", "/openapi.json", "/problems"])
def test_open_routes_need_no_key(stranger: httpx.Client, path: str) -> None:
    assert stranger.get(path).status_code == 200


def test_head_answers_as_get_without_the_body(stranger: httpx.Client) -> None:
    head, get = stranger.head("/health/live"), stranger.get("/health/live")
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["Content-Length"] == get.headers["Content-Length"]


def test_every_answer_is_told_apart_and_careful(stranger: httpx.Client) -> None:
    answers = [stranger.get(path) for path in ("/health/live", "/nowhere", "/v1/protocols")]
    assert len({answer.headers["X-Request-Id"] for answer in answers}) == 3
    for answer in answers:
        assert answer.headers["Cache-Control"] == "no-store"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
        assert "server" not in answer.headers or "litestar" not in answer.headers["server"].lower()


def test_every_kind_of_problem_explains_itself_at_its_own_address(stranger: httpx.Client) -> None:
    listed = stranger.get("/problems").json()
    assert [kind["type"] for kind in listed["items"]] == [kind.type for kind in PROBLEM_TYPES]
    for kind in listed["items"]:
        assert stranger.get(kind["type"]).json() == kind
        assert set(kind) == {"type", "title", "status", "explanation"}
    problem(stranger.get("/problems/no-such-thing"), 404, "not-found")


# Where the code stands in each way of making a fault: by position, or by name.
CODE_PLACES = {
    "Fault": None,
    "Conflict": 0,
    "_refuse": 0,
    "refuse": 1,
    "refusal": 1,
    "not_acceptable": 1,
    "_fault": 1,
    "refused": 1,
    "unfit": 0,
    "RefusedPart": None,
    "Refusal": 1,
    "NoSuchTime": 0,
    "NotSuchValue": 0,
    "of": None,
    "_refused": 0,
    "_refuse_row": 1,
    "fault": 2,
    "refuse_all": 3,
    "refuse_used": 2,
}


def codes_said(tree: ast.AST) -> Iterator[str]:
    """Every code that a piece of source gives a fault as a literal."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", "") or getattr(node.func, "attr", "")
        if name in CODE_PLACES:
            position = CODE_PLACES[name]
            given = node.args[position : position + 1] if position is not None else []
            for value in [*given, *(keyword.value for keyword in node.keywords if keyword.arg == "code")]:
                if isinstance(value, ast.Constant) and isinstance(value.value, str):
                    yield value.value


def test_every_code_that_the_source_gives_a_fault_is_published_and_no_other() -> None:
    said = {code for path in (ROOT / "service").rglob("*.py") for code in codes_said(ast.parse(path.read_text()))}
    assert said - set(FAULT_CODES) == set()
    computed = {"sitting-over", "too-few", "too-many", "too-many-decimals", "out-of-range", "wrong-type", "not-acceptable"}
    computed |= {"empty", "truncated", "trailing-bytes", "intermediate-value", "no-such-time", "checksum-mismatch", "not-toml"}
    # HL7 v2: of heads, of measures that are never taken, and of connections, which stand in tables.
    computed |= {"control-byte", "not-hl7", "several-messages", "unknown-message", "unknown-processing", "unknown-version"}
    computed |= {"mean-of-several", "route-not-stated", "checksum-mismatch"}
    computed |= {"busy", "not-stored", "not-allowed", "too-slow", "too-large", "bad-trailer", "start-byte-in-body"}
    assert set(FAULT_CODES) - said <= computed


def test_the_page_of_problems_is_the_table() -> None:
    written = runpy.run_path(str(ROOT / "docs" / "write_problems_page.py"))["page"]()
    assert (ROOT / "docs" / "problems.md").read_text("utf-8") == written, "run: python docs/write_problems_page.py"


def test_the_rules_in_force_are_listed_and_shown_with_their_sources(client: httpx.Client) -> None:
    for kind, one in (("protocols", "protocol"), ("guidelines", "guideline")):
        items = client.get(f"/v1/{kind}").json()["items"]
        assert len(items) > 5
        for item in items:
            shown = client.get(f"/v1/{kind}/{item['id']}").json()
            assert (shown["digest"], shown[one]["id"]) == (item["digest"], item["id"])
            assert set(shown[one]["source"]) <= set(shown["sources"]) and shown["sources"]
        problem(client.get(f"/v1/{kind}/nobody-has-this"), 404, "not-found")


def test_the_page_needs_nothing_from_any_other_address(stranger: httpx.Client) -> None:
    page = stranger.get("/docs")
    assert page.headers["Content-Type"].startswith("text/html")
    assert not re.search(r"(https?:)?//", page.text.replace("<!doctype html>", ""))
    for asset in re.findall(r'(?:src|href)="([^"]+)"', page.text):
        answer = stranger.get(f"/{asset}")
        assert answer.status_code == 200 and len(answer.content) > 100
    assert "//" not in stranger.get("/docs/start.js").text
    policy = page.headers["Content-Security-Policy"]
    assert "script-src 'self'" in policy and "connect-src 'self'" in policy and "http" not in policy


def test_the_committed_document_is_the_one_the_service_answers(
    stranger: httpx.Client, capsys: pytest.CaptureFixture[str]
) -> None:
    committed = (ROOT / "openapi" / "openapi.json").read_text()
    assert stranger.get("/openapi.json").text == committed, "run: quietcuff openapi > openapi/openapi.json"
    assert main(["openapi"]) == 0
    assert capsys.readouterr().out == committed


def test_the_document_says_what_clients_generate_from(stranger: httpx.Client) -> None:
    document = stranger.get("/openapi.json").json()
    operations = [
        operation for methods in document["paths"].values() for operation in methods.values() if "operationId" in operation
    ]
    assert len({operation["operationId"] for operation in operations}) == len(operations)
    references = set(re.findall(r'"#/components/schemas/([^"]+)"', json.dumps(document)))
    assert references <= set(document["components"]["schemas"])
    for operation in operations:
        assert operation["summary"] and operation["tags"] and "500" in operation["responses"]
        asks_for_proof = bool(operation["security"]) or operation["operationId"] == "give_token"
        assert ("401" in operation["responses"]) == asks_for_proof
        for media_type, content in operation.get("requestBody", {"content": {}})["content"].items():
            # Lines have no end to their number; each has its own limit.
            limits = set() if media_type == "application/x-ndjson" else {"413"}
            assert content["examples"] and {"400", "415"} | limits <= set(operation["responses"])
