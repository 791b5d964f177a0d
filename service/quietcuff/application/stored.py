"""A stored set, loaded inside the transaction that is about to change it."""

from __future__ import annotations

from typing import cast
from uuid import UUID

import msgspec

from quietcuff.application.context import UnitOfWork
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import NotFound
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.record.resource_states import MeanState, ResourceStates
from quietcuff.core.record.sitting_version import ObservationStatus, ResourceState, SittingVersion
from quietcuff.storage.engine.ids import device_ids
from quietcuff.storage.rows.reading_sets import SetRow, find_set
from quietcuff.storage.rows.readings import stands_of_set
from quietcuff.storage.rows.retention import missing_set
from quietcuff.storage.rows.versions import VersionRow, find_version

SET_DECODER = DocumentDecoder(ReadingSet)
EVALUATION_DECODER = DocumentDecoder(Evaluation)


class StoredSet(msgspec.Struct, frozen=True, kw_only=True):
    """One set with its newest version, the version its mean shows, and the states of its Observations."""

    row: SetRow
    newest: SittingVersion
    mean_shown: SittingVersion | None
    stands: ResourceStates

    @property
    def reading_set(self) -> ReadingSet:
        return self.newest.reading_set

    @property
    def facts_differ(self) -> list[str]:
        """Names of the facts about the person that differed between this set and the registry."""
        intake = self.reading_set.intake
        return [] if intake is None else intake.facts_differ


def find_row(turn: UnitOfWork, set_id: UUID) -> SetRow:
    """The current row of a set.

    Raises:
        NotFound: this tenant has none of that id.
        Deleted: it had one.
    """
    row = find_set(turn.transaction, turn.tenant.tenant_id, set_id)
    if row is None:
        raise missing_set(turn.transaction, turn.tenant.tenant_id, set_id)
    return row


def load(turn: UnitOfWork, row: SetRow) -> StoredSet:
    """The set behind a row, decoded."""
    newest = sitting_of(turn, row, row.version)
    mean_shown = None
    # A mean that did not change still shows an earlier version's values, and whether it moved is judged against those.
    if row.mean_from_version is not None:
        is_newest = row.mean_from_version == row.version
        mean_shown = newest if is_newest else sitting_of(turn, row, row.mean_from_version)
    return StoredSet(row=row, newest=newest, mean_shown=mean_shown, stands=load_stands(turn, row))


def sitting_of(turn: UnitOfWork, row: SetRow, version: int) -> SittingVersion:
    """One version of a set, as the export reads it."""
    stored = version_of(turn, row, version)
    reading_set = SET_DECODER.decode(stored.document)
    return SittingVersion(
        set_id=str(row.set_id),
        subject_id=str(row.subject_id),
        reading_set=reading_set,
        evaluation=EVALUATION_DECODER.decode(stored.evaluation),
        device_ids=device_ids(turn.tenant.secret, reading_set),
        is_voided=stored.status == "voided",
    )


def version_of(turn: UnitOfWork, row: SetRow, version: int) -> VersionRow:
    """One version of a set.

    Raises:
        NotFound: the set has none of that number.
    """
    found = find_version(turn.transaction, row.tenant_id, row.subject_id, row.set_id, version)
    if found is None:
        raise NotFound("version")
    return found


def load_stands(turn: UnitOfWork, row: SetRow) -> ResourceStates:
    """States of all Observations of a set."""
    places = stands_of_set(turn.transaction, row.tenant_id, row.subject_id, row.set_id)
    return ResourceStates(places=places, mean=mean_stand(row))


def mean_stand(row: SetRow) -> MeanState | None:
    if row.mean_version is None or row.mean_updated_at is None or row.mean_from_version is None:
        return None
    stand = ResourceState(row.mean_version, cast(ObservationStatus, row.mean_status), row.mean_updated_at)
    return MeanState(stand, row.mean_from_version)
