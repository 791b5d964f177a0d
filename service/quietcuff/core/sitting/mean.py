"""The mean of the readings that count, their spread, and the whole numbers that are reported.

Sums are of whole hundredths, so every figure is exact: means to four decimals, half to even; reported to whole mmHg, half up.
"""

from __future__ import annotations

import math

from quietcuff.core.model.evaluation import Result
from quietcuff.core.model.fields import hundredths
from quietcuff.core.sitting.attempts import Attempt


def estimate(counted: list[Attempt], *, rounds: bool = True) -> Result:
    """The result of the readings that count, in order of time; there is at least one.

    Rounded once, at the mean, halves up: 129.5/79.5 is reported as 130/80; where a protocol does not round, the exact mean is
    reported. The spread is the sample standard deviation, None for one reading: 146 and 144 give 1.4142. A position
    is told where all share it. Source: [DECISION].
    """
    report = round_half_up if rounds else exact_mean
    positions = {attempt.reading.position for attempt in counted}
    systolic = [attempt.systolic for attempt in counted]
    diastolic = [attempt.diastolic for attempt in counted]
    pulses = [hundredths(a.reading.pulse_per_min) for a in counted if a.reading.pulse_per_min is not None]
    return Result(
        systolic_mmhg=report(systolic),
        diastolic_mmhg=report(diastolic),
        systolic_mean_mmhg=exact_mean(systolic),
        diastolic_mean_mmhg=exact_mean(diastolic),
        systolic_sd_mmhg=sample_deviation(systolic),
        diastolic_sd_mmhg=sample_deviation(diastolic),
        pulse_per_min=round_half_up(pulses) if pulses else None,
        readings_counted=len(counted),
        site=counted[0].site,
        position=positions.pop() if len(positions) == 1 else "not-recorded",
        taken_from=counted[0].taken_at,
        taken_to=counted[-1].taken_at,
    )


def round_half_up(values: list[int]) -> int:
    """The mean of hundredths as a whole number, halves up: [12950] gives 130."""
    return (2 * sum(values) + 100 * len(values)) // (200 * len(values))


def exact_mean(values: list[int]) -> float:
    """The mean of hundredths to four decimals, half to even: [8800, 8600, 8600] gives 86.6667."""
    quotient, rest = divmod(100 * sum(values), len(values))
    doubled = 2 * rest
    if doubled > len(values) or (doubled == len(values) and quotient % 2):
        quotient += 1
    return from_ten_thousandths(quotient)


def sample_deviation(values: list[int]) -> float | None:
    """The sample standard deviation to four decimals, half up; None for fewer than two values."""
    count = len(values)
    if count < 2:
        return None
    scatter = count * sum(value * value for value in values) - sum(values) ** 2
    doubled = math.isqrt(40_000 * scatter // (count * (count - 1)))
    return from_ten_thousandths((doubled + 1) // 2)


def from_ten_thousandths(value: int) -> float:
    """Whole numbers without a point: 1450000 gives 145."""
    whole, rest = divmod(value, 10_000)
    return value / 10_000 if rest else whole
