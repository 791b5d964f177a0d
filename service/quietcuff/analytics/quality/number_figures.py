"""Figures of the readings themselves: last digits, neighbours, thresholds, intervals."""

from __future__ import annotations

from typing import Literal

import numpy as np

from quietcuff.analytics.quality.arrays import Array
from quietcuff.analytics.quality.density import density_break, displaced, plain_counts, smooth_around
from quietcuff.analytics.quality.digits import test_digits
from quietcuff.analytics.quality.figures import count_figure, expected_near, number_figure
from quietcuff.analytics.quality.number_faults import Numbers, expected_in
from quietcuff.analytics.quality.sets import SittingColumns
from quietcuff.analytics.quality.shapes import MIDDLES, DigitFigures, Figure, HeapFigures
from quietcuff.analytics.quality.words import QualityRules

INTERVAL_BIN_SECONDS, INTERVAL_BINS = 15, 21


def number_figures(sittings: SittingColumns, numbers: Numbers, rules: QualityRules, *, full: bool) -> dict[str, Figure]:
    """Figures by code: readings a sitting, seconds between readings, zeros, identical neighbours."""
    figures, pairs = rules.figures, numbers.pairs
    counts = np.bincount(sittings.readings.sets, minlength=len(sittings)).astype(float)
    seconds = sittings.readings.seconds
    rule = figures["identical-neighbours"]
    expected = None
    if full and len(pairs.sets):
        chance = expected_in(numbers, sittings, numbers.parts[0])
        most = rules.settings.copied_factor * chance + rules.settings.copied_share
        expected = expected_near(chance, rule, most)
    found = {
        **{
            code: number_figure(code, figures[code], values, *MIDDLES[code])
            for code, values in (("readings-a-sitting", counts), ("interval", seconds))
        },
        "identical-neighbours": count_figure(
            "identical-neighbours", rule, int(np.count_nonzero(pairs.identical)), len(pairs.sets), 0, expected
        ),
    }
    for name, digits in numbers.digits.items():
        code = f"zeros-{name}"
        near = expected_near(numbers.step_mmhg / 10, figures[code], most_zeros(numbers, rules))
        found[code] = count_figure(code, figures[code], int(np.count_nonzero(digits == 0)), len(digits), 0, near)
    return found


def most_zeros(numbers: Numbers, rules: QualityRules) -> float:
    """The share of zeros from which on rounding is called."""
    share = numbers.step_mmhg / 10
    return share + rules.settings.rounded_share * (1 - share)


def digit_figures(numbers: Numbers, rules: QualityRules) -> list[DigitFigures]:
    """The last digits of both pressures and their test."""
    found = []
    pressures: tuple[Literal["systolic", "diastolic"], ...] = ("systolic", "diastolic")
    for name in pressures:
        digits = numbers.digits[name]
        if len(digits) < 10:
            continue
        tested = test_digits(np.bincount(digits, minlength=10), numbers.step_mmhg)
        rule = rules.figures[f"zeros-{name}"]
        near = expected_near(tested.expected_share, rule, most_zeros(numbers, rules))
        found.append(
            DigitFigures(
                pressure=name,
                step_mmhg=tested.step_mmhg,
                readings=tested.readings,
                off_scale=tested.off_scale,
                counts=tested.counts,
                expected_share=tested.expected_share,
                chi_square=tested.chi_square,
                degrees=tested.degrees,
                p=tested.p,
                cramers_v=tested.cramers_v,
                zeros=count_figure(f"zeros-{name}", rule, tested.counts[0], tested.readings, tested.off_scale, near),
            )
        )
    return found


def heap_figures(numbers: Numbers, rules: QualityRules) -> list[HeapFigures]:
    """Readings around each threshold of the rules."""
    settings = rules.settings
    pressures: tuple[tuple[Literal["systolic", "diastolic"], list[int]], ...] = (
        ("systolic", settings.thresholds_systolic_mmhg),
        ("diastolic", settings.thresholds_diastolic_mmhg),
    )
    return [
        heap_figure(numbers.values[name], numbers.sets, name, threshold, rules)
        for name, thresholds in pressures
        for threshold in thresholds
    ]


def heap_figure(
    values: Array, sets: Array, name: Literal["systolic", "diastolic"], threshold: int, rules: QualityRules
) -> HeapFigures:
    """One threshold: the plain counts, the jump of the density, and the bins with a smooth curve."""
    below, above, _, _ = plain_counts(values, threshold)
    smooth = smooth_around(values, threshold)
    jump = density_break(values, sets, threshold, smooth)
    rule = rules.figures["share-below"]
    near = None
    if smooth is not None:
        starts, curve = np.array(smooth.from_mmhg), np.array(smooth.expected)
        under = float(curve[(starts >= threshold - 4) & (starts < threshold)].sum())
        over = float(curve[(starts >= threshold) & (starts < threshold + 4)].sum())
        near = expected_near(under / (under + over), rule)
    return HeapFigures(
        pressure=name,
        threshold_mmhg=threshold,
        below=below,
        above=above,
        share_below=count_figure("share-below", rule, below, below + above, 0, near),
        log_ratio=None if jump is None else round(jump.log_ratio, 4),
        low=None if jump is None else round(jump.low, 4),
        high=None if jump is None else round(jump.high, 4),
        p_deficit=None if jump is None else jump.p_deficit,
        bins_from_mmhg=[] if smooth is None else smooth.from_mmhg,
        bins_readings=[] if smooth is None else smooth.readings,
        bins_expected=[] if smooth is None else [round(each, 1) for each in smooth.expected],
        displaced=None if smooth is None else round(displaced(smooth, threshold), 1),
    )


def interval_counts(seconds: Array) -> list[int]:
    """Intervals in bins of 15 seconds, the last of five minutes and more."""
    known = seconds[~np.isnan(seconds)]
    bins = np.clip((known // INTERVAL_BIN_SECONDS).astype(int), 0, INTERVAL_BINS - 1)
    return [int(count) for count in np.bincount(bins, minlength=INTERVAL_BINS)]
