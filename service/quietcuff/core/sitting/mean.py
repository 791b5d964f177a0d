"""The mean of the readings that count, their spread, and the whole numbers that are reported.

Sums are of whole hundredths, so every figure is exact: means to four decimals, half to even; reported to whole mmHg, half up.
"""

from __future__ import annotations

from quietcuff.core.model.evaluation import Result
from quietcuff.core.model.fields import hundredths
from quietcuff.core.model.rounding import exact_mean, mean_half_up, sample_deviation
from quietcuff.core.sitting.attempts import Attempt


def estimate(counted: list[Attempt], *, rounds: bool = True) -> Result:
    """The result of the readings that count, in order of time; there is at least one.

    Rounded once, at the mean, halves up: 129.5/79.5 is reported as 130/80; where a protocol does not round, the exact mean is
    reported. The spread is the sample standard deviation, None for one reading: 146 and 144 give 1.4142. A position
    is told where all share it. Source: [DECISION].
    """
    report = mean_half_up if rounds else exact_mean
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
        pulse_per_min=mean_half_up(pulses) if pulses else None,
        readings_counted=len(counted),
        site=counted[0].site,
        position=positions.pop() if len(positions) == 1 else "not-recorded",
        taken_from=counted[0].taken_at,
        taken_to=counted[-1].taken_at,
    )
