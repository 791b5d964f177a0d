"""From rows to resources: the stored documents of a set are decoded once, and each Observation is built from the version
that it shows."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from operator import attrgetter
from typing import cast

import msgspec

from quietcuff.fhir.model.logical_ids import place_name
from quietcuff.fhir.model.resources import Observation
from quietcuff.fhir.model.scope import ReadScope
from quietcuff.fhir.resources.readings import OBSERVATION, WRITERS
from quietcuff.fhir.resources.result import mean_line
from quietcuff.fhir.resources.sitting import ResourceState, SharedElements, SittingVersion, frame_of
from quietcuff.fhir.versions import documents
from quietcuff.storage.engine.ids import device_ids, id_text
from quietcuff.storage.rows.tenants import Tenant
from quietcuff.storage.rows.versions import VersionShown, VersionsShown, read_versions_shown
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.query import ObservationEntry

SET_OF_ENTRY = attrgetter("set_id")


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


class SetExport:
    """Builds the Observations of one set, decoding each of its documents at most once."""

    def __init__(self, publisher: Publisher, subject_id: str, set_id: str) -> None:
        self.set_id = set_id
        self._publisher = publisher
        self._subject_id = subject_id
        self._decoded: dict[int, SittingVersion] = {}
        self._framed: dict[int, tuple[SittingVersion, SharedElements]] = {}

    def observation(self, entry: ObservationEntry, shown: VersionsShown) -> Observation:
        """One Observation as it stands."""
        return OBSERVATION.decode(self.line(entry, shown))

    def line(self, entry: ObservationEntry, shown: VersionsShown) -> bytes:
        """The same in JSON."""
        stand = ResourceState(entry.version, entry.status, entry.updated_at)
        if entry.kind == "mean":
            sitting, frame = self._version(shown.mean or shown.newest)
            return cast(bytes, mean_line(sitting, frame, stand))
        sitting, frame = self._version(shown.newest)
        return WRITERS[entry.kind](sitting, frame, entry.index, stand)

    def sitting(self, shown: VersionShown) -> SittingVersion:
        """One version of the set."""
        known = self._decoded.get(shown.version)
        if known is None:
            known = self._decoded[shown.version] = stored_sitting(self._publisher, self._subject_id, self.set_id, shown)
        return known

    def _version(self, shown: VersionShown) -> tuple[SittingVersion, SharedElements]:
        known = self._framed.get(shown.version)
        if known is None:
            sitting = self.sitting(shown)
            known = self._framed[shown.version] = sitting, frame_of(sitting, self._publisher.public_url)
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
    return [
        export.observation(entry, shown)
        for export, shown, of_set in exports_of(snapshot, publisher, entries)
        for entry in of_set
    ]


def lines_at(snapshot: Snapshot, publisher: Publisher, entries: list[ObservationEntry]) -> list[tuple[str, bytes]]:
    """The same in JSON, each with its id."""
    return [
        (f"{export.set_id}-{place_name(entry.kind, entry.index)}", export.line(entry, shown))
        for export, shown, of_set in exports_of(snapshot, publisher, entries)
        for entry in of_set
    ]


def exports_of(
    snapshot: Snapshot, publisher: Publisher, entries: list[ObservationEntry]
) -> Iterator[tuple[SetExport, VersionsShown, list[ObservationEntry]]]:
    """What was found, in its order: the entries of a set that stand together, with the builder of the set and the versions that
    it shows."""
    together = [(set_id, list(of_set)) for set_id, of_set in groupby(entries, key=SET_OF_ENTRY)]
    subjects = {set_id: of_set[0].subject_id for set_id, of_set in together}
    shown = read_versions_shown(snapshot, publisher.tenant.tenant_id, subjects)
    exports = {set_id: SetExport(publisher, id_text(subject_id), id_text(set_id)) for set_id, subject_id in subjects.items()}
    return ((exports[set_id], shown[set_id], of_set) for set_id, of_set in together)
