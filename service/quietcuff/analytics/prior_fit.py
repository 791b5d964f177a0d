"""Fit of a prior to a tenant's own history: the spread of usual office pressures and the variation between visits.

Expectation maximisation with each person's own measurement variance, as in the fit of the survey's prior (Bovy, Hogg and Roweis
2011, "extreme deconvolution"), but without age. Numeric libraries are loaded when a fit is made.
"""

from __future__ import annotations

from math import erfc, sqrt
from typing import Any

import msgspec

from quietcuff.core.certainty.beliefs import Matrix, added, scaled
from quietcuff.core.model.history import ReferencePart, ReferencePrior, VisitSpread
from quietcuff.core.rulebook.variability import TenantFit

Figures = Any

LIMITS_MMHG = (130, 140, 150, 160)
ROUNDS = 400
LEAST_VARIANCE = 1.0
MOST_CORRELATION = 0.9


class OwnVisits(msgspec.Struct, frozen=True, kw_only=True):
    """One person's visits: the value of each in mmHg, and the variance that its readings leave (mmHg²)."""

    values: list[tuple[float, float]]
    within: list[Matrix]


class ShareReached(msgspec.Struct, frozen=True, kw_only=True):
    """Share of people whose mean systolic pressure is at or above a limit: as seen, and by the fit."""

    limit_mmhg: int
    seen: float
    fitted: float


class OwnFit(msgspec.Struct, frozen=True, kw_only=True):
    """A fit with its basis and its checks. ``visits_fitted`` is False if too few people came twice."""

    people: int
    visits: int
    people_with_two_visits: int
    visits_fitted: bool
    prior: ReferencePrior
    checks: list[ShareReached]


def fit_prior(people: list[OwnVisits], between: Matrix, rules: TenantFit, *, includes_treated: bool) -> OwnFit:
    """Fit the spread of usual pressures and, if enough people came twice, the variation between visits. Otherwise ``between``
    is used for that variation."""
    import numpy as np

    # Only people with two visits or more say how visits vary.
    again = [person for person in people if len(person.values) > 1]
    visits_fitted = len(again) >= rules.least_people_with_two_visits
    if visits_fitted:
        between = vary_between(again)
    seen = np.array([np.mean(person.values, axis=0) for person in people])
    spread = np.array([full(error_of(person, between)) for person in people])
    parts = parts_of(seen, spread, rules)
    shares = [
        ShareReached(
            limit_mmhg=limit,
            seen=float((seen[:, 0] >= limit).mean()),
            fitted=float(np.mean([share_above(parts, limit, each[0, 0]) for each in spread])),
        )
        for limit in LIMITS_MMHG
    ]
    return OwnFit(
        people=len(people),
        visits=sum(len(person.values) for person in people),
        people_with_two_visits=len(again),
        visits_fitted=visits_fitted,
        prior=reference(parts, between if visits_fitted else None, includes_treated=includes_treated),
        checks=shares,
    )


def vary_between(again: list[OwnVisits]) -> Matrix:
    """Covariance of visits around a person's mean, without the part that readings explain."""
    import numpy as np

    total, freedom = np.zeros((2, 2)), 0
    for person in again:
        values = np.array(person.values)
        away = values - values.mean(axis=0)
        total += away.T @ away
        # One degree of freedom a person is used up by the mean.
        freedom += len(values) - 1
    within = np.mean([full(each) for person in again for each in person.within], axis=0)
    found = keep_positive(total / freedom - within)
    return float(found[0, 0]), float(found[0, 1]), float(found[1, 1])


def error_of(person: OwnVisits, between: Matrix) -> Matrix:
    """Covariance of a person's mean around the usual pressure."""
    count = len(person.values)
    total = scaled(between, count)
    for each in person.within:
        total = added(total, each)
    return scaled(total, 1 / count**2)


def full(matrix: Matrix) -> Figures:
    import numpy as np

    return np.array([[matrix[0], matrix[1]], [matrix[1], matrix[2]]])


def keep_positive(matrix: Figures) -> Figures:
    """A valid covariance: variances of at least 1 mmHg², and a correlation within the bound for priors."""
    import numpy as np

    systolic, diastolic = (max(float(matrix[place, place]), LEAST_VARIANCE) for place in (0, 1))
    most = MOST_CORRELATION * sqrt(systolic * diastolic)
    both = min(max(float(matrix[0, 1]), -most), most)
    return np.array([[systolic, both], [both, diastolic]])


Parts = list[tuple[float, Any, Any]]


def parts_of(seen: Figures, spread: Figures, rules: TenantFit) -> Parts:
    """Two normal parts, or one if the second would hold almost nobody."""
    import numpy as np

    middle, wide = seen.mean(axis=0), np.cov(seen.T)
    step = np.sqrt(np.diag(wide))
    # Started apart, the second part higher and wider: equal parts would stay equal in every round.
    start = [(0.8, middle - 0.3 * step, keep_positive(wide * 0.5)), (0.2, middle + step, keep_positive(wide * 1.5))]
    found = maximise(seen, spread, start)
    if min(share for share, _, _ in found) < rules.least_share:
        return maximise(seen, spread, [(1.0, middle, keep_positive(wide * 0.7))])
    return sorted(found, key=lambda part: float(part[1][0]))


def maximise(seen: Figures, spread: Figures, parts: Parts) -> Parts:
    """Expectation maximisation from given starting parts."""
    import numpy as np

    for _ in range(ROUNDS):
        dense, usual, left = [], [], []
        for share, middle, wide in parts:
            total = wide + spread
            inverse = np.linalg.inv(total)
            off = seen - middle
            far = np.einsum("ni,nij,nj->n", off, inverse, off)
            dense.append(np.log(share) - far / 2 - np.log(np.linalg.det(total)) / 2)
            gain = wide @ inverse
            usual.append(middle + np.einsum("nij,nj->ni", gain, off))
            left.append(wide - gain @ wide)
        logs = np.array(dense)
        # The largest is taken off first, or far-off people would have a density of nothing in every part.
        owned = np.exp(logs - logs.max(axis=0))
        owned /= owned.sum(axis=0)
        parts = [refit(*each) for each in zip(owned, usual, left, strict=True)]
    return parts


def refit(owned: Figures, usual: Figures, left: Figures) -> tuple[float, Any, Any]:
    """One part fitted anew: its share, mean and covariance."""
    import numpy as np

    whole = owned.sum()
    middle = owned @ usual / whole
    away = usual - middle
    wide = (np.einsum("n,ni,nj->ij", owned, away, away) + np.einsum("n,nij->ij", owned, left)) / whole
    return float(owned.mean()), middle, keep_positive(wide)


def share_above(parts: Parts, limit: float, variance: float) -> float:
    """Share of means with a systolic pressure at or above a limit."""
    return sum(
        share * 0.5 * erfc((limit - float(middle[0])) / sqrt(2 * (float(wide[0, 0]) + variance)))
        for share, middle, wide in parts
    )


def reference(parts: Parts, between: Matrix | None, *, includes_treated: bool) -> ReferencePrior:
    """The fit in the form of a tenant's settings."""
    import numpy as np

    mean = sum(share * middle for share, middle, _ in parts)
    wide = sum(share * (spread + np.outer(middle - mean, middle - mean)) for share, middle, spread in parts)
    shares = [round(share, 4) for share, _, _ in parts[1:]]
    # The first share is what the rounded others leave, so that they add up to 1.
    shares = [round(1 - sum(shares), 4), *shares]
    return ReferencePrior(
        **figures(mean, keep_positive(wide)),
        parts=[
            ReferencePart(share=share, **figures(middle, spread))
            for share, (_, middle, spread) in zip(shares, parts, strict=True)
        ]
        if len(parts) > 1
        else [],
        includes_treated=includes_treated,
        visits=None if between is None else VisitSpread(**spread_of(full(between))),
    )


def figures(middle: Any, spread: Any) -> dict[str, float]:
    """Means and spread as numbers with two decimals."""
    return {"systolic_mmhg": round(float(middle[0]), 2), "diastolic_mmhg": round(float(middle[1]), 2), **spread_of(spread)}


def spread_of(matrix: Any) -> dict[str, float]:
    """Standard deviations (2 decimals) and their correlation (3 decimals)."""
    systolic, diastolic = sqrt(matrix[0, 0]), sqrt(matrix[1, 1])
    return {
        "systolic_sd_mmhg": round(systolic, 2),
        "diastolic_sd_mmhg": round(diastolic, 2),
        "correlation": round(float(matrix[0, 1]) / (systolic * diastolic), 3),
    }
