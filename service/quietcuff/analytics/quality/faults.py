"""Shares that are faults: of the whole clinic, or of some observers, by a stated rule."""

from __future__ import annotations

import msgspec
import numpy as np

from quietcuff.analytics.quality.arrays import Array, counts_by
from quietcuff.analytics.quality.charts import shrink
from quietcuff.analytics.quality.intervals import at_least, false_discovery, share_deviation, upper_tail, wilson
from quietcuff.analytics.quality.measures import Share
from quietcuff.analytics.quality.sets import CodedWords, SittingColumns
from quietcuff.analytics.quality.shapes import MIN_ELIGIBLE
from quietcuff.analytics.quality.words import FaultRule, QualitySettings

OBSERVER_MARGIN = 0.05


class FoundFault(msgspec.Struct, frozen=True, kw_only=True):
    """A fault that was called: the codes of the observers (none: the clinic), the share there with its interval, what chance or
    a scale would give, and the sittings that it is of."""

    code: str
    observers: list[int]
    value: float
    low: float
    high: float
    eligible: int
    expected: float | None
    sittings: Array
    threshold: str = ""


def is_called(p: float, share: float, tolerated: float, settings: QualitySettings) -> bool:
    """True where a share of the whole clinic is a fault: above what is tolerated, and by more than chance gives."""
    return share > tolerated and p < settings.clinic_p


def chance_of(share: Share, sittings: SittingColumns, tolerated: float) -> float:
    """The chance of such a share where the tolerated one is true: the larger of the binomial one and of the one that counts the
    sittings of one person as a cluster."""
    n, x = int(np.count_nonzero(share.eligible)), int(np.count_nonzero(share.counted))
    binomial = float(at_least(x, n, tolerated))
    size = int(sittings.person.max(initial=-1)) + 1
    if size < 2:
        return binomial
    sizes = counts_by(sittings.person[share.eligible], size)
    error = max(share_deviation(counts_by(sittings.person[share.counted], size), sizes), 1e-9)
    return max(binomial, float(upper_tail((x / n - tolerated) / error)))


def unwanted(share: Share, rule: FaultRule) -> Share:
    """The part of a share that is the fault."""
    if not rule.wanted:
        return share
    return msgspec.structs.replace(share, counted=share.eligible & ~share.counted)


def share_fault(
    code: str, rule: FaultRule, share: Share, sittings: SittingColumns, settings: QualitySettings
) -> FoundFault | None:
    """The fault in a share, or None.

    The clinic's is called where the chance of such a share, were the tolerated one true, is below ``clinic_p``. An observer's
    is called where the q of that chance is below ``observer_q`` and the shrunken share is 5 points above the tolerated one.
    """
    bad = unwanted(share, rule)
    n = int(np.count_nonzero(bad.eligible))
    if n < MIN_ELIGIBLE:
        return None
    total = int(np.count_nonzero(bad.counted))
    whole = is_called(chance_of(bad, sittings, rule.tolerated), total / n, rule.tolerated, settings)
    called = [] if rule.people else called_observers(bad, sittings.words["observer"], rule.tolerated, settings)
    if not whole and not called:
        return None
    return found_at(code, bad, sittings.words["observer"], called)


def called_observers(bad: Share, observers: CodedWords, tolerated: float, settings: QualitySettings) -> list[int]:
    """The codes of the observers whose own share is a fault."""
    size = len(observers.names)
    sizes = counts_by(observers.codes[bad.eligible], size)
    counts = counts_by(observers.codes[bad.counted], size)
    held = np.flatnonzero(sizes >= MIN_ELIGIBLE)
    if len(held) < 2:
        return []
    q = false_discovery(at_least(counts[held], sizes[held], tolerated))
    drawn = shrink(counts[held], sizes[held])
    return [int(code) for code in held[(q < settings.observer_q) & (drawn > tolerated + OBSERVER_MARGIN)]]


def found_at(code: str, bad: Share, observers: CodedWords, called: list[int]) -> FoundFault:
    """The fault with its figures: of the observers called where they are at most half of all, else of the clinic."""
    measuring = len(np.unique(observers.codes[bad.eligible & (observers.codes >= 0)]))
    named = called if called and 2 * len(called) <= measuring else []
    within = np.isin(observers.codes, named) if named else np.ones(len(bad.eligible), bool)
    n, x = int(np.count_nonzero(bad.eligible & within)), int(np.count_nonzero(bad.counted & within))
    low, high = wilson(x, n)
    return FoundFault(
        code=code,
        observers=named,
        value=x / n,
        low=float(low),
        high=float(high),
        eligible=n,
        expected=None,
        sittings=bad.counted & within,
    )
