"""A version of a set as rows, made from what was read before anything is written; the same whichever process makes them."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.application.foreseen import RowsOfVersion
from quietcuff.application.stored import StoredSet
from quietcuff.application.version_rows import Draft, Version, changed_places, reading_rows, set_row
from quietcuff.core.record.resource_states import ResourceStates
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.rows.readings import ReadingRow

ENCODER = msgspec.json.Encoder()
# The first version has one time, that of its storing.
TIMES_OF_SET = ("created_at", "updated_at", "touched_at", "closed_at", "mean_updated_at")
TIMES_OF_READING = ("updated_at", "pulse_updated_at", "flags_updated_at")


def rows_of_version(
    key: dict[str, Any],
    draft: Draft,
    version: Version,
    before: StoredSet | None,
    own_device_id: UUID | None,
    rulebook: Rulebook,
) -> RowsOfVersion:
    """The rows of a version."""
    early = ResourceStates() if before is None else before.stands
    return RowsOfVersion(
        row=set_row(key, draft, version, None if before is None else before.row, own_device_id, rulebook),
        readings=reading_rows(key, version, before, draft.source_keys),
        changed=" ".join(changed_places(early, version.stands)),
        document=ENCODER.encode(version.reading_set),
        evaluation=ENCODER.encode(version.evaluation),
    )


def stamped(made: RowsOfVersion, at: datetime) -> RowsOfVersion:
    """The first version of a set as stored at this time."""
    times = {name: at for name in TIMES_OF_SET if getattr(made.row, name) is not None}
    return msgspec.structs.replace(
        made,
        row=msgspec.structs.replace(made.row, **times),
        readings=[stamped_reading(row, at) for row in made.readings],
    )


def stamped_reading(row: ReadingRow, at: datetime) -> ReadingRow:
    return msgspec.structs.replace(row, **{name: at for name in TIMES_OF_READING if getattr(row, name) is not None})
