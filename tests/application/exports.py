"""Exports of a clinic of tests, run to their end."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import msgspec

from fhir_r4.rendered import PUBLIC_URL
from fhir_r4.stored_sets import Clinic
from quietcuff.application.bulk.jobs import Export, export_file, read_export, start_export
from quietcuff.application.bulk.worker import ExportLimits, ExportWorker
from quietcuff.fhir.bulk.plan import EXPORTED_TYPES, ExportPlan

LIMITS = ExportLimits(jobs=20)
Resources = dict[str, list[dict[str, Any]]]


def plan_of(**asked: Any) -> ExportPlan:
    return ExportPlan(**{"request": "https://bp.example.org/fhir/R4/$export", "types": EXPORTED_TYPES, **asked})


async def export(clinic: Clinic, *, limits: ExportLimits = LIMITS, **asked: Any) -> tuple[datetime, Resources]:
    """An export from its beginning to its last line: its moment, and its resources by type."""
    job_id = await start_export(clinic.desk, clinic.caller, plan_of(**asked), limits)
    await ExportWorker(clinic.desk, PUBLIC_URL, limits).work()
    return await outcome(clinic, job_id)


async def outcome(clinic: Clinic, job_id: str) -> tuple[datetime, Resources]:
    done = await read_export(clinic.desk, clinic.caller, job_id)
    assert done.state == "done" and done.transaction_time is not None
    return done.transaction_time, await resources_of(clinic, job_id, done)


async def resources_of(clinic: Clinic, job_id: str, done: Export) -> Resources:
    found: Resources = {}
    for file in done.files:
        plain = b"".join([part async for part in export_file(clinic.desk, clinic.caller, job_id, file, packed=False)])
        lines = [msgspec.json.decode(line) for line in plain.splitlines()]
        assert len(lines) == file.resources
        found.setdefault(file.resource_type, []).extend(lines)
    for resources in found.values():
        ids = [resource["id"] for resource in resources if "id" in resource]
        assert len(set(ids)) == len(ids), "exported twice"
    return found


def by_id(resources: Resources) -> dict[str, dict[str, Any]]:
    return {f"{one['resourceType']}/{one['id']}": one for found in resources.values() for one in found}
