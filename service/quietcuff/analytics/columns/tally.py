"""Tallies of answers in whole numbers: partial tallies add up to the same total in any order, to the last digit.

Parquet parts of the kernel's input, and tallies over them, here or wherever the parts can be read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from quietcuff.analytics.columns.answer import BITS, codes_of
from quietcuff.analytics.columns.batch import SCHEMA, Case, as_batch
from quietcuff.analytics.columns.codes import Array, worded
from quietcuff.analytics.columns.kernel import Kernel
from quietcuff.core.rulebook.rulebook import Rulebook

NO_LABEL = "none"
SUMMED_AT_ONCE = 65_536
UNITS_A_MMHG = 10_000


class MeanSums(msgspec.Struct, frozen=True, kw_only=True):
    """Sums over the results of means in ten-thousandths of a mmHg, of their squares and of their products."""

    results: int = 0
    systolic: int = 0
    diastolic: int = 0
    systolic_squared: int = 0
    diastolic_squared: int = 0
    product: int = 0

    @property
    def units_a_mmhg(self) -> int:
        return UNITS_A_MMHG

    def __add__(self, other: MeanSums) -> MeanSums:
        return MeanSums(**{name: getattr(self, name) + getattr(other, name) for name in MeanSums.__struct_fields__})


Counts = dict[str, int]
# Called with how much of the work is done, up to 1, and how many parts that is.
Told = Callable[[float, int], None]


class AnswerTally(msgspec.Struct, frozen=True, kw_only=True):
    """Numbers of sets, by what was said of them. ``engines`` says how many the core decided, or would not accept.

    ``labels`` and ``provisional`` are by guideline and category.
    """

    sets: int = 0
    engines: Counts = {}
    protocols: Counts = {}
    states: Counts = {}
    levels: Counts = {}
    findings: Counts = {}
    reasons: Counts = {}
    labels: dict[str, Counts] = {}
    provisional: dict[str, Counts] = {}
    sums: MeanSums = MeanSums()

    def __add__(self, other: AnswerTally) -> AnswerTally:
        """Both together."""
        return AnswerTally(**{name: added(getattr(self, name), getattr(other, name)) for name in AnswerTally.__struct_fields__})


def added(one: Any, other: Any) -> Any:
    """Numbers, sums, or tables of them, added place by place; places in the order of their names."""
    if not isinstance(one, dict):
        return one + other
    total = {}
    for name in sorted(one | other):
        total[name] = added(one[name], other[name]) if name in one and name in other else one.get(name, other.get(name))
    return total


def total(tallies: Iterable[AnswerTally]) -> AnswerTally:
    """All of them together."""
    whole = AnswerTally()
    for tally in tallies:
        whole = whole + tally
    return whole


def count(answer: pa.RecordBatch) -> AnswerTally:
    """The tally of one batch of answers."""
    labels = answer["labels"].flatten()
    guidelines, places = worded(labels.field("guideline"))
    categories = words_of(labels.field("category"))
    provisional = labels.field("provisional").to_numpy(zero_copy_only=False)
    by_guideline = {name: places == number for number, name in enumerate(guidelines) if (places == number).any()}
    readings = answer["readings"].flatten().field("reason")
    return AnswerTally(
        sets=answer.num_rows,
        engines=counted(answer["engine"]),
        protocols=counted(answer["protocol"]),
        states=counted(answer["state"]),
        levels=counted(answer["safety_level"]),
        findings=count_findings(answer),
        reasons=counted(readings, none="counts"),
        labels={name: tallied(categories[here]) for name, here in sorted(by_guideline.items())},
        provisional={name: tallied(categories[here & provisional]) for name, here in sorted(by_guideline.items())},
        sums=add_up(answer),
    )


def words_of(column: pa.Array) -> Array:
    """The words themselves, with one for none."""
    words, places = worded(column)
    return np.array([*words, NO_LABEL], dtype=object)[places]


def counted(column: pa.Array, none: str | None = None) -> Counts:
    """The number of times each word stands in a column; rows without one are counted under ``none`` or not at all."""
    words, places = worded(column)
    times = np.bincount(places.astype(np.int64) + 1, minlength=len(words) + 1).tolist()
    found = dict(zip([none, *words], times, strict=True))
    return {word: found[word] for word in sorted(word for word in found if word is not None) if found[word]}


def tallied(words: Array) -> Counts:
    """The number of times each word occurs."""
    return dict(sorted(Counter(words.tolist()).items()))


def count_findings(answer: pa.RecordBatch) -> Counts:
    """The number of sets with each finding."""
    found: Counts = {}
    for place, code in enumerate(codes_of(answer.schema, "findings")):
        word, bit = divmod(place, BITS)
        times = int((answer[f"findings_{word}"].to_numpy(zero_copy_only=False) >> np.uint64(bit) & np.uint64(1)).sum())
        if times:
            found[code] = times
    return dict(sorted(found.items()))


def add_up(answer: pa.RecordBatch) -> MeanSums:
    """The sums over the results, as whole numbers of any size."""
    means = [answer[f"{name}_mean_mmhg"].to_numpy(zero_copy_only=False) for name in ("systolic", "diastolic")]
    has = ~np.isnan(means[0])
    systolic, diastolic = (np.rint(mean[has] * UNITS_A_MMHG).astype(np.int64) for mean in means)
    whole = MeanSums()
    for start in range(0, len(systolic), SUMMED_AT_ONCE):
        one, other = (values[start : start + SUMMED_AT_ONCE] for values in (systolic, diastolic))
        whole += MeanSums(
            results=len(one),
            systolic=int(one.sum()),
            diastolic=int(other.sum()),
            systolic_squared=int((one * one).sum()),
            diastolic_squared=int((other * other).sum()),
            product=int((one * other).sum()),
        )
    return whole


SETS_READ_AT_ONCE = 50_000


def write_part(cases: Iterable[Case], path: Path) -> Path:
    """Write sets as a part; its path."""
    pq.write_table(pa.Table.from_batches([as_batch(cases)], schema=SCHEMA), path, compression="zstd")
    return path


def read_part(path: Path) -> Iterator[pa.RecordBatch]:
    """A part, as batches."""
    with pq.ParquetFile(path) as part:
        yield from part.iter_batches(batch_size=SETS_READ_AT_ONCE)


def tally_part(rulebook: Rulebook, path: Path) -> AnswerTally:
    """The tally of one part, by these rules."""
    kernel = Kernel(rulebook)
    return total(count(kernel.evaluate(batch)) for batch in read_part(path))


def tally_parts(rulebook: Rulebook, paths: Sequence[Path], told: Told, *, processes: int = 1) -> AnswerTally:
    """The tally of all parts, by this machine's own processes; ``told`` is called after each."""
    if processes == 1:
        return total(telling(map(partial(tally_part, rulebook), paths), len(paths), told))
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return total(telling(pool.map(partial(tally_part, rulebook), paths), len(paths), told))


def telling(tallies: Iterable[AnswerTally], of: int, told: Told) -> Iterator[AnswerTally]:
    """The tallies as they come, each told of."""
    for done, tally in enumerate(tallies, 1):
        told(done / of, done)
        yield tally
