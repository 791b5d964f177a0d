"""The manifest of a finished export. Source: Bulk Data Access 3, response at completion."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

import msgspec

from quietcuff.fhir.resources.sitting import instant
from quietcuff.storage.bulk.files import FileRow


class Output(msgspec.Struct, frozen=True, kw_only=True):
    """One file: what its lines are, where it is, and how many lines it has."""

    type: str
    url: str
    count: int


class Manifest(msgspec.Struct, frozen=True, kw_only=True, rename="camel"):
    """The manifest. ``deleted`` lists the files of what a copy is to delete; only exports with ``_since`` have any."""

    transaction_time: str
    request: str
    requires_access_token: bool
    output: list[Output]
    deleted: list[Output]
    error: list[Output]


def manifest_of(request: str, transaction_time: datetime, files: Iterable[FileRow], address: str) -> Manifest:
    """The manifest of a job whose files are below an address. A type without resources has no file."""
    listed: dict[str, list[Output]] = {"output": [], "deleted": [], "error": []}
    for file in files:
        url = f"{address}/{file.file_number}"
        listed[file.purpose].append(Output(type=file.resource_type, url=url, count=file.resources))
    return Manifest(
        transaction_time=instant(transaction_time),
        request=request,
        requires_access_token=True,
        output=listed["output"],
        deleted=listed["deleted"],
        error=listed["error"],
    )
