"""``/fhir/R4/Measure/$evaluate-measure``: shares of the quality report as MeasureReports. Source: FHIR R4, Measure."""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import date
from typing import Any

from litestar import Controller, Request, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff.analytics.measures.definitions import measures_of
from quietcuff.analytics.measures.measured import measure_stored
from quietcuff.analytics.quality.shapes import Filters
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.fhir_responses import FHIR_BASE, FHIR_JSON, FHIR_JSON_UTF8, check_format, formats_of, pairs_of
from quietcuff.api.operations import JSON, Operation, OperationParameter, Reply, described
from quietcuff.api.requests import PathText
from quietcuff.api.responses import answer
from quietcuff.api.routes.bulk_export import PARAMETERS_BODY
from quietcuff.api.routes.quality import PARTS
from quietcuff.api.routes.quality import READ as READ_QUALITY
from quietcuff.api.service import service_of
from quietcuff.application.context import now
from quietcuff.core.model.errors import Fault, NotAcceptable, NotFound
from quietcuff.core.model.fields import check_day
from quietcuff.decode.fhir.parameters import read_parameters
from quietcuff.fhir.definitions.measures import MeasureTold, measure_url
from quietcuff.fhir.resources.measure_report import AskedMeasure, measure_report

Pairs = list[tuple[str, str]]
TEXT = {"type": "string"}
REPORT_TYPES = ("population", "summary")
DAY_MONTH_OR_YEAR = re.compile(r"([0-9]{4})(?:-([0-9]{2})(?:-([0-9]{2}))?)?", re.ASCII)
A_DAY = "A day, a month or a year, such as 2026-05-04, 2026-05 or 2026; years 1900 to 2200."
PERIOD = {"periodStart": "The first day", "periodEnd": "The last day"}
ASKED = (
    *(
        OperationParameter(
            name=name,
            within="query",
            schema=TEXT,
            description=f"{what}, by the local clock of each sitting. A month or a year is taken whole.",
            required=True,
        )
        for name, what in PERIOD.items()
    ),
    OperationParameter(
        name="reportType",
        within="query",
        schema={"type": "string", "enum": [*REPORT_TYPES]},
        description="population, or summary as the report calls it: one and the same, and the only one.",
    ),
    *(
        OperationParameter(name=part, within="query", schema=TEXT, description=f"Only this {part}, as in /v1/quality.")
        for part in PARTS
    ),
    OperationParameter(name="_format", within="query", schema=TEXT, description="json."),
)
WHICH = OperationParameter(
    name="measure",
    within="query",
    schema=TEXT,
    description="The id or the canonical address of a measure, also with |version.",
    required=True,
)


def evaluation(which: str, method: str) -> Operation:
    """One operation that works out a measure."""
    by_post, at_type = method == "post", which == "measure"
    return Operation(
        id=("evaluate_measure" if at_type else "evaluate_one_measure") + ("_by_post" if by_post else ""),
        tag="Quality",
        summary="A share of the quality report as a MeasureReport" + (", with a Parameters resource" if by_post else ""),
        description="The numbers are those of `GET /v1/quality` with the same filters, in all and by age band and "
        "administrative sex. Of fewer than ten eligible the numerator and the score are withheld; of such a part of a "
        "stratifier everything is, and of as many more parts as it takes that nobody can work it out.",
        access=READ_QUALITY,
        lane="file",
        speaks_fhir=True,
        parameters=() if by_post else ((WHICH, *ASKED) if at_type else ASKED),
        body=PARAMETERS_BODY if by_post else None,
        media_type=JSON,
        examples={"half a year": "measure-type-parameters" if at_type else "measure-parameters"} if by_post else {},
        replies=(Reply(description="A MeasureReport of type summary.", media_type=FHIR_JSON),),
        problems=(kinds.NOT_FOUND, kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED, kinds.NOT_INSTALLED),
    )


class Measures(Controller):
    """Measures worked out."""

    path = f"{FHIR_BASE}/Measure"

    @get("/$evaluate-measure", opt=described(evaluation("measure", "get")))
    async def evaluate(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer the measure that the query names."""
        return await _evaluated(request, pairs_of(request.scope["query_string"]), None)

    @post("/$evaluate-measure", status_code=200, opt=described(evaluation("measure", "post")))
    async def evaluate_by_post(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Answer the measure that query and body together name."""
        return await _evaluated(request, [*pairs_of(request.scope["query_string"]), *read_parameters(body)], None)

    @get("/{resource_id:str}/$evaluate-measure", opt=described(evaluation("one", "get")))
    async def evaluate_one(self, request: Request[Any, Any, Any], resource_id: PathText) -> ASGIResponse:
        """Answer one measure."""
        return await _evaluated(request, pairs_of(request.scope["query_string"]), resource_id)

    @post("/{resource_id:str}/$evaluate-measure", status_code=200, opt=described(evaluation("one", "post")))
    async def evaluate_one_by_post(self, request: Request[Any, Any, Any], resource_id: PathText, body: RawBody) -> ASGIResponse:
        """Answer one measure by query and body together."""
        return await _evaluated(request, [*pairs_of(request.scope["query_string"]), *read_parameters(body)], resource_id)


async def _evaluated(request: Request[Any, Any, Any], pairs: Pairs, code: str | None) -> ASGIResponse:
    check_format(request, formats_of(pairs))
    desk, public_url = service_of(request).desk, service_of(request).settings.public_url
    measures = measures_of(desk.rulebook)
    if code is not None and code not in measures:
        raise NotFound("measure")
    asked = asked_of(pairs, measures, public_url, code)
    filters = Filters(since=asked.since, until=asked.until, by=None, **asked.filters)
    found = await measure_stored(desk, caller_of(request).tenant_id, asked.told.code, filters)
    return answer(measure_report(public_url, asked, found, now(desk)), media_type=FHIR_JSON_UTF8)


def asked_of(pairs: Pairs, measures: dict[str, MeasureTold], public_url: str, code: str | None) -> AskedMeasure:
    """The question, of one measure or of the one that is named.

    Raises:
        NotAcceptable: parameters that are missing, not taken, given twice or not readable; all faults at once.
    """
    said, faults = once_each([pair for pair in pairs if pair[0] != "_format"], named=code is None)
    told = measures.get(code) if code is not None else measure_named(said.get("measure"), measures, public_url, faults)
    since, until = (day_in(name, said.get(name), faults) for name in PERIOD)
    if since is not None and until is not None and since[0] > until[1]:
        faults.append(Fault(parameter="periodEnd", code="wrong-order", detail="Not before periodStart."))
    if said.get("reportType", REPORT_TYPES[0]) not in REPORT_TYPES:
        faults.append(Fault(parameter="reportType", code="unknown-code", detail=f"{' or '.join(REPORT_TYPES)}."))
    if faults or told is None or since is None or until is None:
        raise NotAcceptable(faults)
    return AskedMeasure(
        told=told,
        since=since[0],
        until=until[1],
        filters={name: said[name] for name in PARTS if name in said},
    )


def once_each(pairs: Pairs, *, named: bool) -> tuple[dict[str, str], list[Fault]]:
    """Parameters by name, and the faults of those that are not taken, given twice or empty."""
    accepted = [*(["measure"] if named else []), *PERIOD, "reportType", *PARTS]
    said: dict[str, str] = {}
    faults: list[Fault] = []
    for name, text in pairs:
        if name not in accepted:
            faults.append(Fault(parameter=name, code="parameter-not-supported", detail=f"Accepted: {', '.join(accepted)}."))
        elif name in said:
            faults.append(Fault(parameter=name, code="repeated-parameter", detail="Once."))
        elif not text.strip():
            faults.append(Fault(parameter=name, code="empty", detail="A value, or the parameter left out."))
        said.setdefault(name, text)
    return said, faults


def measure_named(
    text: str | None, measures: dict[str, MeasureTold], public_url: str, faults: list[Fault]
) -> MeasureTold | None:
    """The measure of an id or a canonical address; None if there is none and a fault was added."""
    for told in measures.values():
        url = measure_url(public_url, told.code)
        if text in (told.code, f"Measure/{told.code}", url, f"{url}|{told.version}"):
            return told
    detail = f"The id of one of the measures, or its canonical address: {', '.join(measures)}."
    faults.append(Fault(parameter="measure", code="missing" if text is None else "unknown-code", detail=detail))
    return None


def day_in(name: str, text: str | None, faults: list[Fault]) -> tuple[date, date] | None:
    """The first and the last day of a day, a month or a year; None if it is missing or a fault was added."""
    match = None if text is None else DAY_MONTH_OR_YEAR.fullmatch(text)
    try:
        if match is None:
            raise ValueError
        year, month, day = (None if part is None else int(part) for part in match.groups())
        first = date(year or 0, month or 1, day or 1)
        last_month = month or 12
        last = first if day else date(first.year, last_month, monthrange(first.year, last_month)[1])
        check_day(first)
    except ValueError:
        faults.append(Fault(parameter=name, code="missing" if text is None else "not-a-time", detail=A_DAY))
        return None
    return first, last
