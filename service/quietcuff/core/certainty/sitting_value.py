"""The value of a sitting for its certainty: free of the choices that depend on the values.

A rule that keeps or drops a reading for its value shifts the mean, so it is not always the reported one. The number of readings
and the rule stay with it, so that later sittings can weigh it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol as Shape
from typing import TypeVar

import msgspec

from quietcuff.core.model.evaluation import PartMean
from quietcuff.core.rulebook.rulebook import Protocol
from quietcuff.core.rulebook.variability import WithinSitting
from quietcuff.core.sitting.arms import OTHER, OnArm

DAYTIME = "daytime"


class Pressures(Shape):
    """A reading's pressures in hundredths of mmHg."""

    @property
    def systolic(self) -> int: ...
    @property
    def diastolic(self) -> int: ...


T = TypeVar("T", bound=Pressures)
A = TypeVar("A", bound=OnArm)


class SittingValue(msgspec.Struct, frozen=True, gc=False):
    """The mean of ``readings`` readings, in mmHg, and the rule that chose them."""

    systolic_mmhg: float
    diastolic_mmhg: float
    readings: int
    rule: str


def value_sitting(
    protocol: Protocol,
    arm: Sequence[T],
    counted: Sequence[T],
    within: WithinSitting,
    *,
    chooser: T | None,
    first_dropped: bool,
) -> SittingValue:
    """The value of a sitting.

    ``arm`` are the valid readings of the result arm in order of time, ``counted`` those that count. The reading that made this
    arm the higher one is left out wherever another is left. A first reading dropped for its value stays out (a correction
    follows). Where readings were asked for because two differed, or the lower of two is recorded, all that were compared count:
    150/90 then 136/84, the lower recorded, gives 143/87 of two; 130 then 144, so one more, 138, gives 136.65 of three.
    Source: [DECISION].
    """
    if first_dropped:
        used, rule = arm[1:], "first-dropped"
    elif asked_for_more(protocol, arm):
        used, rule = arm, "all-compared"
    elif protocol.counts == "lower-of-last-two":
        used, rule = (counted, "all") if len(counted) > 1 else (arm[-2:], "both-compared")
    else:
        used, rule = counted, protocol.counts
    # The arm was chosen because this reading was the higher one; counting it would keep that choice in the mean.
    kept = [reading for reading in used if reading is not chooser] or list(used)
    if rule != "all-compared":
        count, systolic, diastolic = len(kept), 0, 0
        for reading in kept:
            systolic += reading.systolic
            diastolic += reading.diastolic
        return SittingValue(systolic / (100 * count), diastolic / (100 * count), count, rule)
    return SittingValue(
        systolic_mmhg=centre([reading.systolic for reading in kept], within.systolic_autocorrelation),
        diastolic_mmhg=centre([reading.diastolic for reading in kept], within.diastolic_autocorrelation),
        readings=len(kept),
        rule=rule,
    )


def centre(values: list[int], autocorrelation: float) -> float:
    """The mean in mmHg of readings in hundredths; inner readings weigh less, because neighbours are alike.

    This mean is independent of the differences between readings, so that taking more readings because of them shifts nothing:
    130, 144 and 138 at 0.28 give (130 + 0.72·144 + 138)/2.72 = 136.65. Without autocorrelation it is the plain mean.
    """
    inner = 1 - autocorrelation
    between = values[1:-1]
    total = sum(values) - autocorrelation * sum(between)
    return total / (100 * (len(values) - len(between) + inner * len(between)))


def value_daytime(mean: PartMean) -> SittingValue:
    """The value of an ambulatory recording: the mean of its day, whose variation between recordings is published."""
    return SittingValue(
        systolic_mmhg=mean.systolic_mean_mmhg,
        diastolic_mmhg=mean.diastolic_mean_mmhg,
        readings=mean.readings,
        rule=DAYTIME,
    )


def asked_for_more(protocol: Protocol, arm: Sequence[Pressures]) -> bool:
    """True where more readings than planned were taken and two neighbours among the planned ones differed."""
    if len(arm) <= protocol.planned or protocol.extra.kind in ("none", "stable-pair"):
        return False
    extra, planned = protocol.extra, arm[: protocol.planned]
    limit = 100 * extra.mmhg
    return any(
        max(abs(one.systolic - other.systolic), abs(one.diastolic - other.diastolic)) > limit
        for one, other in zip(planned, planned[1:], strict=False)
    )


def arm_chooser(valid: Sequence[A], site: str) -> A | None:
    """The reading at a site that belongs to the sitting's first pair, so that it helped to choose the arm; None without a pair.

    ``valid`` are the valid readings in order of time.
    """
    one: A | None = None
    for other in valid:
        if other.site not in OTHER:
            continue
        if one is not None and one.site != other.site:
            return one if one.site == site else other
        one = other
    return None
