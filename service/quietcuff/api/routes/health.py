"""``/health``: liveness of the process, and readiness of its database."""

from __future__ import annotations

from typing import Any, Literal

import msgspec
from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse

from quietcuff.api import problem_types as kinds
from quietcuff.api.operations import Operation, Reply, described
from quietcuff.api.responses import answer_struct
from quietcuff.api.service import service_of


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """That all is well; anything else is a problem."""

    status: Literal["pass"] = "pass"


LIVE = Operation(
    id="is_live",
    tag="Health",
    summary="Whether the process lives",
    access="open",
    replies=(Reply(description="It does.", shape=Health, example="health"),),
)
READY = Operation(
    id="is_ready",
    tag="Health",
    summary="Whether the database can be served from",
    access="open",
    replies=(Reply(description="It can.", shape=Health, example="health"),),
    problems=(kinds.NOT_READY, kinds.BUSY),
)


class HealthChecks(Controller):
    """Checks for operators and their tools."""

    path = "/health"

    @get("/live", opt=described(LIVE))
    async def live(self) -> ASGIResponse:
        """Answer without touching anything."""
        # No look at the database: a process must not be restarted because its database is away.
        return answer_struct(Health())

    @get("/ready", opt=described(READY))
    async def ready(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Ask the database for its schema, and whether it takes writes."""
        await service_of(request).readiness.require()
        return answer_struct(Health())
