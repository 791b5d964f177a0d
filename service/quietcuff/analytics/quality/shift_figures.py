"""Figures of how far off the clinic's mean is expected to be, and of the labels that this moves."""

from __future__ import annotations

import numpy as np

from quietcuff.analytics.quality.arrays import MOST_SIMULATED, some_of
from quietcuff.analytics.quality.measures import Share
from quietcuff.analytics.quality.number_faults import SEED
from quietcuff.analytics.quality.sets import SittingColumns, in_office, values_of
from quietcuff.analytics.quality.shapes import MIN_ELIGIBLE, Range, ShiftCondition, ShiftFigures
from quietcuff.analytics.quality.shift import DRAWS, Drawn, draw_effects, labels_moved, mean_shift
from quietcuff.analytics.quality.words import QualityRules
from quietcuff.core.rulebook.rulebook import Guideline, Rulebook


def shift_figures(
    sittings: SittingColumns, shares: dict[str, Share], rulebook: Rulebook, guideline: Guideline, rules: QualityRules
) -> ShiftFigures | None:
    """Conditions recorded, with the published effects: the shift of the mean and the labels moved; None without any result.

    Effects of several conditions in one sitting are added up, which is the project's decision: no source says how they combine.
    """
    values = values_of(sittings)
    # The table of the office: at home the same label begins at a lower pressure.
    held = ~np.isnan(values[0] + values[1]) & in_office(sittings)
    if np.count_nonzero(held) < MIN_ELIGIBLE:
        return None
    codes = [
        code
        for code, effect in rulebook.effects.items()
        if code in shares and (effect.systolic_mmhg or effect.diastolic_mmhg) and (shares[code].counted & held).any()
    ]
    effects = [rulebook.effects[code] for code in codes]
    amounts = draw_effects(effects, DRAWS, SEED)
    places, weight = some_of(np.flatnonzero(held), MOST_SIMULATED // 2, SEED)
    patterns = np.stack([shares[code].counted[places] for code in codes], axis=1) if codes else np.zeros((len(places), 0), bool)
    moved = labels_moved(guideline, (values[0][places], values[1][places]), patterns, amounts, weight)
    counts = np.array([np.count_nonzero(shares[code].counted & held) for code in codes], float)
    systolic, diastolic = mean_shift(counts / np.count_nonzero(held), amounts)
    return ShiftFigures(
        sittings=int(np.count_nonzero(held)),
        systolic_mmhg=as_range(systolic),
        diastolic_mmhg=as_range(diastolic),
        labels_too_high=as_range(moved.too_high),
        labels_too_low=as_range(moved.too_low),
        conditions=[
            ShiftCondition(
                code=code,
                title=rules.figures[code].title if code in rules.figures else code.replace("-", " "),
                sittings=int(count),
                systolic_mmhg=effect.systolic_mmhg,
                diastolic_mmhg=effect.diastolic_mmhg,
                source=effect.source,
            )
            for code, count, effect in zip(codes, counts, effects, strict=True)
        ],
    )


def as_range(drawn: Drawn) -> Range:
    """A drawn figure, rounded for people."""
    return Range(mean=round(drawn.mean, 2), low=round(drawn.low, 2), high=round(drawn.high, 2))
