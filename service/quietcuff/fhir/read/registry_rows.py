"""Rows of people, devices and versions as the values that the rest of the export takes."""

from __future__ import annotations

from typing import Any

from quietcuff.storage.rows.devices import DeviceRow
from quietcuff.storage.rows.subjects import SubjectRow
from quietcuff.storage.rows.versions import VersionRow, version_row


def subject_row(row: Any) -> SubjectRow:
    return SubjectRow(*(row._mapping[name] for name in SubjectRow.__struct_fields__))


def device_row(row: Any) -> DeviceRow:
    return DeviceRow(*(row._mapping[name] for name in DeviceRow.__struct_fields__))


def version_of_row(row: Any) -> VersionRow:
    return version_row(*(row._mapping[name] for name in VersionRow.__struct_fields__))
