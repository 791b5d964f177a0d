"""Pages for people: ``/``, the guides, and ``/docs``, which shows ``/openapi.json``. They load nothing from another address."""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse

from quietcuff.api.openapi import make_document
from quietcuff.api.operations import Operation, Reply, described
from quietcuff.api.pages import KEPT, PAGE_POLICY, page_file
from quietcuff.api.pages.frame import framed
from quietcuff.api.pages.guides import guide, guide_page, list_page, picture
from quietcuff.api.pages.landing import landing_page
from quietcuff.api.requests import PathText
from quietcuff.api.responses import answer
from quietcuff.core.model.errors import NotFound

BODY = """<h1 class="hidden">The API of Quietcuff</h1>
<p class="about">Evaluations, which store nothing, and reading sets come first. Read
<a href="guide/integrator">the first sitting step by step</a>, <a href="guide/gateway">a sitting reading by reading</a>, or
<a href="guide">all guides</a>. The document itself is <a href="openapi.json">openapi.json</a>.</p>
<div id="ui"></div>
<script src="docs/swagger-ui-bundle.js"></script>
<script src="docs/start.js"></script>"""
HEAD = """
<link rel="stylesheet" href="docs/swagger-ui.css">
<link rel="stylesheet" href="docs.css">"""
START = """SwaggerUIBundle({
  dom_id: "#ui", url: "openapi.json", validatorUrl: null, deepLinking: true, docExpansion: "list",
  defaultModelsExpandDepth: 0, persistAuthorization: false
});
"""
# Swagger UI sets styles of its own and draws its signs from data.
PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
DOCS_POLICY = PAGE_POLICY.replace("style-src 'self'", "style-src 'self' 'unsafe-inline'").replace(
    "img-src 'self'", "img-src 'self' data:"
)


def _page(id: str, summary: str) -> dict[str, Any]:
    operation = Operation(
        id=id,
        tag="Documentation",
        summary=summary,
        access="open",
        documented=False,
        replies=(Reply(description=summary),),
    )
    return described(operation)


class Documentation(Controller):
    """The document, and the pages for people."""

    @get("/openapi.json", opt=_page("openapi", "This document"))
    async def document(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer the OpenAPI document."""
        state = request.app.state
        if "openapi" not in state:
            # Made when it is first asked for, so that no start waits for it.
            state["openapi"] = make_document(request.app)
        return answer(state["openapi"])

    @get("/docs", opt=_page("docs", "The document as a page"))
    async def page(self) -> ASGIResponse:
        """Answer the page."""
        body = framed("API", BODY, place="docs", kind="api", more=HEAD)
        return answer(body, media_type="text/html", headers={"Content-Security-Policy": DOCS_POLICY})

    @get("/docs/start.js", opt=_page("docs_start", "Starts the page"))
    async def start(self) -> ASGIResponse:
        """Answer the page's own script."""
        return answer(START.encode(), media_type="text/javascript")

    @get("/docs/swagger-ui.css", opt=_page("docs_style", "The page's style"))
    async def style(self) -> ASGIResponse:
        """Answer the library's style sheet."""
        return answer(read_asset("swagger-ui.css"), media_type="text/css", headers=_kept())

    @get("/docs/swagger-ui-bundle.js", opt=_page("docs_script", "The page's script"))
    async def script(self) -> ASGIResponse:
        """Answer the library's script."""
        return answer(read_asset("swagger-ui-bundle.js"), media_type="text/javascript", headers=_kept())

    @get("/docs.css", opt=_page("docs_look", "The look of the document"))
    async def docs_look(self) -> ASGIResponse:
        """Answer what the document needs beside the look of every page."""
        return answer(page_file("docs.css"), media_type="text/css", headers=KEPT)

    @get("/", opt=_page("landing", "What this is"))
    async def landing(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer the first page."""
        # The demonstration's own server says that it serves the guided sitting.
        return html(landing_page(has_bedside=bool(request.scope["state"].get("bedside"))))

    @get("/guide", opt=_page("guides", "The guides"))
    async def guides(self) -> ASGIResponse:
        """Answer the list of the guides."""
        return html(list_page())

    @get("/guide/{name:str}", opt=_page("guide", "One guide"))
    async def one_guide(self, name: PathText) -> ASGIResponse:
        """Answer a guide, or a picture of one."""
        drawn = picture(name)
        if drawn is not None:
            return answer(drawn, media_type="image/svg+xml", headers={**KEPT, "Content-Security-Policy": PICTURE_POLICY})
        found = guide(name)
        if found is None:
            raise NotFound
        return html(guide_page(found))

    @get("/look.css", opt=_page("look", "The look of every page"))
    async def look(self) -> ASGIResponse:
        """Answer the style sheet that all pages share."""
        return answer(page_file("look.css"), media_type="text/css", headers=KEPT)

    @get("/favicon.svg", opt=_page("favicon", "The mark of every page"))
    async def favicon(self) -> ASGIResponse:
        """Answer the mark."""
        return answer(page_file("favicon.svg"), media_type="image/svg+xml", headers=KEPT)


def html(body: bytes) -> ASGIResponse:
    """A page of our own."""
    return answer(body, media_type="text/html", headers={"Content-Security-Policy": PAGE_POLICY})


def _kept() -> dict[str, str]:
    return {"Cache-Control": "public, max-age=86400"}


@cache
def read_asset(name: str) -> bytes:
    """A file of Swagger UI. The library is never imported; only its files are served."""
    spec = find_spec("swagger_ui")
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError(name)
    return (Path(spec.submodule_search_locations[0]) / "static" / name).read_bytes()
