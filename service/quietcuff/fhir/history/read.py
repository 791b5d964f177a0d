"""Reading one resource by its id."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from email.utils import format_datetime, parsedate_to_datetime
from uuid import UUID

import msgspec

from quietcuff import __version__
from quietcuff.core.model.errors import NotFound
from quietcuff.fhir.model.logical_ids import observation_key, provenance_version
from quietcuff.fhir.model.resources import Device, Patient, Resource
from quietcuff.fhir.read.bundle import version_of
from quietcuff.fhir.read.deletions import refuse_deleted
from quietcuff.fhir.read.parties import find_device_shown, find_patient
from quietcuff.fhir.read.provenances import provenances_of
from quietcuff.fhir.resources.audit_event import audit_event, audit_key
from quietcuff.fhir.resources.device import SERVICE_ID, service_device
from quietcuff.fhir.search.elements import part_of
from quietcuff.fhir.versions.stored_sets import Publisher, observations_at
from quietcuff.storage.rows.reading_sets import find_set
from quietcuff.storage.search.observations import Snapshot, find_observations
from quietcuff.storage.search.query import ObservationQuery
from quietcuff.storage.search.registries import TRAIL, RowQuery, find_rows

ENCODER = msgspec.json.Encoder()


class ReadResource(msgspec.Struct, frozen=True, kw_only=True):
    """One resource as read, its version, and the time of its last change where that is known."""

    resource: Resource
    version: str
    updated_at: datetime | None

    @property
    def body(self) -> bytes:
        """Its JSON."""
        return ENCODER.encode(self.resource)

    def part(self, elements: frozenset[str]) -> bytes:
        """The JSON of some of its elements."""
        return ENCODER.encode(part_of(self.resource, elements))

    @property
    def etag(self) -> str:
        """The weak ETag of FHIR, such as W/"3"."""
        return f'W/"{self.version}"'

    @property
    def last_modified(self) -> str | None:
        """The value of the Last-Modified header."""
        return None if self.updated_at is None else format_datetime(self.updated_at, usegmt=True)

    def is_known_to(self, if_none_match: str | None, if_modified_since: str | None) -> bool:
        """True where the client has this version already (304). A date counts only where no ETag was sent. Weak and
        strong ETags are compared by the text between the quotes. Source: RFC 9110, 8.8.3.2 and 13.1.2."""
        if if_none_match is not None:
            return if_none_match.strip() == "*" or f'"{self.version}"' in re.findall(r'"[^"]*"', if_none_match)
        if if_modified_since is None or self.updated_at is None:
            return False
        try:
            since = parsedate_to_datetime(if_modified_since)
        except ValueError:
            return False
        # HTTP dates have whole seconds: the fraction of the stored moment would always be later.
        return since.tzinfo is not None and self.updated_at.replace(microsecond=0) <= since


Reader = Callable[[Snapshot, Publisher, str], ReadResource]


def read_resource(snapshot: Snapshot, publisher: Publisher, resource_type: str, logical_id: str) -> ReadResource:
    """A Patient, Device, Observation or Provenance by id.

    Raises:
        NotFound: no such type, or nothing of that id for this tenant.
        Deleted: it was deleted.
    """
    reader = READERS.get(resource_type)
    if reader is None:
        raise NotFound(resource_type)
    try:
        return reader(snapshot, publisher, logical_id)
    except NotFound:
        # Looked up only after a miss, so that the common read costs no second query.
        refuse_deleted(snapshot, publisher, resource_type, logical_id)
        raise


def read_observation(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> ReadResource:
    """A reading, its pulse, its device flags, or the mean of a sitting."""
    key = observation_key(logical_id)
    # A kind outside the caller's scope is answered like a missing one: a 403 would reveal that it exists.
    keys = frozenset(() if key is None or key.kind not in publisher.sight.kinds else (key,))
    query = ObservationQuery(keys=keys, order="date", limit=1)
    entries = find_observations(snapshot, publisher.tenant.tenant_id, query)
    if not entries:
        raise NotFound("Observation")
    observation = observations_at(snapshot, publisher, entries)[0]
    return ReadResource(resource=observation, version=str(entries[0].version), updated_at=entries[0].updated_at)


def read_patient(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> ReadResource:
    """A person."""
    resource, updated_at = find_patient(snapshot, publisher, logical_id)
    return party_read(resource, updated_at)


def read_device(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> ReadResource:
    """A monitor, or the service itself."""
    if logical_id == SERVICE_ID:
        return ReadResource(resource=service_device(__version__), version=__version__, updated_at=None)
    resource, updated_at = find_device_shown(snapshot, publisher, logical_id)
    return party_read(resource, updated_at)


def party_read(resource: Patient | Device, updated_at: datetime) -> ReadResource:
    """A person or a monitor as read."""
    version = (resource.meta.version_id if resource.meta else None) or "1"
    return ReadResource(resource=resource, version=version, updated_at=updated_at)


def read_provenance(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> ReadResource:
    """The Provenance of one version of a sitting. It is written once and never changes."""
    named = provenance_version(logical_id)
    row = None if named is None else find_set(snapshot, publisher.tenant.tenant_id, UUID(named[0]))
    if named is None or row is None:
        raise NotFound("Provenance")
    version = version_of(snapshot, row, named[1])
    (resource,) = provenances_of(snapshot, publisher, [version])
    return ReadResource(resource=resource, version="1", updated_at=version.created_at)


def read_audit_event(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> ReadResource:
    """One row of the trail, which never changes."""
    key = audit_key(logical_id)
    query = RowQuery(keys=frozenset(() if key is None else (key,)), limit=1)
    found = find_rows(snapshot, publisher.tenant.tenant_id, TRAIL, query)
    if not found:
        raise NotFound("AuditEvent")
    row = found[0].columns
    return ReadResource(resource=audit_event(row, publisher.public_url), version="1", updated_at=row.at)


READERS: dict[str, Reader] = {
    "AuditEvent": read_audit_event,
    "Device": read_device,
    "Observation": read_observation,
    "Patient": read_patient,
    "Provenance": read_provenance,
}
