"""``/v1/tables``: stored data as tables for analysts, and their dictionary."""

from __future__ import annotations

from typing import Any, Literal

from litestar import Controller, Request, get
from litestar.response.base import ASGIResponse
from litestar.response.streaming import ASGIStreamingResponse

from quietcuff.analytics.tables.dictionary import dictionary_page, dictionary_schema
from quietcuff.analytics.tables.disguise import Disguise
from quietcuff.analytics.tables.folder import stream_table
from quietcuff.analytics.tables.schema import TABLES, table_named
from quietcuff.analytics.tables.streams import TablesWanted
from quietcuff.analytics.tables.writing import require_for
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of, principal_of
from quietcuff.api.operations import Operation, OperationParameter, Reply, described
from quietcuff.api.requests import Connection, PathText, format_of, moment_parameter, query_of
from quietcuff.api.responses import answer
from quietcuff.api.service import service_of
from quietcuff.application.read_sittings import first_moment
from quietcuff.core.model.errors import NotAcceptable, NotAllowed, NotFound
from quietcuff.security.scopes import IDENTIFIED, Need

TAG = "Tables"
PARQUET, CSV = "application/vnd.apache.parquet", "text/csv"
SCHEMA, MARKDOWN = "application/schema+json", "text/markdown"
FORMATS: dict[str, Literal["parquet", "csv"]] = {PARQUET: "parquet", CSV: "csv"}
NAMES = ", ".join(table.name for table in TABLES)
READ = Need("Table", "r")
IDENTIFIED_PARAMETER = OperationParameter(
    name="identified",
    within="query",
    schema={"type": "string", "enum": ["true", "false"], "default": "false"},
    description=f"With true ids, identifiers and dates: needs {IDENTIFIED} too. Else names are keyed digests, and all dates of "
    "a person are shifted by one secret whole number of weeks.",
)
DICTIONARY = Operation(
    id="get_table_dictionary",
    tag=TAG,
    summary="Every table and column: type, unit, code, source, meaning, and what null means",
    description="JSON Schema, or with `Accept: text/markdown` a page.",
    access=READ,
    replies=(
        Reply(description="The dictionary.", media_type=SCHEMA),
        Reply(description="The dictionary.", media_type=MARKDOWN),
    ),
    problems=(kinds.FORMAT_NOT_OFFERED,),
)
TABLE = Operation(
    id="get_table",
    tag=TAG,
    summary="A table as Parquet or CSV",
    description=f"One of {NAMES}. Sittings without a result are rows as well; what was voided is not.",
    access=READ,
    lane="file",
    parameters=(
        OperationParameter(
            name="format",
            within="query",
            schema={"type": "string", "enum": ["parquet", "csv"]},
            description="In place of Accept.",
        ),
        OperationParameter(
            name="since",
            within="query",
            schema={"type": "string"},
            description="Only sets that changed after: a day, or RFC 3339 with an offset.",
        ),
        IDENTIFIED_PARAMETER,
    ),
    replies=(Reply(description="The table.", media_type=PARQUET), Reply(description="The table.", media_type=CSV)),
    problems=(kinds.NOT_FOUND, kinds.NOT_ACCEPTABLE, kinds.FORMAT_NOT_OFFERED, kinds.NOT_INSTALLED),
)


class TableRoutes(Controller):
    """Tables."""

    path = "/v1/tables"

    @get(opt=described(DICTIONARY))
    async def dictionary(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer the dictionary."""
        query_of(request)
        if format_of(request, SCHEMA, MARKDOWN) == MARKDOWN:
            return answer(dictionary_page(identified=True).encode(), media_type=MARKDOWN)
        return answer(dictionary_schema(identified=True), media_type=SCHEMA)

    @get("/{name:str}", opt=described(TABLE))
    async def table(self, request: Request[Any, Any, Any], name: PathText) -> ASGIStreamingResponse:
        """Send a table as it is made."""
        table = table_named(name)
        if table is None:
            raise NotFound("table")
        desk = service_of(request).desk
        tenant = await desk.tenants.get(caller_of(request).tenant_id)
        said = query_of(request, "format", "since", "identified")
        kind, identified = format_asked(request, said), identified_asked(request, said)
        require_for(FORMATS[kind])
        since = moment_parameter("since", said["since"]) if "since" in said else None
        wanted = TablesWanted(
            tenant_id=tenant.tenant_id,
            names=[table.name],
            disguise=Disguise(secret=tenant.secret, identified=identified),
            since=first_moment(since, tenant.zone, "since"),
        )
        return ASGIStreamingResponse(
            iterator=stream_table(desk, wanted, table, FORMATS[kind]),
            media_type=kind,
            headers={"Vary": "Accept", "Content-Disposition": f'attachment; filename="{table.name}.{FORMATS[kind]}"'},
        )


def format_asked(request: Connection, said: dict[str, str]) -> str:
    """Media type from the parameter, or else from Accept.

    Raises:
        NotAcceptable: a format that is not offered.
    """
    if "format" not in said:
        return format_of(request, PARQUET, CSV)
    named = next((media_type for media_type, word in FORMATS.items() if word == said["format"]), None)
    if named is None:
        raise NotAcceptable.of(parameter="format", code="unknown-code", detail="parquet or csv.")
    return named


def identified_asked(request: Connection, said: dict[str, str]) -> bool:
    """True if the table is to name people.

    Raises:
        NotAcceptable: neither true nor false.
        NotAllowed: it is, and the key may not name them.
    """
    word = said.get("identified", "false")
    if word not in ("true", "false"):
        raise NotAcceptable.of(parameter="identified", code="unknown-code", detail="true or false.")
    if word == "true" and not principal_of(request).scopes.identified:
        raise NotAllowed(IDENTIFIED)
    return word == "true"
