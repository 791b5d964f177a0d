"""A block: sets of about as many readings, as rectangles with a row a place in the sitting and a column a set."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.codes import Array, any_of
from quietcuff.analytics.columns.columns import BatchColumns, ReadingColumns, SetColumns


@dataclass(frozen=True, slots=True)
class SetBlock:
    """Some sets of a batch. ``live`` are readings that are there and not voided; what is not there looks voided.

    ``places`` are the sets' rows in the batch, ``flat`` the readings' places in it.
    """

    places: Array
    facts: SetColumns
    measured: ReadingColumns
    flat: Array
    there: Array
    live: Array
    day: Array
    any_live: Array

    @property
    def most(self) -> int:
        """How many places there are."""
        return int(self.live.shape[0])

    @property
    def size(self) -> int:
        """How many sets there are."""
        return int(self.live.shape[1])


def cut(columns: BatchColumns, places: Array, most: int) -> SetBlock:
    """The sets at some rows, each with one reading to ``most``. The day is the local one of the first reading."""
    facts = columns.facts.take(places)
    row = np.arange(most, dtype=np.int64)[:, None]
    there = row < facts.counts[None, :]
    flat = facts.first[None, :] + np.minimum(row, facts.counts[None, :] - 1)
    measured = columns.measured.take(flat)
    live = there & ~measured.voided
    first = np.argmax(live, axis=0)
    day = measured.day[first, np.arange(live.shape[1])]
    return SetBlock(
        places=places,
        facts=facts,
        measured=measured,
        flat=flat,
        there=there,
        live=live,
        day=day.astype("datetime64[D]"),
        any_live=any_of(live),
    )


def last_place(mask: Array) -> Array:
    """The last place that holds, -1 where none does."""
    last = np.full(mask.shape[1], -1, dtype=np.int64)
    for place in range(mask.shape[0]):
        last[mask[place]] = place
    return last


def at_place(values: Array, place: Array) -> Array:
    """The value of each set at its own place; whatever stands first where the place is none."""
    return values[np.maximum(place, 0), np.arange(values.shape[1])]
