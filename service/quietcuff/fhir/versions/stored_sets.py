"""From rows to resources: the stored documents of a set are decoded once, and each Observation is built from the version
that it shows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import cast

import msgspec

from quietcuff.core.model.readings import Identifier
from quietcuff.core.record.sitting_version import ObservationStatus
from quietcuff.fhir.model.logical_ids import place_name
from quietcuff.fhir.model.resources import Observation
from quietcuff.fhir.model.scope import ReadScope
from quietcuff.fhir.resources.readings import OBSERVATION, WRITERS
from quietcuff.fhir.resources.result import mean_line
from quietcuff.fhir.resources.sitting import ResourceState, SharedElements, SittingVersion, frame_of
from quietcuff.fhir.versions import documents
from quietcuff.storage.engine.ids import device_id, device_ids
from quietcuff.storage.rows.tenants import Tenant
from quietcuff.storage.rows.versions import VersionShown, VersionsShown, read_versions_shown
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.query import ObservationEntry


class Publisher(msgspec.Struct, frozen=True, kw_only=True):
    """The tenant whose data is shown, the scope of the caller, and the public address of the service without a slash at its
    end."""

    tenant: Tenant
    public_url: str
    sight: ReadScope = ReadScope()

    @property
    def fhir_url(self) -> str:
        return f"{self.public_url}/fhir/R4"

    def address(self, resource_type: str, logical_id: str) -> str:
        """The absolute address of a resource."""
        return f"{self.fhir_url}/{resource_type}/{logical_id}"

    def device_id(self, identifier: Identifier) -> str:
        """The id of the Device with this identifier."""
        return str(device_id(self.tenant.secret, identifier))


class SetExport:
    """Builds the Observations of one set, decoding each of its documents at most once."""

    def __init__(self, publisher: Publisher, subject_id: str, set_id: str) -> None:
        self._publisher = publisher
        self._subject_id = subject_id
        self._set_id = set_id
        self._decoded: dict[int, tuple[SittingVersion, SharedElements]] = {}

    def observation(self, entry: ObservationEntry, shown: VersionsShown) -> Observation:
        """One Observation as it stands."""
        return OBSERVATION.decode(self.line(entry, shown))

    def line(self, entry: ObservationEntry, shown: VersionsShown) -> bytes:
        """The same in JSON."""
        stand = ResourceState(entry.version, cast(ObservationStatus, entry.status), entry.updated_at)
        if entry.key.kind == "mean":
            sitting, frame = self._version(shown.mean or shown.newest)
            return cast(bytes, mean_line(sitting, frame, stand))
        sitting, frame = self._version(shown.newest)
        return WRITERS[entry.key.kind](sitting, frame, entry.key.index, stand)

    def sitting(self, shown: VersionShown) -> SittingVersion:
        """One version of the set."""
        return self._version(shown)[0]

    def _version(self, shown: VersionShown) -> tuple[SittingVersion, SharedElements]:
        known = self._decoded.get(shown.version)
        if known is None:
            sitting = stored_sitting(self._publisher, self._subject_id, self._set_id, shown)
            known = self._decoded[shown.version] = sitting, frame_of(sitting, self._publisher.public_url)
        return known


def stored_sitting(publisher: Publisher, subject_id: str, set_id: str, shown: VersionShown) -> SittingVersion:
    """One version of a set out of its documents."""
    reading_set = documents.SET.decode(shown.document)
    return SittingVersion(
        set_id=set_id,
        subject_id=subject_id,
        reading_set=reading_set,
        evaluation=documents.EVALUATION.decode(shown.evaluation),
        device_ids=device_ids(publisher.tenant.secret, reading_set),
    )


def observations_at(snapshot: Snapshot, publisher: Publisher, entries: list[ObservationEntry]) -> list[Observation]:
    """The Observations that were found, in their order."""
    return [export.observation(entry, shown) for entry, export, shown in exports_of(snapshot, publisher, entries)]


def lines_at(snapshot: Snapshot, publisher: Publisher, entries: list[ObservationEntry]) -> list[tuple[str, bytes]]:
    """The same in JSON, each with its id."""
    return [
        (f"{entry.key.set_id}-{place_name(entry.key.kind, entry.key.index)}", export.line(entry, shown))
        for entry, export, shown in exports_of(snapshot, publisher, entries)
    ]


def exports_of(
    snapshot: Snapshot, publisher: Publisher, entries: list[ObservationEntry]
) -> Iterator[tuple[ObservationEntry, SetExport, VersionsShown]]:
    """What was found, each with the builder of its set and the versions that the set shows."""
    subjects = {entry.key.set_id: entry.subject_id for entry in entries}
    shown = read_versions_shown(snapshot, publisher.tenant.tenant_id, set(subjects))
    exports = {set_id: SetExport(publisher, subject_id, set_id) for set_id, subject_id in subjects.items()}
    return ((entry, exports[entry.key.set_id], shown[entry.key.set_id]) for entry in entries)
