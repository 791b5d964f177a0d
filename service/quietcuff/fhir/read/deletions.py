"""Deleted resources: 410 for readers, and deletion lines for exports.

Sources: FHIR R4 http (read: 410); Bulk Data Access 3, ``deleted`` in the manifest.
"""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec

from quietcuff.core.model.errors import Deleted
from quietcuff.fhir.model.logical_ids import is_plain_id, observation_key, provenance_version
from quietcuff.fhir.model.resources import Bundle, Entry, EntryRequest
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.rows.retention import DeletedSet, find_deleted_set
from quietcuff.storage.rows.subjects import DeletedSubject, find_deleted_subject
from quietcuff.storage.search.observations import Snapshot

ENCODER = msgspec.json.Encoder()


def deleted_at(snapshot: Snapshot, publisher: Publisher, resource_type: str, logical_id: str) -> datetime | None:
    """Time at which the resource of an id was deleted; None where it never existed."""
    tenant_id = publisher.tenant.tenant_id
    if resource_type == "Patient" and is_plain_id(logical_id):
        person = find_deleted_subject(snapshot, tenant_id, UUID(logical_id))
        return None if person is None else person.deleted_at
    set_id = set_of(publisher, resource_type, logical_id)
    found = None if set_id is None else find_deleted_set(snapshot, tenant_id, UUID(set_id))
    return found.deleted_at if found is not None and f"{resource_type}/{logical_id}" in addresses_of_set(found) else None


def set_of(publisher: Publisher, resource_type: str, logical_id: str) -> str | None:
    """The set that the id of an Observation or a Provenance leads to, where the caller may see such."""
    if resource_type == "Observation":
        key = observation_key(logical_id)
        return key.set_id if key is not None and key.kind in publisher.sight.kinds else None
    named = provenance_version(logical_id) if resource_type == "Provenance" else None
    return None if named is None else named[0]


def refuse_deleted(snapshot: Snapshot, publisher: Publisher, resource_type: str, logical_id: str) -> None:
    """Raise ``Deleted`` where a resource that was not found was deleted.

    Raises:
        Deleted: it was there.
    """
    if deleted_at(snapshot, publisher, resource_type, logical_id) is not None:
        raise Deleted(resource_type)


def addresses_of_set(deleted: DeletedSet) -> list[str]:
    """Every resource that a set had, such as ``Observation/S-r0``."""
    observations = [f"Observation/{deleted.set_id}-{place}" for place in deleted.places.split()]
    return observations + [f"Provenance/{deleted.set_id}-v{version}" for version in range(1, deleted.version + 1)]


def lines_of_sets(found: list[DeletedSet], types: tuple[str, ...]) -> list[bytes]:
    """For each set a line that has its resources of these types deleted."""
    wanted = [[name for name in addresses_of_set(one) if name.partition("/")[0] in types] for one in found]
    return [line_of(names) for names in wanted if names]


def lines_of_subjects(found: list[DeletedSubject]) -> list[bytes]:
    return [line_of([f"Patient/{one.subject_id}"]) for one in found]


def line_of(names: list[str]) -> bytes:
    """A transaction that deletes what is named."""
    entries = [Entry(request=EntryRequest(method="DELETE", url=name)) for name in names]
    return ENCODER.encode(Bundle(type="transaction", entry=entries))
