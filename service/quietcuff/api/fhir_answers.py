"""What the FHIR routes have in common: whose data is shown, the one format, and errors as OperationOutcome."""

from __future__ import annotations

from urllib.parse import parse_qsl

from litestar.exceptions import HTTPException

from quietcuff.api.admission import principal_of
from quietcuff.api.requests import Connection, header_of
from quietcuff.api.service import service_of
from quietcuff.core.errors import Fault, NotAcceptable
from quietcuff.export.asking import MOST_PARAMETERS
from quietcuff.export.records import Publisher

FHIR_BASE = "/fhir/R4"
FHIR_JSON = "application/fhir+json"
FHIR_JSON_UTF8 = f"{FHIR_JSON}; charset=utf-8"
ACCEPTED = frozenset((FHIR_JSON, "application/json", "application/*", "*/*", "json", "text/json"))


async def publisher_of(connection: Connection) -> Publisher:
    """The tenant of this request, and the address that its resources have outside."""
    service = service_of(connection)
    tenant = await service.desk.tenants.get(principal_of(connection).tenant_id)
    return Publisher(tenant=tenant, public_url=service.settings.public_url)


def check_format(connection: Connection, formats: list[str]) -> None:
    """Refuse who wants anything but JSON. ``_format`` decides where it is given, else the header Accept.

    Raises:
        HTTPException: 406.
    """
    accept = header_of(connection, "Accept")
    # A plus that was not encoded arrives as a space.
    wanted = [text.replace(" ", "+") for text in formats] or (accept.split(",") if accept else ["*/*"])
    if not any(text.split(";")[0].strip().lower() in ACCEPTED for text in wanted):
        raise HTTPException(status_code=406)


def pairs_of(raw: bytes) -> list[tuple[str, str]]:
    """Parameters as they were sent, in their order.

    Raises:
        NotAcceptable: not percent-encoded UTF-8, or far too many.
    """
    try:
        return parse_qsl(raw.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=2 * MOST_PARAMETERS)
    except ValueError as error:
        accepted = f"At most {MOST_PARAMETERS} parameters, percent-encoded UTF-8."
        raise NotAcceptable([Fault(parameter="", code="not-utf-8", detail=accepted)]) from error
