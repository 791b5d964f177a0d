"""Last digits against what the device can show."""

from __future__ import annotations

import msgspec
import numpy as np
from scipy import special

from quietcuff.analytics.quality.arrays import Array, counts_by
from quietcuff.analytics.quality.intervals import share_deviation

MOST_OFF_SCALE = 0.2


class LastDigits(msgspec.Struct, frozen=True, kw_only=True):
    """Readings by last digit, 0 to 9, against an equal number on each digit that the scale has."""

    step_mmhg: int
    counts: list[int]
    off_scale: int
    chi_square: float
    degrees: int
    p: float
    cramers_v: float

    @property
    def readings(self) -> int:
        """The readings on the scale."""
        return sum(self.counts[:: self.step_mmhg])

    @property
    def expected_share(self) -> float:
        """What each digit of the scale gets where nobody prefers one."""
        return self.step_mmhg / 10


def last_digit(pressures: Array) -> Array:
    """The last digit of whole pressures: 138 gives 8."""
    return np.rint(pressures).astype(np.int64) % 10


def scale_step(digits: Array, auscultated: Array) -> int:
    """The scale of the readings: 2 mmHg where they were auscultated, or not said, and odd digits are rare; else 1."""
    if len(digits) == 0:
        return 1
    odd = np.count_nonzero(digits & 1) / len(digits)
    by_ear = np.count_nonzero(auscultated == 1) / len(digits)
    by_device = np.count_nonzero(auscultated == 0) / len(digits)
    if by_device > by_ear:
        return 1
    return 2 if odd <= (MOST_OFF_SCALE if by_ear > 0 else 0.02) else 1


def test_digits(counts: Array, step_mmhg: int) -> LastDigits:
    """χ² = Σ(O−E)²/E over the k digits of the scale, E = n/k, k−1 degrees; Cramér's V = √(χ²/(n(k−1)))."""
    on_scale = counts[::step_mmhg].astype(float)
    n, k = float(on_scale.sum()), len(on_scale)
    chi = float(np.sum((on_scale - n / k) ** 2) / (n / k)) if n else 0.0
    return LastDigits(
        step_mmhg=step_mmhg,
        counts=[int(count) for count in counts],
        off_scale=int(counts.sum() - n),
        chi_square=chi,
        degrees=k - 1,
        p=float(special.chdtrc(k - 1, chi)),
        cramers_v=float(np.sqrt(chi / (n * (k - 1)))) if n else 0.0,
    )


def zeros_excess(zeros: Array, sizes: Array, expected: float) -> tuple[float, float]:
    """The share of zeros and the z of its excess, from the zeros and the readings of each sitting, which is one cluster."""
    n = float(sizes.sum())
    share = float(zeros.sum()) / n
    error = max(share_deviation(zeros, sizes), float(np.sqrt(expected * (1 - expected) / n)))
    return share, (share - expected) / error


def rounded_shares(counts: Array, step_mmhg: int) -> tuple[float, float]:
    """The shares that were rounded to tens and to fives, which would give the zeros and fives that stand there.

    With shares r and s: fives = (1−r−s)/10 + s/2 and zeros = (1−r−s)·step/10 + s/2 + r; on a scale of 2 mmHg s is 0.
    """
    n = float(counts.sum())
    if n == 0:
        return 0.0, 0.0
    zeros, fives = counts[0] / n, counts[5] / n
    if step_mmhg == 2:
        return max(0.0, (zeros - 0.2) / 0.8), 0.0
    to_tens = max(0.0, zeros - fives)
    to_fives = max(0.0, (fives - 0.1 + 0.1 * to_tens) / 0.4)
    return to_tens, min(to_fives, 1.0 - to_tens)


def digits_by(digits: Array, groups: Array, size: int) -> Array:
    """Counts of each last digit (columns) in each group (rows)."""
    kept = groups >= 0
    flat = np.where(kept, groups * 10 + digits, -1)
    return counts_by(flat, size * 10).reshape(size, 10)
