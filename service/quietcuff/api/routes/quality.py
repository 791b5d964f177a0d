"""``/v1/quality``: quality of blood-pressure measurement, as JSON and as a page. It contains nothing about single patients."""

from __future__ import annotations

import asyncio
from base64 import b64encode
from datetime import date, datetime
from hashlib import sha256
from typing import Any, get_args

import msgspec
from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse

from quietcuff.analytics.quality.page_style import STYLE
from quietcuff.analytics.quality.shapes import Filters, Report, Split
from quietcuff.analytics.quality.stored import page_of, report_stored
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.operations import Operation, OperationParameter, Reply, described
from quietcuff.api.requests import Connection, moment_parameter, query_of
from quietcuff.api.responses import answer
from quietcuff.api.service import service_of
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.security.scopes import Need

TAG = "Quality"
HTML = "text/html; charset=utf-8"
READ = Need("Quality", "r")
PARTS = get_args(Split)
# The page's own style works, and nothing else is loaded, run or sent.
STYLE_HASH = b64encode(sha256(STYLE.encode()).digest()).decode()
PAGE_POLICY = (
    f"default-src 'none'; style-src 'sha256-{STYLE_HASH}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
DAY = {"type": "string", "format": "date"}
PARAMETERS = (
    OperationParameter(
        name="from", within="query", schema=DAY, description="The first day, by the local clock of each sitting."
    ),
    OperationParameter(
        name="to",
        within="query",
        schema=DAY,
        description="The last day: who had to be seen by then, is asked as of that day.",
    ),
    *(
        OperationParameter(
            name=part, within="query", schema={"type": "string"}, description=f"Only this {part}, as in the tables."
        )
        for part in PARTS
    ),
    OperationParameter(
        name="by",
        within="query",
        schema={"type": "string", "enum": [*PARTS]},
        description="The same figures for each part, in the order of names.",
    ),
)
NOBODY_NAMED = (
    "Every figure has how many are eligible, its 95 % interval, what a well-run clinic gets, and for how many it was not "
    "recorded. Fewer than ten are withheld. An observer is a code. Nothing of a person is in it; nothing stored is changed."
)
REPORT = Operation(
    id="get_quality",
    tag=TAG,
    summary="How well blood pressure is measured, and what to mend first",
    description=NOBODY_NAMED,
    access=READ,
    lane="file",
    parameters=PARAMETERS,
    replies=(Reply(description="The report.", shape=Report),),
    problems=(kinds.NOT_ACCEPTABLE, kinds.NOT_INSTALLED),
)
PAGE = msgspec.structs.replace(
    REPORT,
    id="get_quality_page",
    summary="The same as one page, to read or to print",
    replies=(Reply(description="The page: it loads nothing and runs nothing.", media_type="text/html"),),
)


class Quality(Controller):
    """The report on the quality of measurement."""

    path = "/v1"

    @get("/quality", opt=described(REPORT))
    async def report(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer the report."""
        desk, filters = service_of(request).desk, filters_of(request)
        report = await report_stored(desk, caller_of(request).tenant_id, filters)
        # In a thread: encoding a long report would hold up the other requests.
        return answer(await asyncio.to_thread(msgspec.json.encode, report))

    @get("/quality.html", opt=described(PAGE))
    async def page(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer the page."""
        desk, filters = service_of(request).desk, filters_of(request)
        report = await report_stored(desk, caller_of(request).tenant_id, filters)
        page = await asyncio.to_thread(page_of, report, desk)
        return answer(page.encode(), media_type=HTML, headers={"Content-Security-Policy": PAGE_POLICY})


def filters_of(request: Connection) -> Filters:
    """Filters in the query.

    Raises:
        NotAcceptable: invalid days, days in the wrong order, or an unknown part; all faults at once.
    """
    said = query_of(request, "from", "to", *PARTS, "by")
    faults: list[Fault] = []
    since, until = (day_of(said, name, faults) for name in ("from", "to"))
    if since is not None and until is not None and since > until:
        faults.append(Fault(parameter="to", code="not-a-time", detail="Not before from."))
    by = next((part for part in PARTS if part == said.get("by")), None)
    if "by" in said and by is None:
        faults.append(Fault(parameter="by", code="unknown-code", detail=f"One of {', '.join(PARTS)}."))
    if faults:
        raise NotAcceptable(faults)
    return Filters(since=since, until=until, by=by, **{name: said.get(name) for name in PARTS})


def day_of(said: dict[str, str], name: str, faults: list[Fault]) -> date | None:
    """A day in the query; None if it is missing or a fault was added."""
    if name not in said:
        return None
    try:
        found = moment_parameter(name, said[name])
    except NotAcceptable as error:
        faults += error.faults
        return None
    if isinstance(found, datetime):
        faults.append(Fault(parameter=name, code="not-a-time", detail="A day, such as 2026-05-04."))
        return None
    return found
