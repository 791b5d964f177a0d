"""Provenances of several versions of sittings at once."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID

from quietcuff.fhir.model.resources import Provenance
from quietcuff.fhir.read.bundle import shown_documents
from quietcuff.fhir.resources.provenance import provenance_of
from quietcuff.fhir.versions.stored_sets import Publisher, SetExport
from quietcuff.storage.rows.versions import VersionRow, first_means, versions_of_sets
from quietcuff.storage.search.observations import Snapshot


def provenances_of(snapshot: Snapshot, publisher: Publisher, rows: Sequence[VersionRow]) -> list[Provenance]:
    """The Provenance of each version, in their order."""
    since = first_means(snapshot, publisher.tenant.tenant_id, {row.set_id for row in rows})
    exports = {row.set_id: SetExport(publisher, str(row.subject_id), str(row.set_id)) for row in rows}
    url = publisher.public_url
    return [
        provenance_of(exports[row.set_id].sitting(shown_documents(row)), row, mean_since=since.get(row.set_id), public_url=url)
        for row in rows
    ]


def provenances_about(snapshot: Snapshot, publisher: Publisher, references: set[str]) -> list[tuple[VersionRow, Provenance]]:
    """Every Provenance one of whose targets is among the references, such as ``Observation/S-r0``."""
    set_ids = {UUID(reference.partition("/")[2][:36]) for reference in references}
    rows = versions_of_sets(snapshot, publisher.tenant.tenant_id, set_ids)
    found = zip(rows, provenances_of(snapshot, publisher, rows), strict=True)
    return [pair for pair in found if any(target.reference in references for target in pair[1].target)]
