"""Observations derived from a reading: its device flags, and the mean in which it counts."""

from __future__ import annotations

from uuid import UUID

from quietcuff.fhir.versions.documents import EVALUATION
from quietcuff.storage.rows.versions import read_versions_shown
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.query import ObservationKey


def derived_keys(snapshot: Snapshot, tenant_id: int, sources: frozenset[ObservationKey]) -> frozenset[ObservationKey]:
    """The flags of the readings, where they have any, and the means that name one of them."""
    shown = read_versions_shown(snapshot, tenant_id, {UUID(source.set_id) for source in sources})
    counted = {
        str(set_id): EVALUATION.decode(versions.mean.evaluation).counted
        for set_id, versions in shown.items()
        if versions.mean is not None
    }
    flags = {ObservationKey(source.set_id, "flags", source.index) for source in sources}
    means = {ObservationKey(source.set_id, "mean", 0) for source in sources if source.index in counted.get(source.set_id, ())}
    return frozenset(flags | means)
