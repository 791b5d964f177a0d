"""What the figures of ``variability.toml`` predict of published studies, each with its own parameters and tolerance named.

Where a study is reproduced with parameters of its own, that shows the arithmetic; what an entry of the rules predicts of it is
told beside that. Nothing here was fitted but what says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import msgspec
import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import norm

from quietcuff.core.certainty.beliefs import Evidence, believe, chance_reached, evidence_of, from_deviations
from quietcuff.core.certainty.mixture import believe_with, chance_of_either
from quietcuff.core.certainty.priors import parts_at
from quietcuff.core.certainty.visits import Circumstances, between_visits, mean_factor, within_sitting
from quietcuff.core.rulebook.variability import Variability
from quietcuff.rules.catalog import load_rulebook

# Bell et al. 2021, Table 2: per cent of people with any of one to five sets at 130 or more, by usual systolic pressure.
BELL = {
    "office": [
        [1.1, 2.2, 3.3, 4.2, 5.2],
        [25.8, 43.4, 55.9, 65.0, 71.7],
        [68.4, 88.8, 95.7, 98.2, 99.3],
        [97.0, 99.8, 100.0, 100.0, 100.0],
    ],
    "ambulatory": [
        [0.8, 1.5, 2.2, 2.9, 3.5],
        [23.9, 40.5, 52.4, 61.2, 67.8],
        [70.0, 89.6, 96.0, 98.4, 99.3],
        [97.8, 99.9, 100.0, 100.0, 100.0],
    ],
    "home": [
        [0.6, 1.2, 1.7, 2.2, 2.8],
        [22.9, 38.9, 50.4, 58.9, 65.4],
        [70.9, 90.0, 96.2, 98.5, 99.4],
        [98.2, 99.9, 100.0, 100.0, 100.0],
    ],
}
USUAL_MEAN, USUAL_SD = 118.8, 17.5
BANDS = [(0, 120), (120, 130), (130, 140), (140, 300)]
Cells = npt.NDArray[np.float64]


@pytest.fixture(scope="module")
def rules() -> Variability:
    return load_rulebook().variability


def cells(set_sd: Callable[[float], float]) -> Cells:
    """The table that a standard deviation of one set's mean, by usual pressure, predicts for N(118.8, 17.5²)."""
    usual = np.arange(40.05, 240, 0.1)
    weight = norm.pdf(usual, USUAL_MEAN, USUAL_SD)
    missed = norm.cdf([(130 - each) / set_sd(each) for each in usual])
    found = []
    for low, high in BANDS:
        band = (usual >= low) & (usual < high)
        shares = [np.average(1 - missed[band] ** count, weights=weight[band]) for count in range(1, 6)]
        found.append(100 * np.array(shares))
    return np.array(found)


def worst(setting: str, set_sd: Callable[[float], float]) -> float:
    return float(np.abs(cells(set_sd) - BELL[setting]).max())


def circumstances(rules: Variability, name: str) -> Circumstances:
    entry = rules.between[name]
    return Circumstances(setting=entry.setting, attendance="attended", site="left-upper-arm", between=name, irregular=False)


def set_sd_by_rules(rules: Variability, name: str, readings: int) -> Callable[[float], float]:
    """The standard deviation of one visit's systolic mean, by usual pressure, as an entry of the rules has it."""
    at = circumstances(rules, name)
    within = within_sitting(readings, at, rules, irregular=False)[0]
    return lambda usual: math.sqrt(between_visits(at, usual, 80, 7, rules)[0] + within)


def test_office_cells_are_reproduced_by_the_published_variation_over_the_root_of_two() -> None:
    """8.6 % / √2 of the usual pressure: within 1.5 points in 20 cells. Of three divisors tried this one was kept: a fit."""
    assert worst("office", lambda usual: 0.086 / math.sqrt(2) * usual) <= 1.5
    assert worst("office", lambda usual: 0.086 * usual) == pytest.approx(10.9, abs=0.1)


def test_ambulatory_cells_are_reproduced_by_the_published_variation(rules: Variability) -> None:
    """5.5 % of the usual pressure, as published and as in the rules: within 1.6 points in 20 cells."""
    assert worst("ambulatory", lambda usual: 0.055 * usual) <= 1.6
    assert worst("ambulatory", set_sd_by_rules(rules, "ambulatory-day", 1)) <= 1.6


def test_office_cells_by_the_entry_for_untreated_people(rules: Variability) -> None:
    """7.5 mmHg between visits and two readings, whatever the level: within 3.7 points, too many found rather than too few."""
    off = cells(set_sd_by_rules(rules, "office-untreated", 2)) - BELL["office"]
    assert np.abs(off).max() <= 3.7
    assert off.mean() > 0


def test_home_cells_are_not_reproduced_by_the_published_variation(rules: Variability) -> None:
    """Not reproduced: 4.2 % is up to 8.9 points off. 5.3 % would fit (1.4 points); the 5.0 % of the rules are 2.3 off."""
    assert worst("home", lambda usual: 0.042 * usual) == pytest.approx(8.9, abs=0.1)
    assert worst("home", lambda usual: 0.053 * usual) <= 1.4
    assert worst("home", set_sd_by_rules(rules, "home-series", 12)) == pytest.approx(2.3, abs=0.1)


def expected_sd_of_few(sd: float, count: int) -> float:
    """The standard deviation that a sample of so many shows on average: less than the true one."""
    return sd * math.sqrt(2 / (count - 1)) * math.gamma(count / 2) / math.gamma((count - 1) / 2)


@pytest.mark.parametrize(("visits", "published", "within"), [(3, 5.6, 1.6), (7, 6.8, 1.0), (18, 7.7, 0.3)])
def test_visit_means_of_a_trial_vary_as_much_as_the_entry_for_untreated_people_says(
    rules: Variability, visits: int, published: float, within: float
) -> None:
    """TROPHY: high-normal, untreated, means of three readings, average standard deviation over 3, 7 and 18 visits. The entry's
    7.5 mmHg with three readings gives 7.1, 7.7 and 7.9: above what was seen, most so over few visits."""
    sd = set_sd_by_rules(rules, "office-untreated", 3)(130)
    predicted = expected_sd_of_few(sd, visits)
    assert published < predicted <= published + within


def test_older_and_treated_people_in_routine_care_vary_more_than_the_entry_says(rules: Variability) -> None:
    """MUNT11: 13.5 mmHg over the first seven visits; POW11: 14 in veterans, single readings. The entry gives 11.3 and 11.7: a
    choice between these and the trial above, so intervals of such people may be too narrow."""
    two, one = (set_sd_by_rules(rules, "office-treated-or-older", count)(140) for count in (2, 1))
    assert expected_sd_of_few(two, 7) == pytest.approx(11.0, abs=0.1)
    assert two == pytest.approx(11.5, abs=0.1) and one == pytest.approx(11.7, abs=0.1)
    assert one < 13.5


def powers_chance(value: float, visits: int) -> float:
    """Powers: single readings with a standard deviation of 14, usual pressures N(141.024, 11.566²), limit 140."""
    known = evidence_of(141.024, 80, from_deviations(11.566, 10, 0))
    belief = believe(known + evidence_of(value, 80, from_deviations(14 / math.sqrt(visits), 10, 0)))
    return chance_reached(belief, (140, math.inf))


@pytest.mark.parametrize(("visits", "low", "high"), [(1, 120, 157), (2, 128.3, 150.2), (5, 133.7, 145.7), (6, 134.4, 145.1)])
def test_the_band_within_which_nobody_is_80_per_cent_sure(visits: int, low: float, high: float) -> None:
    """POW11: from 120 to 157 for one reading. The two parameters of the prior were fitted to these two figures, so only the
    arithmetic is shown: the bands of more readings follow, most of the gain by five or six, as published."""
    assert powers_chance(high, visits) == pytest.approx(0.8, abs=0.002)
    assert powers_chance(low, visits) == pytest.approx(0.2, abs=0.002)


def test_the_same_band_by_the_entries_of_the_rules(rules: Variability) -> None:
    """One reading of a person of 70 years whose visits vary as those of the treated do, with the survey's prior, which
    would not be used for treated people: 137 to 157, against 120 to 157. Those veterans varied more, and more were high."""
    at = circumstances(rules, "office-treated-or-older")
    variance = between_visits(at, 140, 70, 1, rules)[0] + within_sitting(1, at, rules, irregular=False)[0]
    known = tuple(
        msgspec.structs.replace(part, diastolic=80, covariance=(part.covariance[0], 0, 100))
        for part in parts_at(rules.priors["survey-2017-18"], 70)
    )

    def chance(value: float) -> float:
        return chance_of_either(believe_with(known, evidence_of(value, 80, (variance, 0, 100))), (140, math.inf))

    values = np.arange(110, 170, 0.1)
    unsure = [value for value in values if 0.2 < chance(value) < 0.8]
    assert (unsure[0], unsure[-1]) == pytest.approx((136.7, 156.9), abs=0.2)
    assert abs(unsure[0] - 120) <= 17 and abs(unsure[-1] - 157) <= 1


def test_half_of_what_varies_within_a_person_is_between_visits_as_framingham_has_it(rules: Variability) -> None:
    """SHEP81: two readings at each of two visits are as reliable as six in one visit, which puts 41 % of the variance within a
    person between visits (diastolic, men). The entry has 54 % for one reading; with readings alike, more readings help less."""
    at = circumstances(rules, "office-untreated")
    between = between_visits(at, 130, 80, 1, rules)[2]
    one = within_sitting(1, at, rules, irregular=False)[2]
    assert between / (between + one) == pytest.approx(0.54, abs=0.01)
    assert mean_factor(6, rules.within.diastolic_autocorrelation) > 1 / 6


def test_without_a_visit_the_chance_is_the_share_of_people_who_usually_are_there(rules: Variability) -> None:
    """140/90 at 50 years: an eighth of what was measured there is due to visits that vary."""
    parts = parts_at(rules.priors["survey-2017-18"], 50)
    assert sum(part.share for part in parts) == pytest.approx(1)
    reached = chance_of_either(
        tuple((part.share, believe(evidence_of(part.systolic, part.diastolic, part.covariance))) for part in parts), (140, 90)
    )
    assert reached == pytest.approx(0.15, abs=0.03)
    assert Evidence().precision == (0, 0, 0)
