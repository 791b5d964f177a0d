"""States of a sitting's Observations: which of them a new version changes, and with which status.

``versionId`` counts changes of that one resource: what did not change is not sent again. A reading is final at once,
for what was measured was measured. It is amended when only what is said about it changed, corrected when a measured
value or a time did, entered in error when it is taken back. The mean is preliminary while the sitting is open and final
once it closes. A sitting that closes without a result has the same Observation, which says why there is none: what comes to be
known later moves it on. It is entered in error when the sitting is taken back, or the result of an open one is gone: its values
stay readable.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import lru_cache

import msgspec

from quietcuff.core.model.fields import MAX_READINGS
from quietcuff.core.model.readings import Reading
from quietcuff.core.record.sitting_version import (
    Content,
    ObservationStatus,
    ResourceState,
    SittingVersion,
    flags_measured,
    flags_shown,
    mean_measured,
    mean_shown,
    pulse_measured,
    pulse_shown,
    reading_measured,
    reading_shown,
)

Measured = Callable[[Reading], Content]
Shown = Callable[[SittingVersion, int], Content]
# By the letter of a place's name: what was measured, and what is said of it.
KINDS: dict[str, tuple[Measured, Shown]] = {
    "r": (reading_measured, reading_shown),
    "p": (pulse_measured, pulse_shown),
    "f": (flags_measured, flags_shown),
}


class MeanState(msgspec.Struct, frozen=True, gc=False):
    """The state of the mean, and the version of the set whose result it shows."""

    stand: ResourceState
    from_version: int


class ResourceStates(msgspec.Struct, frozen=True, kw_only=True, gc=False):
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
    tells_no_result: bool = True,
) -> ResourceStates:
    """The states after a change.

    ``before`` is the sitting as it was, ``mean_shown`` the version that the mean shows (None where there is no mean),
    and ``version`` the set's version that ``after`` becomes. ``tells_no_result`` is false of versions that were stored when
    there was no Observation without a result, so that they are told again as they were.
    """
    has_mean = not after.is_voided and (after.evaluation.result is not None or (tells_no_result and after.lacks_result))
    mean = next_mean(stands.mean, mean_shown, before, after, version, at, has_mean=has_mean)
    if before is None:
        return ResourceStates(places=first_places(after, at), mean=mean)
    places = {}
    new = ResourceState(1, "final", at)
    for index, reading in enumerate(after.reading_set.readings):
        for letter, name in zip(KINDS, place_names(index), strict=True):
            there = exists(reading, letter)
            gone = after.is_voided or reading.voided or not there
            old = stands.places.get(name)
            if old is not None:
                places[name] = next_state(old, before, after, letter, index, at, is_gone=gone)
            elif there:
                places[name] = ResourceState(1, "entered-in-error", at) if gone else new
    return ResourceStates(places=places, mean=mean)


@lru_cache(maxsize=MAX_READINGS)
def place_names(index: int) -> tuple[str, ...]:
    """The names of the places of one reading, in the order of ``KINDS``."""
    return tuple([f"{letter}{index}" for letter in KINDS])


def first_places(sitting: SittingVersion, at: datetime) -> dict[str, ResourceState]:
    """The states of all that there is of the readings of a first version."""
    # One state for all that is new: most of what is stored is.
    new, taken_back = ResourceState(1, "final", at), ResourceState(1, "entered-in-error", at)
    places = {}
    for index, reading in enumerate(sitting.reading_set.readings):
        state = taken_back if sitting.is_voided or reading.voided else new
        own, pulse, flags = place_names(index)
        places[own] = state
        if reading.pulse_per_min is not None:
            places[pulse] = state
        if reading.device_flags:
            places[flags] = state
    return places


def exists(reading: Reading, letter: str) -> bool:
    """True where a reading has something of this kind to show."""
    return letter == "r" or (reading.pulse_per_min is not None if letter == "p" else bool(reading.device_flags))


def next_state(
    old: ResourceState, before: SittingVersion, after: SittingVersion, letter: str, index: int, at: datetime, *, is_gone: bool
) -> ResourceState:
    """The next state of one resource of a reading, from its old state and the sitting before and after."""
    measured, shown = KINDS[letter]
    same_values = measured(before.reading_set.readings[index]) == measured(after.reading_set.readings[index])
    is_same = same_values and shown(before, index) == shown(after, index)
    status: ObservationStatus = "entered-in-error" if is_gone else status_after(old.status, same_values, is_same)
    return old if is_same and status == old.status else ResourceState(old.version + 1, status, at)


def status_after(status: ObservationStatus, same_values: bool, is_same: bool) -> ObservationStatus:
    """The status of what was final: corrected is for good, and what was in error and stands again is corrected."""
    if not same_values or status in ("corrected", "entered-in-error"):
        return "corrected"
    return status if is_same else "amended"


def next_mean(
    old: MeanState | None,
    shown: SittingVersion | None,
    before: SittingVersion | None,
    after: SittingVersion,
    version: int,
    at: datetime,
    *,
    has_mean: bool,
) -> MeanState | None:
    """The next state of the mean. A mean that was final stays as it was last closed while the sitting is open again."""
    if old is None or shown is None:
        return MeanState(ResourceState(1, first_mean_status(after), at), version) if has_mean else None
    stand = old.stand
    is_settled = stand.status not in ("preliminary", "entered-in-error")
    if not after.is_voided and not after.reading_set.closed and is_settled:
        return old
    if not has_mean:
        gone = ResourceState(stand.version + 1, "entered-in-error", at)
        return old if stand.status == "entered-in-error" else MeanState(gone, old.from_version)
    measured = mean_measured(shown) == mean_measured(after)
    # Where there was no result none was wrong: what comes to be known amends, it does not correct.
    same_values = measured or (shown.evaluation.result is None and after.evaluation.result is not None)
    is_same = measured and mean_shown(shown) == mean_shown(after)
    was_closed = before is not None and before.reading_set.closed
    if is_settled or (was_closed and after.reading_set.closed):
        status = status_after(stand.status, same_values, is_same)
    else:
        status = first_mean_status(after)
    if is_same and status == stand.status:
        return old
    return MeanState(ResourceState(stand.version + 1, status, at), version)


def first_mean_status(sitting: SittingVersion) -> ObservationStatus:
    """Preliminary while more may come, final once the sitting is closed."""
    return "final" if sitting.reading_set.closed else "preliminary"
