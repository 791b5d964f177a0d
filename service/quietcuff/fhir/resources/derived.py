"""Observations derived from a reading: its device flags, and the mean in which it counts."""

from __future__ import annotations

from quietcuff.fhir.versions.stored_sets import EVALUATION
from quietcuff.storage.rows.versions import VersionsShown, read_versions_shown
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.query import ObservationKey


def derived_keys(snapshot: Snapshot, tenant_id: int, sources: frozenset[ObservationKey]) -> frozenset[ObservationKey]:
    """The flags of the readings, where they have any, and the means that name one of them."""
    shown = read_versions_shown(snapshot, tenant_id, {source.set_id for source in sources})
    counted = {set_id: counted_places(versions) for set_id, versions in shown.items()}
    flags = {ObservationKey(source.set_id, "flags", source.index) for source in sources}
    means = {
        ObservationKey(source.set_id, "mean", 0)
        for source in sources
        if source.index in counted.get(source.set_id, frozenset())
    }
    return frozenset(flags | means)


def counted_places(versions: VersionsShown) -> frozenset[int]:
    """The readings that count in the mean shown."""
    if versions.mean is None:
        return frozenset()
    return frozenset(one.index for one in EVALUATION.decode(versions.mean.evaluation).readings if one.counts)
