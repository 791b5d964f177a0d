"""``/metrics``: figures of the running service for Prometheus."""

from __future__ import annotations

from typing import Any

from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse

from quietcuff.api.operations import Operation, Reply, described
from quietcuff.api.responses import answer
from quietcuff.api.service import service_of
from quietcuff.security.scopes import METRICS

PLAIN = "text/plain"
# Of the text format, as its own documentation names it.
VERSIONED = f"{PLAIN}; version=0.0.4"
READ_METRICS = Operation(
    id="metrics",
    tag="Health",
    summary="Figures for Prometheus",
    description="Requests, writing, deliveries, jobs, database and process, of all tenants together and naming none. The scope "
    f"`{METRICS}` opens it, and `system/*` does not. The setting `QUIETCUFF_METRICS_PORT` opens the same figures on a port of "
    "this machine.",
    access=METRICS,
    replies=(Reply(description="The figures in Prometheus's text format.", media_type=PLAIN),),
)


class MetricsPage(Controller):
    """The page that Prometheus collects."""

    path = "/metrics"

    @get("/", opt=described(READ_METRICS))
    async def read(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer all figures."""
        service = service_of(request)
        return answer(request.app.state["figures"].text(service.desk.store), media_type=VERSIONED)
