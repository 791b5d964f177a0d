"""Rows for one version of a set: the set's current row, the version, and the readings that are new or changed.

With the set's row goes what later sittings remember of it.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from operator import attrgetter
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.application.stored import StoredSet
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Identifier, IntakeNote, ReadingSet, Subject, first_and_last_taken_at
from quietcuff.core.over_visits.history import Remembered, remember
from quietcuff.core.record.recorded import RecordedMean, recorded_mean, recorded_readings
from quietcuff.core.record.resource_states import ResourceStates
from quietcuff.core.record.sitting_version import SittingVersion
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.rows.reading_sets import SetRow
from quietcuff.storage.rows.readings import ReadingRow, rows_of_readings
from quietcuff.storage.rows.versions import VersionRow

ENCODER = msgspec.json.Encoder()
MINUTE = timedelta(minutes=1)
# Means are given to 4 decimals at most. A period is long where it is longer than nearly all are.
SHARES, LONG = 10_000, timedelta(days=1)
# A set's columns for its mean, in the order of the row: its state, then what it shows.
STATE_OF_MEAN = ("mean_version", "mean_status", "mean_from_version", "mean_updated_at")
MEAN_SHOWN = (
    *("mean_taken_from", "mean_taken_to", "systolic", "diastolic", "counted"),
    *("mean_systolic", "mean_diastolic", "hours_24_systolic", "hours_24_diastolic"),
    *("mean_device_id", "mean_cuff", "mean_method", "mean_has_device", "mean_is_long"),
)
NO_MEAN = (None,) * len(STATE_OF_MEAN + MEAN_SHOWN)
CODE = attrgetter("code")
VALUES_OF_MEAN_SHOWN = attrgetter(*MEAN_SHOWN)


class Draft(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The next version of a set before its evaluation. ``codes`` list the changes; ``has_arrived`` is True if readings came in
    now.

    ``is_of_new_person`` is True if nothing is stored of the person, so that no history is looked up. ``source_keys`` belong to
    the new readings, by place. ``notes`` are added to those that the set has.
    """

    reading_set: ReadingSet
    cause: str
    is_of_new_person: bool = False
    codes: list[str] = []
    has_arrived: bool = False
    is_voided: bool = False
    facts_differ: list[str] = []
    source_keys: dict[int, bytes] = {}
    notes: list[IntakeNote] = []
    author: Identifier | None = None
    reason: str | None = None


def first_draft(reading_set: ReadingSet, said: Subject, differ: list[str], *, is_of_new_person: bool) -> Draft:
    """The draft of a new set of a person, as the set and the registry know that person together."""
    of_person = reading_set if said is reading_set.subject else msgspec.structs.replace(reading_set, subject=said)
    return Draft(reading_set=of_person, cause="created", is_of_new_person=is_of_new_person, facts_differ=differ)


class Version(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A version about to be stored: its number, time and sitting, and the states of its Observations."""

    number: int
    at: datetime
    sitting: SittingVersion
    stands: ResourceStates

    @property
    def reading_set(self) -> ReadingSet:
        return self.sitting.reading_set

    @property
    def evaluation(self) -> Evaluation:
        return self.sitting.evaluation


class RowsOfVersion(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The rows of a version: its set's, those of its readings that are new or changed, and its own with the documents."""

    row: SetRow
    readings: list[ReadingRow]
    version: VersionRow


def rows_of_version(
    key: dict[str, Any],
    draft: Draft,
    version: Version,
    before: StoredSet | None,
    own_device_id: UUID | None,
    rulebook: Rulebook,
    actor: str,
) -> RowsOfVersion:
    """The rows of a version that ``actor`` stores, from what was read before anything is written; the same whichever process
    makes them."""
    row = set_row(key, draft, version, None if before is None else before.row, own_device_id, rulebook)
    early = ResourceStates() if before is None else before.stands
    return RowsOfVersion(
        row=row,
        readings=reading_rows(key, version, before, draft.source_keys),
        version=VersionRow(
            *(key["tenant_id"], key["subject_id"], key["set_id"]),
            row.version,
            draft.cause,
            row.status,
            row.touched_at + idle_time(rulebook) if row.closed_at is None else None,
            document=ENCODER.encode(version.sitting.reading_set),
            evaluation=ENCODER.encode(version.sitting.evaluation),
            rules_digest=rulebook.digest,
            changed=" ".join(changed_places(early, version.stands)),
            author=identifier_text(draft.author),
            reason=draft.reason,
            created_by=actor,
            created_at=row.updated_at,
            tells_no_result=True,
        ),
    )


def idle_time(rulebook: Rulebook) -> timedelta:
    """The time without an arrival after which an open set closes."""
    return timedelta(minutes=rulebook.limits.idle_minutes)


def set_row(
    key: dict[str, Any], draft: Draft, version: Version, before: SetRow | None, device_id: UUID | None, rulebook: Rulebook
) -> SetRow:
    """The set's row as of this version."""
    reading_set, evaluation = version.sitting.reading_set, version.sitting.evaluation
    first, last = first_and_last_taken_at(reading_set, version.at)
    # Only a closed set that is not voided leaves something for later sittings to be evaluated with.
    is_over = draft.is_voided or not reading_set.closed
    left = None if is_over else remember(reading_set, evaluation, rulebook)
    # By place, for a call with forty names takes ten times as long.
    return SetRow(
        *(key["tenant_id"], key["subject_id"], key["set_id"]),
        first,
        last,
        offset_minutes(first),
        offset_minutes(last),
        version.at if before is None else before.created_at,
        version.at,
        touched_at(draft, version.at, before),
        closed_at(reading_set, version.at, before),
        version.number,
        "voided" if draft.is_voided else "active",
        evaluation.state,
        reading_set.setting,
        evaluation.protocol.id,
        device_id,
        identifier_text(reading_set.observer),
        identifier_text(reading_set.location),
        identifier_text(reading_set.encounter),
        identifier_text(reading_set.based_on),
        *(*mean_columns(version, before), *words_found(evaluation), None if left is None else left_for_later(left)),
    )


def words_found(evaluation: Evaluation) -> tuple[str | None, str | None]:
    """The labels and the findings as texts in which a search finds each."""
    labels = [f"{one.guideline}:{one.category}" for one in evaluation.categories if one.category is not None]
    return spaced(labels), spaced(list(map(CODE, evaluation.findings)))


def spaced(words: list[str]) -> str | None:
    """Words as one text in which each can be found: a space before and after each, each once; None without any."""
    return f" {' '.join(sorted(set(words)))} " if words else None


def touched_at(draft: Draft, at: datetime, before: SetRow | None) -> datetime:
    """Time of the last arrival, from which the idle time counts. Reopening a set starts it anew."""
    return at if before is None or draft.has_arrived or draft.cause == "reopened" else before.touched_at


def closed_at(reading_set: ReadingSet, at: datetime, before: SetRow | None) -> datetime | None:
    """Time at which the set was closed: now, or earlier. None while it is open."""
    if not reading_set.closed:
        return None
    return before.closed_at if before is not None and before.closed_at is not None else at


def listed_value(mmhg: float) -> int:
    """A reported value as lists show it, rounded half up to whole mmHg. Only survey protocols report fractions."""
    return math.floor(mmhg + 0.5)


def mean_columns(version: Version, before: SetRow | None) -> tuple[Any, ...]:
    """Columns for the mean's state and values. If the mean did not change, its earlier values stay."""
    mean = version.stands.mean
    if mean is None:
        return NO_MEAN
    shown_now = recorded_mean(version.sitting) if mean.from_version == version.number else None
    # The columns are what a search compares with, and must agree with the Observation that a reader still sees.
    shown = VALUES_OF_MEAN_SHOWN(before) if shown_now is None else columns_shown(shown_now, version.evaluation)
    stand = mean.stand
    return (stand.version, stand.status, mean.from_version, stand.updated_at, *shown)


def columns_shown(mean: RecordedMean, evaluation: Evaluation) -> tuple[Any, ...]:
    """Columns for what a mean shows, in the order of ``MEAN_SHOWN``."""
    return (
        mean.taken_from,
        mean.taken_to,
        *value_columns(evaluation),
        None if mean.device_id is None else UUID(mean.device_id),
        mean.cuff,
        mean.method,
        mean.has_device or None,
        mean.taken_to - mean.taken_from > LONG,
    )


def value_columns(evaluation: Evaluation) -> tuple[int | None, ...]:
    """Columns for the values of a result. Without one there are none, so that no search for a value finds it."""
    result, series = evaluation.result, evaluation.series
    if result is None:
        return None, None, len(evaluation.counted), None, None, None, None
    mean = None if series is None else series.hours_24
    return (
        listed_value(result.systolic_mmhg),
        listed_value(result.diastolic_mmhg),
        result.readings_counted,
        round(result.systolic_mmhg * SHARES),
        round(result.diastolic_mmhg * SHARES),
        None if mean is None else round(mean.systolic_mmhg * SHARES),
        None if mean is None else round(mean.diastolic_mmhg * SHARES),
    )


def reading_rows(
    key: dict[str, Any], version: Version, before: StoredSet | None, source_keys: dict[int, bytes]
) -> list[ReadingRow]:
    """Rows of the readings that are new or differ in anything from the version before."""
    places = range(len(version.reading_set.readings))
    moved = places if before is None else [index for index in places if is_new_or_moved(index, before, version)]
    return rows_of_readings(key, recorded_readings(version.sitting, moved), version.stands.places, source_keys)


def is_new_or_moved(index: int, before: StoredSet, version: Version) -> bool:
    early, late = before.newest, version.sitting
    if index >= len(early.reading_set.readings):
        return True
    names = [f"{letter}{index}" for letter in "rpf"]
    return (
        early.reading_set.readings[index] != late.reading_set.readings[index]
        or early.evaluation.readings[index] != late.evaluation.readings[index]
        or early.device_ids[index] != late.device_ids[index]
        or any(before.stands.places.get(name) != version.stands.places.get(name) for name in names)
    )


def changed_places(before: ResourceStates, after: ResourceStates) -> list[str]:
    """Names of the Observations that are new or changed, in the order of export."""
    if before.places:
        places = [name for name, stand in after.places.items() if before.places.get(name) != stand]
    else:
        places = list(after.places)
    return places + (["mean"] if after.mean is not None and after.mean != before.mean else [])


def offset_minutes(moment: datetime) -> int:
    return (moment.utcoffset() or timedelta()) // MINUTE


def identifier_text(identifier: Identifier | None) -> str | None:
    """An identifier as stored: ``system|value``."""
    return None if identifier is None else identifier.text


def left_for_later(left: Remembered) -> bytes | None:
    """The part of a closed set that later sittings remember, as JSON. None if it has neither a result nor a comparison of the
    arms."""
    return ENCODER.encode(left) if left.sitting is not None or left.pairs else None
