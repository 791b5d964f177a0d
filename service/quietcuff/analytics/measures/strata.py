"""Shares by age and administrative sex, small parts withheld so that nobody can take them from what is shown."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import msgspec
import numpy as np

from quietcuff.analytics.quality.figures import share_figure
from quietcuff.analytics.quality.measures import Share
from quietcuff.analytics.quality.report import as_of_day, choose, pairs_of, shares_of
from quietcuff.analytics.quality.sets import CodedWords, SittingColumns, sittings_from_tables
from quietcuff.analytics.quality.shapes import MIN_ELIGIBLE, Figure, Filters
from quietcuff.analytics.quality.words import QualityRules
from quietcuff.analytics.tables.schema import SETS
from quietcuff.core.rulebook.rulebook import Rulebook

STRATIFIERS = ("age_band", "sex")


class Counted(msgspec.Struct, frozen=True, kw_only=True):
    """The eligible, those of them who count, and those of whom it was not recorded."""

    eligible: int
    counted: int
    missing: int


class Stratum(msgspec.Struct, frozen=True, kw_only=True):
    """One part of a share: its word, None where none was recorded, and its numbers, None where they are withheld."""

    word: str | None
    numbers: Counted | None


Parts = Mapping[str | None, Counted]


def figure_by_part(
    sets: Any, readings: Any, code: str, filters: Filters, rules: QualityRules, rulebook: Rulebook
) -> tuple[Figure, dict[str, list[Stratum]]]:
    """One share of the report with the same filters, and its parts by age and sex."""
    sittings = choose(sittings_from_tables(sets, readings, until=filters.until), filters)
    share = shares_of(sittings, pairs_of(sittings), as_of_day(sittings, filters), rules, rulebook)[code]
    return share_figure(code, rules.figures[code], share), strata_of(share, sittings)


def strata_of(share: Share, sittings: SittingColumns) -> dict[str, list[Stratum]]:
    """The parts of a share by each stratifier, nobody's left out; none where the share itself is withheld."""
    if np.count_nonzero(share.eligible) < MIN_ELIGIBLE:
        return {name: [] for name in STRATIFIERS}
    return {name: parts_of(share, sittings.words[name], SETS.named(name).words) for name in STRATIFIERS}


def parts_of(share: Share, column: CodedWords, words: Iterable[str]) -> list[Stratum]:
    """The parts by the words of a column, in their order, and last of whom none was recorded."""
    found: dict[str | None, Counted] = {word: counted(share.among(column.are(word))) for word in words}
    found[None] = counted(share.among(column.codes < 0))
    held = {word: numbers for word, numbers in found.items() if numbers.eligible + numbers.missing}
    hidden = withheld(held)
    return [Stratum(word=word, numbers=None if word in hidden else numbers) for word, numbers in held.items()]


def counted(share: Share) -> Counted:
    """The numbers of a share."""
    eligible, count = (int(np.count_nonzero(mask)) for mask in (share.eligible, share.counted))
    return Counted(eligible=eligible, counted=count, missing=share.not_recorded)


def withheld(parts: Parts) -> set[str | None]:
    """The parts to withhold: those of fewer than ten eligible and, the smallest first, as many more as it takes.

    The whole less what is shown is known to everybody. So what is withheld must together be of ten or more, and neither
    nobody nor everybody of it may count, for then each part of it would be known.
    """
    hidden = {word for word, numbers in parts.items() if numbers.eligible < MIN_ELIGIBLE}
    while hidden and len(hidden) < len(parts) and gives_away(parts[word] for word in hidden):
        hidden.add(min((word for word in parts if word not in hidden), key=lambda word: parts[word].eligible))
    return hidden


def gives_away(hidden: Iterable[Counted]) -> bool:
    """True where the sum of some parts tells what a few of them are."""
    some = list(hidden)
    eligible, count = sum(one.eligible for one in some), sum(one.counted for one in some)
    return eligible < MIN_ELIGIBLE or count in (0, eligible)
