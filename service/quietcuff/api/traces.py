"""Traces of requests by OpenTelemetry's own instrumentation, where its packages are there and its variables ask for them.

A span knows the method, the route as its template, the status and the time. The instrumentation is shown nothing else: no path,
query, header or address of the client, and no message of an error.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from litestar.types import ASGIApp, Receive, Send

from quietcuff import __version__
from quietcuff.analytics.extras import is_installed

# https://opentelemetry.io/docs/specs/otel/configuration/sdk-environment-variables/ and protocol/exporter/
ASKING = ("OTEL_EXPORTER_OTLP_ENDPOINT", "OTEL_EXPORTER_OTLP_TRACES_ENDPOINT")
NOT_INSTALLED = (
    "OpenTelemetry's variables ask for traces, but what makes them is not installed: sh deploy/setup.sh full adds the extra "
    "traces. Served without them."
)
SHOWN_HEADERS = frozenset({b"traceparent"})
WHOLE, MESSAGE = "quietcuff.scope", "quietcuff.message"
# Where the two generations of the conventions for HTTP put the path, which here is the template.
PATHS = ("http.target", "http.url", "url.path", "http.route")


def are_wanted(environment: Mapping[str, str]) -> bool:
    """True where OpenTelemetry's own variables ask for traces."""
    is_off = environment.get("OTEL_SDK_DISABLED", "").lower() == "true" or environment.get("OTEL_TRACES_EXPORTER") == "none"
    return not is_off and any(environment.get(name) for name in ASKING)


def why_not_traced(environment: Mapping[str, str]) -> str | None:
    """The reason why traces that are wanted are not made; None if they are, or are not wanted."""
    return NOT_INSTALLED if are_wanted(environment) and not is_installed("traces") else None


def traced_if_wanted(app: ASGIApp, environment: Mapping[str, str]) -> ASGIApp:
    """The application with traces, where they are wanted and can be made."""
    if not are_wanted(environment) or not is_installed("traces"):
        return app
    return TracedRoutes(app, open_provider(environment))


def open_provider(environment: Mapping[str, str]) -> Any:
    """What collects spans and sends them by OTLP over HTTP, in batches, from a thread of its own."""
    from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
    from opentelemetry.sdk.resources import Resource
    from opentelemetry.sdk.trace import TracerProvider
    from opentelemetry.sdk.trace.export import BatchSpanProcessor

    named = "OTEL_SERVICE_NAME" in environment or "service.name" in environment.get("OTEL_RESOURCE_ATTRIBUTES", "")
    own = {} if named else {"service.name": "quietcuff"}
    provider = TracerProvider(resource=Resource.create({**own, "service.version": __version__}))
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter()))
    return provider


class TracedRoutes:
    """The routes, with a span around each request that reaches them."""

    def __init__(self, app: ASGIApp, provider: Any) -> None:
        from opentelemetry.instrumentation.asgi import OpenTelemetryMiddleware
        from opentelemetry.metrics import NoOpMeterProvider

        self._app: Any = app
        # Prometheus has the figures; told twice they would differ.
        self._traced: Any = OpenTelemetryMiddleware(
            self._serve,
            default_span_details=lambda scope: (scope["method"], {}),
            tracer_provider=provider,
            meter_provider=NoOpMeterProvider(),
            exclude_spans=["receive", "send"],
        )

    def __getattr__(self, name: str) -> Any:
        """Whatever else is asked of the routes."""
        return getattr(self._app, name)

    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Serve one request in a span, or the start and end of the application in none."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        shown = {
            **{name: scope[name] for name in ("type", "method", "scheme", "http_version", "server") if name in scope},
            "path": "",
            "query_string": b"",
            "headers": [header for header in scope["headers"] if header[0] in SHOWN_HEADERS],
            WHOLE: scope,
        }

        async def send_whole(message: Any) -> None:
            await send(message[MESSAGE])

        failures: list[Exception] = []
        await self._traced({**shown, "quietcuff.failures": failures}, receive, send_whole)
        if failures:
            raise failures[0]

    async def _serve(self, shown: Any, receive: Receive, send: Any) -> None:
        from opentelemetry.trace import get_current_span

        scope = shown[WHOLE]

        async def send_shown(message: Any) -> None:
            if message["type"] == "http.response.start":
                # Now the route is known, and the span is still open.
                route, span = scope.get("path_template") or "unmatched", get_current_span()
                span.update_name(f"{scope['method']} {route}")
                span.set_attributes(dict.fromkeys(PATHS, route))
            # An answer's headers hold ids, as in Location.
            await send({**message, "headers": [], MESSAGE: message})

        try:
            await self._app(scope, receive, send_shown)
        except Exception as error:
            # Raised again outside: the instrumentation would write its message into the span.
            shown["quietcuff.failures"].append(error)
