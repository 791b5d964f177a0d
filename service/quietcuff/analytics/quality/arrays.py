"""The kinds of arrays, and small operations on them that several statistics share."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[Any]

YES, NO, NOT_RECORDED = 1, 0, -1
MOST_SIMULATED = 20_000


def counts_by(codes: Array, size: int, weights: Array | None = None) -> Array:
    """How many entries each code has, or the sum of their weights; entries of code -1 are left out."""
    kept = codes >= 0
    if kept.all():
        return np.bincount(codes, weights, size)
    return np.bincount(codes[kept], None if weights is None else weights[kept], size)


def some_of(places: Array, most: int, seed: int) -> tuple[Array, float]:
    """At most so many of the places, drawn with a seed, and how many places each stands for."""
    if len(places) <= most:
        return places, 1.0
    drawn = np.sort(np.random.default_rng(seed).choice(places, most, replace=False))
    return drawn, len(places) / most
