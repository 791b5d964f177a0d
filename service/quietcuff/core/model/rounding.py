"""Ways of rounding what is answered, each by its name: a caller chooses one, and none is written twice.

Sums of whole hundredths are exact, so that their halves are real halves. Where a value was reckoned in floats, a half is hardly
ever exact; those ways differ only in what they do with one.
"""

from __future__ import annotations

import math

from quietcuff.core.model.fields import whole_number


def mean_half_up(hundredths: list[int]) -> int:
    """The mean of hundredths as a whole number, halves up: [12950] gives 130."""
    return (2 * sum(hundredths) + 100 * len(hundredths)) // (200 * len(hundredths))


def exact_mean(hundredths: list[int]) -> float:
    """The mean of hundredths to four decimals, half to even: [8800, 8600, 8600] gives 86.6667."""
    quotient, rest = divmod(100 * sum(hundredths), len(hundredths))
    doubled = 2 * rest
    if doubled > len(hundredths) or (doubled == len(hundredths) and quotient % 2):
        quotient += 1
    return from_ten_thousandths(quotient)


def sample_deviation(hundredths: list[int]) -> float | None:
    """The sample standard deviation to four decimals, half up; None for fewer than two values."""
    count = len(hundredths)
    if count < 2:
        return None
    scatter = count * sum(value * value for value in hundredths) - sum(hundredths) ** 2
    doubled = math.isqrt(40_000 * scatter // (count * (count - 1)))
    return from_ten_thousandths((doubled + 1) // 2)


def four_decimals_half_even(value: float) -> float:
    """A float to four decimals as Python rounds it, whole numbers without a point."""
    return whole_number(round(value, 4))


def four_decimals_half_up(value: float) -> float:
    """A float to four decimals, halves up, whole numbers without a point: the last bits differ between machines."""
    count = math.floor(value * 10_000 + 0.5)
    return count / 10_000 if count % 10_000 else count // 10_000


def from_ten_thousandths(count: int) -> float:
    """Whole numbers without a point: 1450000 gives 145."""
    return count / 10_000 if count % 10_000 else count // 10_000
