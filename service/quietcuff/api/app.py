"""Assembly of the ASGI application: ``create_app(settings)``."""

from __future__ import annotations

import asyncio
import gc
import os
import sys
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from operator import attrgetter
from typing import Any

from litestar import Controller, HttpMethod, Litestar
from litestar.config.app import AppConfig
from litestar.events import BaseEventEmitterBackend
from litestar.handlers import HTTPRouteHandler
from litestar.plugins import PluginProtocol
from litestar.plugins.core import MsgspecDIPlugin
from litestar.types import ASGIApp, Receive, Send
from litestar.utils import join_paths

from quietcuff.api.authentication import admit
from quietcuff.api.background import (
    attempt,
    deliver,
    end_all,
    keep_reads,
    keep_up,
    note_uses,
    work_on_exports,
    work_on_what_ifs,
    write_reads,
)
from quietcuff.api.docs_pages import Documentation
from quietcuff.api.lanes import UNTIMED, Lanes
from quietcuff.api.logs import configure_logs
from quietcuff.api.metrics import Figures, is_shared, told_on
from quietcuff.api.middleware import Shell
from quietcuff.api.openapi import operations
from quietcuff.api.problem_pages import ProblemPages
from quietcuff.api.problems import answer_problem
from quietcuff.api.routes.batches import Batches
from quietcuff.api.routes.bulk_export import BulkExport
from quietcuff.api.routes.device_payloads import DevicePayloads, Payloads, RefusedPayloads
from quietcuff.api.routes.devices import Devices
from quietcuff.api.routes.evaluations import Evaluations
from quietcuff.api.routes.fhir import FHIR_CONTROLLERS
from quietcuff.api.routes.fhir_definitions import DEFINITION_CONTROLLERS
from quietcuff.api.routes.follow_up_groups import FOLLOW_UP_GROUP_CONTROLLERS
from quietcuff.api.routes.follow_ups import FollowUps
from quietcuff.api.routes.groups import Groups
from quietcuff.api.routes.health import HealthChecks
from quietcuff.api.routes.measures import Measures
from quietcuff.api.routes.metrics import MetricsPage
from quietcuff.api.routes.oauth import Authorization
from quietcuff.api.routes.quality import Quality
from quietcuff.api.routes.reading_sets import ReadingSets, store_sitting
from quietcuff.api.routes.rules import Guidelines, Protocols
from quietcuff.api.routes.subjects import Subjects
from quietcuff.api.routes.tables import TableRoutes
from quietcuff.api.routes.targets import Targets
from quietcuff.api.routes.what_if import WhatIfs
from quietcuff.api.routes.words import WordCatalogue
from quietcuff.api.service import make_service
from quietcuff.api.straight import Shortcuts
from quietcuff.api.traces import traced_if_wanted
from quietcuff.application.garbage import look_seldom
from quietcuff.decode.ndjson import MAX_BYTES
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import Settings, read_settings
from quietcuff.storage.engine.store import open_store

SWITCH_SECONDS = 0.001

CONTROLLERS: tuple[type[Controller], ...] = (
    ReadingSets,
    Batches,
    Evaluations,
    Subjects,
    Devices,
    DevicePayloads,
    Payloads,
    RefusedPayloads,
    Targets,
    Groups,
    BulkExport,
    TableRoutes,
    FollowUps,
    *FOLLOW_UP_GROUP_CONTROLLERS,
    Quality,
    Measures,
    WhatIfs,
    *FHIR_CONTROLLERS,
    *DEFINITION_CONTROLLERS,
    Authorization,
    Protocols,
    Guidelines,
    WordCatalogue,
    HealthChecks,
    MetricsPage,
    ProblemPages,
    Documentation,
)


def spare_handlers(controllers: Iterable[type[Controller]]) -> None:
    """Let one handler of each path take OPTIONS too, which admission answers before any handler.

    The framework would make one more handler for each path, and read the signature of each: nearly twice as many as there are.
    """
    spared: set[str] = set()
    for controller in controllers:
        members = [getattr(controller, name) for name in dir(controller)]
        # Of a controller without a path, the framework's class holds a place for one.
        named = getattr(controller, "path", None)
        base = named if isinstance(named, str) else "/"
        for handler in sorted((one for one in members if isinstance(one, HTTPRouteHandler)), key=attrgetter("handler_id")):
            paths = {join_paths([base, path]) for path in handler.paths}
            if spared.isdisjoint(paths):
                handler.http_methods.add(HttpMethod.OPTIONS)
                spared |= paths


class NoEvents(BaseEventEmitterBackend):
    """The framework's events, of which there are none: its own emitter would load a library for tasks that never come."""

    async def __aenter__(self) -> NoEvents:
        return self

    async def __aexit__(self, *_: object) -> None:
        """Nothing was opened."""

    def emit(self, event_id: str, *args: Any, **kwargs: Any) -> None:
        """Refuse: nobody listens."""
        raise LookupError(f"Nobody listens for {event_id}.")


class Routes(Litestar):
    """Litestar with a shortcut for the route that is asked most, and with its plugin for msgspec alone: those for models of
    other libraries take long to load, and none are here."""

    def __init__(self, **options: Any) -> None:
        spare_handlers(options["route_handlers"])
        super().__init__(**options)
        self._shortcuts = Shortcuts()
        self._shortcuts.add(self, "POST", ReadingSets.path, store_sitting)

    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:  # type: ignore[override]
        """Serve one request, or the start and end of the application."""
        straight = self._shortcuts.find(scope) if scope["type"] == "http" else None
        await (super().__call__ if straight is None else straight)(scope, receive, send)

    @staticmethod
    def _get_default_plugins(plugins: list[PluginProtocol]) -> list[PluginProtocol]:
        return [*plugins, MsgspecDIPlugin()]

    @staticmethod
    def _patch_opentelemetry_middleware(config: AppConfig) -> AppConfig:
        # It would load a tracing library wherever one is installed, to sort a middleware that is not among ours.
        return config


def create_app(settings: Settings) -> Shell:
    """The whole service as one ASGI application. Nothing is opened before the server starts it."""
    lanes = Lanes(settings.answer_seconds)
    figures = Figures()
    routes = create_routes(settings, lanes, figures)
    # Only routes with a fixed path: the early refusal looks a path up and cannot match patterns.
    for path, method, operation in operations(routes):
        if "{" not in path and operation.lane_taken not in UNTIMED:
            lanes.know_route(method.upper(), path, operation.lane_taken)
    return Shell(routes, lanes, figures)


def create_app_from_environment() -> ASGIApp:
    """The service as a server process makes it, with settings and logs from the environment."""
    settings = read_settings(os.environ)
    configure_logs(settings.log_level)
    shell = create_app(settings)
    shell.app = traced_if_wanted(shell.app, os.environ)
    # The thread that writes lets go of the interpreter at each statement, and would wait this long to get it back.
    sys.setswitchinterval(SWITCH_SECONDS)
    look_seldom()
    return shell


def create_routes(settings: Settings, lanes: Lanes | None = None, counted: Figures | None = None) -> Litestar:
    """The routes, without the middleware around them."""
    lanes, figures = lanes or Lanes(settings.answer_seconds), counted or Figures()

    @asynccontextmanager
    async def run(app: Litestar) -> AsyncIterator[None]:
        store = open_store(settings.database_url, for_serving=True, trail=settings.trail)
        service = app.state["service"] = make_service(settings, store, load_rulebook(), lanes)
        app.state["figures"] = service.watched_by(figures)
        figures.name_rules(service.desk.rulebook.digest)
        # What is here now stays: the collector need not look at it again at every full round.
        gc.freeze()
        gc.enable()
        kept_up = (
            keep_up(service),
            work_on_exports(service),
            work_on_what_ifs(service),
            lanes.pulse.beat(),
            keep_reads(service),
            figures.keep_looking(service),
        )
        beside = [asyncio.create_task(work) for work in kept_up]
        if settings.delivers:
            beside.append(asyncio.create_task(deliver(service)))
        try:
            with told_on(0 if is_shared() else settings.metrics_port, figures.registry):
                yield
        finally:
            # Cancelled before the store closes: each of them may still be writing to it.
            await end_all(beside)
            # Kept in memory until now, and lost with the process if not written here.
            await attempt(note_uses, service)
            await attempt(write_reads, service)
            await service.close()

    return Routes(
        route_handlers=CONTROLLERS,
        before_request=admit,
        exception_handlers={Exception: answer_problem},
        lifespan=[run],
        event_emitter_backend=NoEvents,
        logging_config=None,
        openapi_config=None,
        request_max_body_size=MAX_BYTES,
        debug=False,
    )
