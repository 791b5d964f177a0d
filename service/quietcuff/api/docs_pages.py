"""``/openapi.json`` and the page ``/docs`` that shows it, without loading anything from another address."""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse

from quietcuff.api.openapi import make_document
from quietcuff.api.operations import Operation, Reply, described
from quietcuff.api.pages import KEPT, page_file
from quietcuff.api.responses import answer

PAGE = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Quietcuff</title>
<link rel="stylesheet" href="docs/swagger-ui.css">
<div id="ui"></div>
<script src="docs/swagger-ui-bundle.js"></script>
<script src="docs/start.js"></script>
</html>
"""
START = """SwaggerUIBundle({
  dom_id: "#ui", url: "openapi.json", validatorUrl: null, deepLinking: true, docExpansion: "list",
  defaultModelsExpandDepth: 0, persistAuthorization: false
});
"""
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
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
    """The document and the page that shows it."""

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
        headers = {"Content-Security-Policy": PAGE_POLICY}
        return answer(PAGE.encode(), media_type="text/html", headers=headers)

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

    @get("/look.css", opt=_page("look", "The look of every page"))
    async def look(self) -> ASGIResponse:
        """Answer the style sheet that all pages share."""
        return answer(page_file("look.css"), media_type="text/css", headers=KEPT)

    @get("/favicon.svg", opt=_page("favicon", "The mark of every page"))
    async def favicon(self) -> ASGIResponse:
        """Answer the mark."""
        return answer(page_file("favicon.svg"), media_type="image/svg+xml", headers=KEPT)


def _kept() -> dict[str, str]:
    return {"Cache-Control": "public, max-age=86400"}


@cache
def read_asset(name: str) -> bytes:
    """A file of Swagger UI. The library is never imported; only its files are served."""
    spec = find_spec("swagger_ui")
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError(name)
    return (Path(spec.submodule_search_locations[0]) / "static" / name).read_bytes()
