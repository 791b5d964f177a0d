"""Figures from shares and numbers, with their intervals, withheld where fewer than ten are eligible."""

from __future__ import annotations

import numpy as np

from quietcuff.analytics.quality.arrays import Array
from quietcuff.analytics.quality.intervals import mean_interval, median_interval, wilson
from quietcuff.analytics.quality.measures import Share
from quietcuff.analytics.quality.shapes import MIN_ELIGIBLE, Expected, Figure, Kind
from quietcuff.analytics.quality.words import FigureRule, percent

DECIMALS = 4


def share_figure(code: str, rule: FigureRule, share: Share, expected: Expected | None = None) -> Figure:
    """A share as a figure."""
    eligible, count = int(np.count_nonzero(share.eligible)), int(np.count_nonzero(share.counted))
    return count_figure(code, rule, count, eligible, share.not_recorded, expected)


def count_figure(
    code: str, rule: FigureRule, count: int, eligible: int, not_recorded: int = 0, expected: Expected | None = None
) -> Figure:
    """So many of so many, with Wilson's interval."""
    withheld = eligible < MIN_ELIGIBLE
    low, high = wilson(count, max(eligible, 1))
    return Figure(
        code=code,
        title=rule.title,
        kind="share",
        unit="1",
        eligible=eligible,
        count=None if withheld else count,
        value=None if withheld else score_of(count, eligible),
        low=None if withheld else round(float(low), DECIMALS),
        high=None if withheld else round(float(high), DECIMALS),
        not_recorded=not_recorded,
        withheld=withheld,
        expected=expected if expected is not None else expected_of(rule),
    )


def score_of(count: int, eligible: int) -> float:
    """The share as it is shown."""
    return round(count / eligible, DECIMALS)


def number_figure(code: str, rule: FigureRule, values: Array, kind: Kind, unit: str, not_recorded: int = 0) -> Figure:
    """The mean with its t interval, or the median with that of its order statistics."""
    known = values[~np.isnan(values)]
    withheld = len(known) < MIN_ELIGIBLE
    middle, low, high = (0.0, 0.0, 0.0) if withheld else (mean_interval if kind == "mean" else median_interval)(known)
    return Figure(
        code=code,
        title=rule.title,
        kind=kind,
        unit=unit,
        eligible=len(known),
        count=None,
        value=None if withheld else round(middle, DECIMALS),
        low=None if withheld else round(low, DECIMALS),
        high=None if withheld else round(high, DECIMALS),
        not_recorded=not_recorded,
        withheld=withheld,
        expected=expected_of(rule),
    )


def expected_of(rule: FigureRule) -> Expected | None:
    """The range of a well-run clinic, as the rules have it."""
    if rule.expected is None:
        return None
    return Expected(low=rule.expected.low, high=rule.expected.high, text=rule.expected.text, source=rule.source)


def expected_near(share: float, rule: FigureRule, most: float | None = None) -> Expected:
    """The range that chance gives, where that is computed and not agreed on; above ``most`` it is called a fault."""
    return Expected(
        low=None, high=None if most is None else round(most, DECIMALS), text=f"about {percent(share)}", source=rule.source
    )
