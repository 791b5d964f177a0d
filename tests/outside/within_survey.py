"""What the survey's third readings say of the part of the model that is within a sitting, worked out with arrays.

4,685 adults with three readings of both pressures. Of the variation between visits one sitting shows nothing. Readings fall a
little from the first to the third; the mean fall is taken off, because the model has none.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.stats import norm

from outside import survey
from quietcuff.core.rulebook.variability import WithinSitting

Figures = npt.NDArray[np.float64]
Pressure = Literal["systolic", "diastolic"]
GRID_MMHG = 2
DECILES = 10


@cache
def people() -> pl.DataFrame:
    """Adults with three readings in which sounds never went on to zero."""
    names = [f"{pressure}{order}" for pressure in "sd" for order in (1, 2, 3)]
    return survey.load_adults().drop_nulls(names).filter(pl.min_horizontal("d1", "d2", "d3") >= 1)


def readings(pressure: Pressure) -> Figures:
    """By person, the three readings in mmHg."""
    return people().select(f"{pressure[0]}{order}" for order in (1, 2, 3)).to_numpy().astype(float)


def third_given_first_two(pressure: Pressure, within: WithinSitting) -> tuple[Figures, float]:
    """The mean of each person's third reading that the model gives after the first two, and its standard deviation.

    x₃ is normal around x̄ + ρ·(x₂ - x̄), with variance s²·(1 - ρ²) + (1 - ρ)²·s²·(1 + ρ)/2: what the third adds, and how well two
    readings tell the sitting's level.
    """
    is_systolic = pressure == "systolic"
    sd = within.systolic_sd_mmhg if is_systolic else within.diastolic_sd_mmhg
    rho = within.systolic_autocorrelation if is_systolic else within.diastolic_autocorrelation
    taken = readings(pressure)
    level = taken - taken.mean(axis=0)
    middle = (level[:, 0] + level[:, 1]) / 2
    expected = taken[:, 2].mean() + middle + rho * (level[:, 1] - middle)
    variance = sd**2 * (1 - rho**2) + (1 - rho) ** 2 * sd**2 * (1 + rho) / 2
    return expected, float(np.sqrt(variance))


def shares_in_deciles(pressure: Pressure, within: WithinSitting) -> Figures:
    """The share of third readings in each tenth of their own predicted distribution, in per cent; 10 where the model fits.

    Readings are on an even grid: each is spread over the 2 mmHg that it stands for (Czado, Gneiting and Held 2009).
    """
    expected, sd = third_given_first_two(pressure, within)
    third = readings(pressure)[:, 2]
    low, high = (norm.cdf((third + side * GRID_MMHG / 2 - expected) / sd) for side in (-1, 1))
    width = np.maximum(high - low, np.finfo(float).tiny)
    below = [float(np.clip((edge - low) / width, 0, 1).mean()) for edge in np.linspace(0, 1, DECILES + 1)[1:-1]]
    return 100 * np.diff([0, *below, 1])


def shares_overall(pressure: Pressure, within: WithinSitting) -> Figures:
    """By how many points the share that the model gives to each tenth of all third readings is off the observed share."""
    expected, sd = third_given_first_two(pressure, within)
    third = readings(pressure)[:, 2]
    edges = [np.quantile(third, tenth / DECILES) for tenth in range(1, DECILES)]
    predicted = [float(norm.cdf((edge + GRID_MMHG / 2 - expected) / sd).mean()) for edge in edges]
    observed = [float((third <= edge).mean()) for edge in edges]
    return 100 * (np.diff([0, *predicted, 1]) - np.diff([0, *observed, 1]))


def points_too_high(pressure: Pressure, limit_mmhg: float, within: WithinSitting) -> float:
    """The most, in percentage points, that the predicted chance of a third reading at or above a limit is above the observed
    share, over tenths of people by that chance."""
    expected, sd = third_given_first_two(pressure, within)
    predicted = norm.sf((limit_mmhg - GRID_MMHG / 2 - expected) / sd)
    reached = readings(pressure)[:, 2] >= limit_mmhg
    tenths = np.array_split(np.argsort(predicted, kind="stable"), DECILES)
    return 100 * max(float(predicted[tenth].mean() - reached[tenth].mean()) for tenth in tenths)
