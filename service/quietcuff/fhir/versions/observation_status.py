"""States of a sitting's Observations: which of them a new version changes, and with which status.

``versionId`` counts changes of that one resource: what did not change is not sent again. A reading is final at once,
for what was measured was measured. It is amended when only what is said about it changed, corrected when a measured
value or a time did, entered in error when it is taken back. The mean is preliminary while the sitting is open, final
once it closes, and entered in error when its result is gone: its values stay readable.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import msgspec

from quietcuff.core.model.resource_state import ObservationStatus, ResourceState
from quietcuff.fhir import codes
from quietcuff.fhir.model.logical_ids import place_name
from quietcuff.fhir.model.resources import Observation
from quietcuff.fhir.resources.readings import flags_observation, pulse_observation, reading_observation
from quietcuff.fhir.resources.result import mean_observation
from quietcuff.fhir.resources.sitting import SharedElements, SittingVersion, frame_of
from quietcuff.storage.search.query import Kind

Build = Callable[[SittingVersion, SharedElements, int, ResourceState], Observation]
BUILDERS: dict[Kind, Build] = {
    "reading": reading_observation,
    "pulse": pulse_observation,
    "flags": flags_observation,
}
# Contents are compared with the same version, status and date on both sides, so that only what they say differs.
NEUTRAL = ResourceState(0, "final", datetime(2000, 1, 1, tzinfo=UTC))

# How the addresses of our extensions begin where no public URL stands before them.
OWN_DEFINITIONS = "/fhir/R4/StructureDefinition/"


class MeanState(msgspec.Struct, frozen=True):
    """The state of the mean, and the version of the set whose result it shows."""

    stand: ResourceState
    from_version: int


class ResourceStates(msgspec.Struct, frozen=True, kw_only=True):
    """The states of all Observations of a sitting: ``places`` by name, such as ``r0`` or ``p2``."""

    places: dict[str, ResourceState] = {}
    mean: MeanState | None = None

    @property
    def names(self) -> list[str]:
        """Every Observation there is, in the order of export."""
        return [*self.places, *(["mean"] if self.mean else [])]


def next_stands(
    stands: ResourceStates,
    before: SittingVersion | None,
    mean_shown: SittingVersion | None,
    after: SittingVersion,
    *,
    version: int,
    at: datetime,
) -> ResourceStates:
    """The states after a change.

    ``before`` is the sitting as it was, ``mean_shown`` the version that the mean shows (None where there is no mean),
    and ``version`` the set's version that ``after`` becomes.
    """
    frames = None if before is None else (frame_of(before, ""), frame_of(after, ""))
    places = {}
    for index in range(len(after.reading_set.readings)):
        for kind, build in BUILDERS.items():
            name = place_name(kind, index)
            old, gone = stands.places.get(name), is_gone(after, kind, index)
            if old is not None and before is not None and frames is not None:
                was, now = build(before, frames[0], index, NEUTRAL), build(after, frames[1], index, NEUTRAL)
                places[name] = next_state(old, was, now, at, is_gone=gone)
            elif exists(after, kind, index):
                places[name] = ResourceState(1, "entered-in-error" if gone else "final", at)
    mean = next_mean(stands.mean, mean_shown, before, after, version, at)
    return ResourceStates(places=places, mean=mean)


def exists(sitting: SittingVersion, kind: Kind, index: int) -> bool:
    """True where a reading has something of this kind to show."""
    reading = sitting.reading_set.readings[index]
    return kind == "reading" or (reading.pulse_per_min is not None if kind == "pulse" else bool(reading.device_flags))


def is_gone(sitting: SittingVersion, kind: Kind, index: int) -> bool:
    """True where a resource says what is taken back."""
    return sitting.is_voided or sitting.reading_set.readings[index].voided or not exists(sitting, kind, index)


def next_state(old: ResourceState, was: Observation, now: Observation, at: datetime, *, is_gone: bool) -> ResourceState:
    """The next state of one resource of a reading, from its old state and its content before and after."""
    status: ObservationStatus = "entered-in-error" if is_gone else status_after(old.status, was, now)
    return old if was == now and status == old.status else ResourceState(old.version + 1, status, at)


def status_after(status: ObservationStatus, was: Observation, now: Observation) -> ObservationStatus:
    """The status of what was final: corrected is for good, and what was in error and stands again is corrected."""
    if measured(was) != measured(now) or status in ("corrected", "entered-in-error"):
        return "corrected"
    return status if was == now else "amended"


def measured(observation: Observation) -> tuple[object, ...]:
    """The values and times of an Observation, apart from what is said about them: the cuff too is a circumstance."""
    return (
        observation.effective_date_time,
        observation.effective_period,
        observation.value_quantity,
        [part for part in observation.component or [] if part.code is not codes.CUFF_SIZE],
    )


def next_mean(
    old: MeanState | None,
    shown: SittingVersion | None,
    before: SittingVersion | None,
    after: SittingVersion,
    version: int,
    at: datetime,
) -> MeanState | None:
    """The next state of the mean. A mean that was final stays as it was last closed while the sitting is open again."""
    has_result = after.evaluation.result is not None and not after.is_voided
    if old is None or shown is None:
        return MeanState(ResourceState(1, first_mean_status(after), at), version) if has_result else None
    stand = old.stand
    is_settled = stand.status not in ("preliminary", "entered-in-error")
    if not after.is_voided and not after.reading_set.closed and is_settled:
        return old
    now = compared_mean(after) if has_result else None
    if now is None:
        gone = ResourceState(stand.version + 1, "entered-in-error", at)
        return old if stand.status == "entered-in-error" else MeanState(gone, old.from_version)
    was = compared_mean(shown)
    was_closed = before is not None and before.reading_set.closed
    if is_settled or (was_closed and after.reading_set.closed):
        status = status_after(stand.status, was or now, now)
    else:
        status = first_mean_status(after)
    if was == now and status == stand.status:
        return old
    return MeanState(ResourceState(stand.version + 1, status, at), version)


def compared_mean(sitting: SittingVersion) -> Observation | None:
    """The content of a mean without our own extensions: they alone never move it, so that versions stored before
    there were any are told again as they were counted."""
    mean = mean_observation(sitting, frame_of(sitting, ""), NEUTRAL)
    if mean is None:
        return None
    others = [one for one in mean.extension or [] if not one.url.startswith(OWN_DEFINITIONS)]
    return msgspec.structs.replace(mean, extension=others)


def first_mean_status(sitting: SittingVersion) -> ObservationStatus:
    """Preliminary while more may come, final once the sitting is closed."""
    return "final" if sitting.reading_set.closed else "preliminary"
