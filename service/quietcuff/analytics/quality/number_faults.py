"""Faults that the numbers alone show: rounding, copying, and values that avoid a threshold."""

from __future__ import annotations

import msgspec
import numpy as np

from quietcuff.analytics.quality.arrays import MOST_SIMULATED, Array, counts_by, some_of
from quietcuff.analytics.quality.density import REACH_MMHG, Break, density_break, smooth_around
from quietcuff.analytics.quality.digits import digits_by, last_digit, rounded_shares, scale_step, zeros_excess
from quietcuff.analytics.quality.faults import FoundFault
from quietcuff.analytics.quality.intervals import false_discovery, share_deviation, upper_tail, wilson
from quietcuff.analytics.quality.repeats import Pairs, Rounding, Spread, expected_identical
from quietcuff.analytics.quality.sets import SittingColumns
from quietcuff.analytics.quality.shapes import MIN_ELIGIBLE
from quietcuff.analytics.quality.words import QualitySettings

LEAST_READINGS = 40
SEED = 20_130_613


class WrittenNumbers(msgspec.Struct, frozen=True, kw_only=True):
    """The digits of one part of the data, and which part: an observer's code, −1 for all."""

    observer: int
    systolic: Rounding
    diastolic: Rounding
    readings: int


class Numbers(msgspec.Struct, frozen=True, kw_only=True):
    """Readings with both pressures: sitting, observer, values and last digits; pairs of neighbours; how each part writes."""

    sets: Array
    observer: Array
    values: dict[str, Array]
    digits: dict[str, Array]
    step_mmhg: int
    pairs: Pairs
    spread: Spread
    parts: list[WrittenNumbers]


def observers_of(sittings: SittingColumns) -> list[int]:
    """Every part to look at: the clinic, and each observer where there are two or more."""
    observers = sittings.words["observer"]
    sizes = counts_by(observers.codes, len(observers.names))
    held = [int(code) for code in np.flatnonzero(sizes >= MIN_ELIGIBLE)]
    return [-1, *held] if len(held) > 1 else [-1]


def gather_numbers(sittings: SittingColumns, pairs: Pairs, spread: Spread) -> Numbers:
    """The readings as the tests of this module take them."""
    readings = sittings.readings
    held = ~np.isnan(readings.systolic + readings.diastolic)
    values = {"systolic": readings.systolic[held], "diastolic": readings.diastolic[held]}
    digits = {name: last_digit(value) for name, value in values.items()}
    sets = readings.sets[held]
    observer = sittings.words["observer"].codes[sets]
    step = scale_step(digits["systolic"], readings.method[held])
    parts = []
    size = max(1, len(sittings.words["observer"].names))
    tables = {name: digits_by(digit, observer, size) for name, digit in digits.items()}
    overall = {name: np.bincount(digit, minlength=10) for name, digit in digits.items()}
    for part in observers_of(sittings):
        counts = {name: overall[name] if part < 0 else tables[name][part] for name in digits}
        how = {name: Rounding(step_mmhg=step, to_tens=r, to_fives=f) for name, (r, f) in _shares(counts, step).items()}
        parts.append(WrittenNumbers(observer=part, readings=int(counts["systolic"].sum()), **how))
    return Numbers(
        sets=sets, observer=observer, values=values, digits=digits, step_mmhg=step, pairs=pairs, spread=spread, parts=parts
    )


def _shares(counts: dict[str, Array], step: int) -> dict[str, tuple[float, float]]:
    return {name: rounded_shares(count, step) for name, count in counts.items()}


def decide(p: Array, large: Array, parts: list[int], settings: QualitySettings) -> tuple[bool, list[int]]:
    """True where the clinic, the first of the parts, is at fault, and which observers are: by the chance and by the size."""
    whole = bool(large[0] and p[0] < settings.clinic_p)
    if len(parts) < 2:
        return whole, []
    q = false_discovery(p[1:])
    return whole, [
        part for part, each, is_large in zip(parts[1:], q, large[1:], strict=True) if is_large and each < settings.observer_q
    ]


def where_found(whole: bool, called: list[int], parts: list[int]) -> list[int] | None:
    """The observers to name, none for the whole clinic; None where nothing is at fault."""
    if called and 2 * len(called) <= len(parts) - 1:
        return called
    return [] if whole or called else None


def within_parts(codes: Array, named: list[int]) -> Array:
    """The entries of the observers named, all where none is."""
    return np.isin(codes, named) if named else np.ones(len(codes), bool)


def rounded_fault(numbers: Numbers, observers: Array, settings: QualitySettings) -> FoundFault | None:
    """Zeros in excess: a share of readings rounded to tens above ``rounded_share`` in either pressure, and more than chance.

    The readings of a sitting are one cluster. Rounding to fives shows in zeros as well.
    """
    expected = numbers.step_mmhg / 10
    parts = [part.observer for part in numbers.parts if part.readings >= LEAST_READINGS]
    p, large = [], []
    sizes = np.bincount(numbers.sets, minlength=len(observers))
    zeros = [np.bincount(numbers.sets, digit == 0, len(observers)) for digit in numbers.digits.values()]
    for part in parts:
        mask = np.ones(len(observers), bool) if part < 0 else observers == part
        found = [zeros_excess(each[mask], sizes[mask], expected) for each in zeros]
        share, z = max(found, key=lambda each: each[1])
        p.append(2 * float(upper_tail(z)))
        large.append(share - expected > settings.rounded_share * (1 - expected))
    if not parts:
        return None
    # One observer in six who rounds half of the time is a twelfth of the clinic: the size is asked of each part by itself.
    named = where_found(*decide(np.array(p), np.array(large), parts, settings), parts)
    if named is None:
        return None
    kept = within_parts(numbers.observer, named)
    name = max(numbers.digits, key=lambda each: float(np.mean(numbers.digits[each][kept] == 0)))
    ends = numbers.digits[name][kept] == 0
    low, high = wilson(int(ends.sum()), len(ends))
    return FoundFault(
        code="rounded",
        observers=named,
        value=float(ends.mean()),
        low=float(low),
        high=float(high),
        eligible=len(ends),
        expected=expected,
        sittings=_sittings_of(numbers.sets[kept], len(observers)),
    )


def _sittings_of(sets: Array, n_sets: int) -> Array:
    mask = np.zeros(n_sets, bool)
    mask[sets] = True
    return mask


def expected_in(numbers: Numbers, sittings: SittingColumns, part: WrittenNumbers, seed: int = SEED) -> float:
    """The share of identical neighbours that chance gives in one part of the data."""
    pairs, readings = numbers.pairs, sittings.readings
    mask = np.ones(len(pairs.sets), bool)
    if part.observer >= 0:
        mask = sittings.words["observer"].codes[pairs.sets] == part.observer
    places, _ = some_of(np.flatnonzero(mask), MOST_SIMULATED // 4, seed)
    if len(places) == 0:
        return 0.0
    first = pairs.first[places]
    middle = (
        readings.systolic[first] + pairs.systolic_change[places] / 2,
        readings.diastolic[first] + pairs.diastolic_change[places] / 2,
    )
    return expected_identical(middle, numbers.spread, (part.systolic, part.diastolic), seed)


def copied_fault(numbers: Numbers, sittings: SittingColumns, settings: QualitySettings) -> FoundFault | None:
    """Identical neighbours, surely more than ``copied_factor`` times what chance gives and ``copied_share``."""
    pairs, n_sets = numbers.pairs, len(sittings)
    observer = sittings.words["observer"].codes[pairs.sets]
    p, large, by_chance, parts = [], [], [], []
    compared = np.bincount(pairs.sets, minlength=n_sets)
    alike = np.bincount(pairs.sets, pairs.identical, n_sets)
    for part in numbers.parts:
        mask = np.ones(n_sets, bool) if part.observer < 0 else sittings.words["observer"].codes == part.observer
        sizes, same = compared[mask], alike[mask]
        if sizes.sum() < MIN_ELIGIBLE:
            continue
        expected = expected_in(numbers, sittings, part)
        share, limit = float(same.sum() / sizes.sum()), settings.copied_factor * expected + settings.copied_share
        floor = float(np.sqrt(min(limit, 0.5) * (1 - min(limit, 0.5)) / sizes.sum()))
        error = max(share_deviation(same, sizes), floor)
        p.append(float(upper_tail((share - limit) / error)))
        large.append(share > limit)
        by_chance.append(expected)
        parts.append(part.observer)
    if not parts or parts[0] >= 0:
        return None
    named = where_found(*decide(np.array(p), np.array(large), parts, settings), parts)
    if named is None:
        return None
    kept = within_parts(observer, named)
    same_pairs = pairs.identical[kept]
    low, high = wilson(int(same_pairs.sum()), len(same_pairs))
    chances = [chance for part, chance in zip(parts, by_chance, strict=True) if part in (named or [-1])]
    return FoundFault(
        code="copied",
        observers=named,
        value=float(same_pairs.mean()),
        low=float(low),
        high=float(high),
        eligible=len(same_pairs),
        expected=float(np.mean(chances)),
        sittings=_sittings_of(pairs.sets[kept], n_sets),
    )


def avoided_faults(numbers: Numbers, n_sets: int, settings: QualitySettings) -> list[FoundFault]:
    """Thresholds that readings avoid: a deficit just above in the local density, larger than ``deficit_log_ratio`` and beyond
    chance, over all thresholds and parts at once."""
    looked: list[tuple[str, int]] = [
        *(("systolic", each) for each in settings.thresholds_systolic_mmhg),
        *(("diastolic", each) for each in settings.thresholds_diastolic_mmhg),
    ]
    parts = [part.observer for part in numbers.parts if part.readings >= LEAST_READINGS]
    found = []
    for name, threshold in looked:
        breaks: list[Break | None] = []
        smooth = smooth_around(numbers.values[name], threshold)
        near = np.flatnonzero(np.abs(numbers.values[name] - threshold) <= REACH_MMHG)
        values, sets, observer = numbers.values[name][near], numbers.sets[near], numbers.observer[near]
        for part in parts:
            mask = np.ones(len(near), bool) if part < 0 else observer == part
            breaks.append(density_break(values[mask], sets[mask], threshold, smooth))
        # Each threshold is a chance of its own: their number multiplies p.
        p = np.array([1.0 if each is None else min(1.0, len(looked) * each.p_deficit) for each in breaks])
        large = np.array([each is not None and each.log_ratio < -settings.deficit_log_ratio for each in breaks])
        if not parts:
            continue
        stricter = msgspec.structs.replace(settings, clinic_p=settings.deficit_p, observer_q=settings.deficit_p)
        named = where_found(*decide(p, large, parts, stricter), parts)
        if named is not None:
            found.append(_avoided(numbers, n_sets, name, threshold, named))
    return found


def _avoided(numbers: Numbers, n_sets: int, name: str, threshold: int, named: list[int]) -> FoundFault:
    kept = within_parts(numbers.observer, named)
    values, sets = numbers.values[name][kept], numbers.sets[kept]
    near = (values >= threshold - 4) & (values < threshold + 4)
    below = int(np.count_nonzero(values[near] < threshold))
    low, high = wilson(below, int(near.sum()))
    return FoundFault(
        code="avoided",
        observers=named,
        value=below / int(near.sum()),
        low=float(low),
        high=float(high),
        eligible=int(near.sum()),
        expected=0.5,
        sittings=_sittings_of(sets[near], n_sets),
        threshold=f"{name} {threshold}",
    )
