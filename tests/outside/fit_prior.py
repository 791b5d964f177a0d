"""The prior of ``variability.toml``, fitted to the survey: two normal parts that change smoothly with age.

    cd tests; python -m outside.fit_prior [--bootstrap 40]

Usual pressures are not seen: each person has one visit, the mean of the second and third reading, which varies around the usual
pressure by what the rules say of visits at that age and of two readings. That is taken off while fitting, by expectation
maximisation with every person's own measuring variance (Bovy, Hogg and Roweis 2011, "extreme deconvolution"). The systolic
pressure is a mixture of two normal distributions; the diastolic one lies around a line on it. Shares, middles, line and spread
are straight lines in age between the ages of ``AGES``. The bootstrap draws people again, with replacement.

How much steeper the line is in the young is held at half of what the survey alone would have (0.1 a decade): with all of it a
birthday would move a chance by up to 0.03 where pulse pressures are very wide. The ages and that share were chosen for it, by
looking at the checks that are printed.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from outside.within_survey import people, readings
from quietcuff.core.certainty.visits import Circumstances, between_visits, share_older, within_sitting
from quietcuff.core.rulebook.variability import Variability
from quietcuff.rules.catalog import load_rulebook

Figures = npt.NDArray[np.float64]

LINE_AT_MMHG = 125.0
STEEPER_PER_DECADE = 0.05
SLOPE_AT_YEARS = 50
AGES: dict[str, list[int]] = {
    "higher_log_odds": [25, 57, 80],
    "systolic": [18, 80],
    "diastolic_mmhg": [18, 50, 80],
    "diastolic_variance": [50, 80],
    "diastolic_per_systolic": [18, 80],
}
GROUPS = {"18-39": (18, 39), "40-59": (40, 59), "60-up": (60, 200)}
ENOUGH = 2e-4
MOST_ROUNDS = 400


@dataclass
class Fit:
    """The figures that are fitted, each by the ages of ``AGES``."""

    higher_log_odds: Figures
    systolic: Figures
    variance: Figures
    diastolic: Figures
    slope: float
    diastolic_variance: Figures
    likelihood: float = 0.0

    def slope_at(self, age: Figures) -> Figures:
        return self.slope + STEEPER_PER_DECADE * (SLOPE_AT_YEARS - np.clip(age, 18, 80)) / 10

    def parts(self, age: Figures) -> tuple[Figures, Figures, Figures]:
        """By person and part: shares, means of both pressures, and covariances."""
        higher = 1 / (1 + np.exp(-hats(age, "higher_log_odds") @ self.higher_log_odds))
        slope, count = self.slope_at(age), len(age)
        middle = hats(age, "systolic") @ self.systolic.T
        line = (hats(age, "diastolic_mmhg") @ self.diastolic)[:, None] + slope[:, None] * (middle - LINE_AT_MMHG)
        spread = np.empty((count, 2, 2, 2))
        spread[:, :, 0, 0] = self.variance
        spread[:, :, 0, 1] = spread[:, :, 1, 0] = slope[:, None] * self.variance
        beside = hats(age, "diastolic_variance") @ self.diastolic_variance
        spread[:, :, 1, 1] = slope[:, None] ** 2 * self.variance + beside[:, None]
        return np.stack([1 - higher, higher], 1), np.stack([middle, line], 2), spread


def hats(age: Figures, name: str) -> Figures:
    """How much each of the ages of a figure counts at an age: two neighbours share, evenly in between."""
    ages = AGES[name]
    return np.stack([np.interp(age, ages, row) for row in np.eye(len(ages))], -1)


def ages_of_people() -> Figures:
    return people()["age"].to_numpy().astype(float)


def means_of_people() -> Figures:
    """By person, the mean of the second and third reading, systolic and diastolic."""
    return np.stack([readings(pressure)[:, 1:].mean(axis=1) for pressure in ("systolic", "diastolic")], 1)


def measuring(age: Figures, rules: Variability) -> Figures:
    """By person, the covariance of one visit of two readings around the usual pressure, as the rules have it for untreated
    people of that age: the survey does not tell who was treated."""
    by_age = {}
    for years in np.unique(age):
        at = Circumstances(
            setting="office",
            attendance="attended",
            site="not-recorded",
            between="office-untreated",
            irregular=False,
            towards="office-treated-or-older",
            towards_share=share_older(int(years), rules),
        )
        parts = between_visits(at, 0, 0, 1, rules), within_sitting(2, at, rules, irregular=False)
        systolic, both, diastolic = (a + b for a, b in zip(*parts, strict=True))
        by_age[years] = np.array([[systolic, both], [both, diastolic]])
    return np.stack([by_age[years] for years in age])


def fit(seen: Figures, age: Figures, spread: Figures) -> Fit:
    """The figures under which what was seen is likeliest, by expectation maximisation."""
    shape = {name: hats(age, name) for name in AGES}
    start = np.linalg.lstsq(shape["systolic"], seen[:, 0], rcond=None)[0]
    now = Fit(
        higher_log_odds=np.full(3, -0.5),
        systolic=np.stack([start - 4, start + 14]),
        variance=np.array([60.0, 250.0]),
        diastolic=np.full(3, 70.0),
        slope=0.5,
        diastolic_variance=np.full(2, 50.0),
    )
    for _ in range(MOST_ROUNDS):
        owned, usual, left, likelihood = expect(now, seen, age, spread)
        if abs(likelihood - now.likelihood) < ENOUGH:
            break
        now = maximise(now, owned, usual, left, age, shape)
        now.likelihood = likelihood
    return now


def expect(now: Fit, seen: Figures, age: Figures, spread: Figures) -> tuple[Figures, Figures, Figures, float]:
    """By person and part: the chance to be of it, and the mean and covariance of the usual pressure if so."""
    shares, middles, within = now.parts(age)
    total = within + spread[:, None]
    inverse = np.linalg.inv(total)
    off = seen[:, None] - middles
    far = np.einsum("nki,nkij,nkj->nk", off, inverse, off)
    logs = np.log(shares) - far / 2 - np.log(np.linalg.det(total)) / 2 - np.log(2 * np.pi)
    most = logs.max(axis=1, keepdims=True)
    dense = np.exp(logs - most)
    whole = dense.sum(axis=1, keepdims=True)
    gain = within @ inverse
    usual = middles + np.einsum("nkij,nkj->nki", gain, off)
    return dense / whole, usual, within - gain @ within, float((most + np.log(whole)).sum())


def maximise(now: Fit, owned: Figures, usual: Figures, left: Figures, age: Figures, shape: dict[str, Figures]) -> Fit:
    """The figures that fit best to what is expected of usual pressures."""
    ages, middles, variance = shape["systolic"], [], []
    for part in range(2):
        weighed = ages.T * owned[:, part]
        middle = np.linalg.solve(weighed @ ages, weighed @ usual[:, part, 0])
        off = usual[:, part, 0] - ages @ middle
        middles.append(middle)
        variance.append(owned[:, part] @ (off * off + left[:, part, 0, 0]) / owned[:, part].sum())
    diastolic, slope, beside = fit_line(now, owned, usual, left, age, shape)
    odds, ages = now.higher_log_odds, shape["higher_log_odds"]
    for _ in range(2):
        higher = 1 / (1 + np.exp(-ages @ odds))
        odds = odds + np.linalg.solve((ages.T * (higher * (1 - higher))) @ ages, ages.T @ (owned[:, 1] - higher))
    return Fit(odds, np.stack(middles), np.array(variance), diastolic, slope, beside)


def fit_line(
    now: Fit, owned: Figures, usual: Figures, left: Figures, age: Figures, shape: dict[str, Figures]
) -> tuple[Figures, float, Figures]:
    """The line of the diastolic pressure on the systolic one, and the variance around it: weighted least squares."""
    ages, wide = shape["diastolic_mmhg"], shape["diastolic_variance"]
    weight = 1 / (wide @ now.diastolic_variance)
    given = STEEPER_PER_DECADE * (SLOPE_AT_YEARS - np.clip(age, 18, 80)) / 10
    away = usual[:, :, 0] - LINE_AT_MMHG
    s = (owned * away).sum(1)
    ss = (owned * (away * away + left[:, :, 0, 0])).sum(1)
    d = (owned * usual[:, :, 1]).sum(1)
    sd = (owned * (away * usual[:, :, 1] + left[:, :, 0, 1])).sum(1)
    dd = (owned * (usual[:, :, 1] ** 2 + left[:, :, 1, 1])).sum(1)
    crossed = ages.T @ (s * weight)
    left_side = np.block([[(ages.T * weight) @ ages, crossed[:, None]], [crossed[None], (ss * weight).sum()[None, None]]])
    right_side = np.append(ages.T @ ((d - given * s) * weight), ((sd - given * ss) * weight).sum())
    *line, slope = np.linalg.solve(left_side, right_side)
    level, steep = ages @ np.array(line), slope + given
    squares = dd - 2 * level * d - 2 * steep * sd + level**2 + 2 * level * steep * s + steep**2 * ss
    beside = np.linalg.solve((wide.T * weight**2) @ wide, wide.T @ (squares * weight**2))
    return np.array(line), float(slope), beside


def share_reached(parts: tuple[Figures, Figures, Figures], spread: Figures, limit: float, axis: int = 0) -> float:
    """The share of visits at or above a limit that parts predict, for people of some ages."""
    shares, middles, within = parts
    sd = np.sqrt(within[:, :, axis, axis] + spread[:, None, axis, axis])
    return float((shares * norm.sf((limit - middles[:, :, axis]) / sd)).sum(1).mean())


def chance_of_high(parts: tuple[Figures, Figures, Figures], spread: Figures, measured: float, limit: float = 140) -> Figures:
    """By person, the chance that the usual systolic is at or above a limit where one visit measured that systolic."""
    shares, middles, within = parts
    prior, error = within[:, :, 0, 0], spread[:, None, 0, 0]
    owned = shares * norm.pdf((measured - middles[:, :, 0]) / np.sqrt(prior + error)) / np.sqrt(prior + error)
    middle = middles[:, :, 0] + prior / (prior + error) * (measured - middles[:, :, 0])
    sd = np.sqrt(prior * error / (prior + error))
    result: Figures = (owned * norm.sf((limit - middle) / sd)).sum(1) / owned.sum(1)
    return result


def figures_of(found: Fit) -> dict[str, Figures]:
    """The figures as the rules hold them."""
    slope = found.slope_at(np.array(AGES["diastolic_per_systolic"], float))
    return {
        "higher_log_odds": found.higher_log_odds,
        "lower_systolic_mmhg": found.systolic[0],
        "lower_systolic_sd_mmhg": np.sqrt(found.variance[:1]),
        "higher_systolic_mmhg": found.systolic[1],
        "higher_systolic_sd_mmhg": np.sqrt(found.variance[1:]),
        "diastolic_mmhg": found.diastolic,
        "diastolic_per_systolic": slope,
        "diastolic_variance": found.diastolic_variance,
    }


def bootstrap(seen: Figures, age: Figures, spread: Figures, times: int) -> list[Fit]:
    """Fits to people drawn again."""
    rng = np.random.default_rng(20260504)
    drawn = (rng.integers(0, len(age), len(age)) for _ in range(times))
    return [fit(seen[who], age[who], spread[who]) for who in drawn]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bootstrap", type=int, default=40)
    options = parser.parse_args()
    seen, age = means_of_people(), ages_of_people()
    spread = measuring(age, load_rulebook().variability)
    found = fit(seen, age, spread)
    again = bootstrap(seen, age, spread, options.bootstrap)
    print(f"{len(age)} people, log likelihood {found.likelihood:.1f}")
    for name, values in figures_of(found).items():
        ends = np.percentile([figures_of(each)[name] for each in again], [2.5, 97.5], axis=0)
        for place, value in enumerate(values):
            print(f"{name}[{place}]: {value:.3f} ({ends[0][place]:.3f} to {ends[1][place]:.3f})")
    for group, (low, high) in GROUPS.items():
        who = (age >= low) & (age <= high)
        for limit in (120, 130, 140, 150, 160):
            share, count = float((seen[who, 0] >= limit).mean()), int(who.sum())
            wide = 1.96 * np.sqrt(share * (1 - share) / count)
            told = share_reached(found.parts(age[who]), spread[who], limit)
            seen_between = f"{100 * share:.2f} ({100 * (share - wide):.2f} to {100 * (share + wide):.2f})"
            print(f"{group} >= {limit}: seen {seen_between}, told {100 * told:.2f}")
        for measured in (140, 150, 160):
            chance = chance_of_high(found.parts(age[who]), spread[who], measured)
            chances = [chance_of_high(each.parts(age[who]), spread[who], measured).mean() for each in again]
            ends = np.percentile(chances, [2.5, 97.5])
            by_age = f"by age {chance.min():.2f} to {chance.max():.2f}"
            print(f"{group} {measured}: {chance.mean():.2f} ({ends[0]:.2f} to {ends[1]:.2f}), {by_age}")


if __name__ == "__main__":
    main()
