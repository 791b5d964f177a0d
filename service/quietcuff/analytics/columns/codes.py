"""The words of the core as small whole numbers, in the core's own order; -1 stands for nothing recorded."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, get_args

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from quietcuff.core.model import evaluation, fields

Array = NDArray[Any]

SETTINGS = get_args(fields.Setting)
SITES = get_args(fields.Site)
POSITIONS = get_args(fields.Position)
METHODS = (*get_args(fields.Method), "not-recorded")
RHYTHMS = get_args(fields.Rhythm)
YES_NO = get_args(fields.YesNo)
REASONS = get_args(evaluation.Reason)
STATES = get_args(evaluation.State)
LEVELS = get_args(evaluation.Level)
VISITS = (*get_args(fields.Visit), "not-recorded")
DECIDED_BY = ("systolic", "diastolic", "both")
BASES = get_args(evaluation.Basis)

NOTHING = -1
OFFICE = SETTINGS.index("office")
LEFT, RIGHT = SITES.index("left-upper-arm"), SITES.index("right-upper-arm")
NO_SITE = SITES.index("not-recorded")
WRISTS = [SITES.index("left-wrist"), SITES.index("right-wrist")]
THIGHS = [SITES.index("left-thigh"), SITES.index("right-thigh")]
NO_POSITION = POSITIONS.index("not-recorded")
OSCILLOMETRIC, AUSCULTATORY, NO_METHOD = range(3)
YES, NO = YES_NO.index("yes"), YES_NO.index("no")
NOT_RECORDED = YES_NO.index("not-recorded")
REASON = {name: code for code, name in enumerate(REASONS)}
FIRST_VISIT, LATER_VISIT, NO_VISIT = range(3)
IN_PROGRESS, COMPLETE, NOT_USABLE = range(3)
LEVEL = {name: code for code, name in enumerate(LEVELS)}
THIS_SITTING, EARLIER_SITTINGS, ONLY_ARM = range(3)

NEVER = np.iinfo(np.int32).max
ALWAYS = np.iinfo(np.int32).min


def coded(column: pa.Array, names: tuple[str, ...]) -> Array:
    """A column of words as places in ``names``, -1 where it holds none of them."""
    known = {name: code for code, name in enumerate(names)}
    words, places = worded(column)
    table = np.array([known.get(word, NOTHING) for word in words] + [NOTHING], dtype=np.int8)
    return table[places]


def worded(column: pa.Array) -> tuple[list[str], Array]:
    """The distinct words of a column, and for each row the place of its own, -1 where there is none."""
    encoded = column if pa.types.is_dictionary(column.type) else column.dictionary_encode()
    indices = encoded.indices
    places = (indices.fill_null(NOTHING) if indices.null_count else indices).to_numpy(zero_copy_only=False)
    return encoded.dictionary.to_pylist(), places


def any_of(mask: Array) -> Array:
    """True for each set with a mark on any of its readings."""
    return np.logical_or.reduce(mask, axis=0)


def all_of(mask: Array) -> Array:
    """True for each set with a mark on all of its readings."""
    return np.logical_and.reduce(mask, axis=0)


def is_in(values: Array, few: Iterable[int]) -> Array:
    """True where each value is one of a few."""
    found = np.zeros(values.shape, dtype=np.bool_)
    for one in few:
        found |= values == one
    return found


def as_bits(
    found: dict[str, Array], names: Sequence[str], kind: type[np.unsignedinteger[Any]], shape: tuple[int, ...]
) -> Array:
    """Conditions as bits in the order of their names: a row a whole number of a kind, then the shape of the conditions."""
    width = np.dtype(kind).itemsize
    rows = -(-len(names) // (8 * width))
    octets = np.zeros((rows, width, *shape), dtype=np.uint8)
    for place, name in enumerate(names):
        if name in found:
            octet = octets[place // (8 * width), place // 8 % width]
            octet |= found[name].view(np.uint8) << np.uint8(place % 8)
    little = np.ascontiguousarray(np.moveaxis(octets, 1, -1))
    return little.view(np.dtype(kind).newbyteorder("<"))[..., 0]


def at_or_above(mmhg: float) -> int:
    """The lowest whole number of hundredths that is at a limit or above it."""
    return math.ceil(100 * mmhg) if math.isfinite(mmhg) else (NEVER if mmhg > 0 else ALWAYS)


def at_or_below(mmhg: float) -> int:
    """The highest whole number of hundredths that is not above a limit."""
    return math.floor(100 * mmhg) if math.isfinite(mmhg) else (NEVER if mmhg > 0 else ALWAYS)
