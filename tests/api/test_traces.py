"""Traces: a span for each request with its template, and nothing else of it."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter

from api.serving import Server
from api.test_reading_sets import named
from bodies import OPENED_SET
from quietcuff.analytics import extras
from quietcuff.api.traces import NOT_INSTALLED, TracedRoutes, are_wanted, traced_if_wanted, why_not_traced

ENDPOINT = {"OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:4318"}
TRACE = "4bf92f3577b34da6a3ce929d0e0e4736"


@pytest.fixture
def spans(server: Server, monkeypatch: pytest.MonkeyPatch) -> Iterator[InMemorySpanExporter]:
    """The spans of the shared server, while one test asks it."""
    # What an operator may ask of the instrumentation shows nothing either.
    for side in ("REQUEST", "RESPONSE"):
        monkeypatch.setenv(f"OTEL_INSTRUMENTATION_HTTP_CAPTURE_HEADERS_SERVER_{side}", ".*")
    exporter, provider = InMemorySpanExporter(), TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(exporter))
    shell = server.shell
    before = shell.app
    shell.app = TracedRoutes(before, provider)
    yield exporter
    shell.app = before


def test_a_span_names_the_route_and_nobody(client: httpx.Client, spans: InMemorySpanExporter) -> None:
    body = named(OPENED_SET)
    stored = client.post("/v1/reading-sets", json=body)
    set_id, person = stored.json()["id"], stored.json()["subject_id"]
    traced = {"traceparent": f"00-{TRACE}-00f067aa0ba902b7-01", "baggage": "name=Wilhelmina", "tracestate": "name=Wilhelmina"}
    client.get(f"/v1/reading-sets/{set_id}", headers=traced)
    client.get("/fhir/R4/Observation", params={"patient": person})
    client.get("/v1/nowhere/Wilhelmina")
    found = spans.get_finished_spans()
    assert [span.name for span in found] == [
        "POST /v1/reading-sets", "GET /v1/reading-sets/{set_id}", "GET /fhir/R4/Observation", "GET unmatched",
    ]  # fmt: skip
    assert [span.attributes and span.attributes["http.status_code"] for span in found] == [201, 200, 200, 404]
    assert f"{found[1].context.trace_id:032x}" == TRACE and found[1].parent is not None
    told = "".join(span.to_json() for span in found)
    identifier = body["subject"]["identifier"]["value"]
    for secret in (set_id, person, identifier, "Wilhelmina", "patient=", "qc_", "python-httpx", "net.peer"):
        assert secret not in told, secret


def test_a_failure_is_raised_as_it_was_and_its_message_is_in_no_span(spans: InMemorySpanExporter, server: Server) -> None:
    import asyncio

    async def fail(scope: object, receive: object, send: object) -> None:
        raise RuntimeError("p-0001 has 142/88")

    provider = TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(spans))
    scope = {"type": "http", "method": "GET", "path": "/x", "headers": [], "query_string": b"", "http_version": "1.1"}
    with pytest.raises(RuntimeError, match="142/88"):
        asyncio.run(TracedRoutes(fail, provider)(scope, None, None))  # type: ignore[arg-type]
    [span] = spans.get_finished_spans()
    assert not any(secret in span.to_json() for secret in ("p-0001", "142/88"))


@pytest.mark.parametrize(
    ("environment", "wanted"),
    [
        ({}, False),
        (ENDPOINT, True),
        ({"OTEL_EXPORTER_OTLP_TRACES_ENDPOINT": "http://127.0.0.1:4318/v1/traces"}, True),
        ({**ENDPOINT, "OTEL_SDK_DISABLED": "true"}, False),
        ({**ENDPOINT, "OTEL_TRACES_EXPORTER": "none"}, False),
    ],
)
def test_traces_are_made_where_the_variables_ask_for_them(environment: dict[str, str], wanted: bool) -> None:
    assert are_wanted(environment) == wanted and why_not_traced(environment) is None


def test_without_the_extra_it_is_said_and_served_untraced(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(extras.MODULES, "traces", ("quietcuff_has_no_such_package.sdk",))

    async def app(scope: object, receive: object, send: object) -> None: ...

    assert why_not_traced(ENDPOINT) == NOT_INSTALLED and why_not_traced({}) is None
    assert traced_if_wanted(app, ENDPOINT) is app  # type: ignore[arg-type]
