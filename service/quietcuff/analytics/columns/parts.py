"""Parquet parts of the kernel's input, and tallies over them, here or wherever the parts can be read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import islice
from multiprocessing import get_context
from pathlib import Path

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from quietcuff.analytics.columns.batch import SCHEMA, Case, as_batch
from quietcuff.analytics.columns.kernel import AS_THEY_ARE, Kernel
from quietcuff.analytics.columns.made import OtherRules
from quietcuff.analytics.columns.tally import AnswerTally, count, count_moves, total
from quietcuff.core.rulebook.rulebook import Rulebook

SETS_A_PART = 50_000
SETS_READ_AT_ONCE = 50_000


class TallyWork(msgspec.Struct, frozen=True, kw_only=True):
    """What is asked of every part: by which rules, and whether what moves from the sets' own rules is counted too.

    ``before`` is the rulebook that what moves is told from; None, where nothing is compared.
    """

    rulebook: Rulebook
    what_if: OtherRules = AS_THEY_ARE
    before: Rulebook | None = None


def write_parts(cases: Iterable[Case], folder: Path, *, sets_a_part: int = SETS_A_PART) -> list[Path]:
    """Write sets as parts into a folder, in order; their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths: list[Path] = []
    rest = iter(cases)
    while some := list(islice(rest, sets_a_part)):
        path = folder / f"inputs-{len(paths):05}.parquet"
        pq.write_table(pa.Table.from_batches([as_batch(some)], schema=SCHEMA), path, compression="zstd")
        paths.append(path)
    return paths


def parts_in(folder: Path) -> list[Path]:
    """The parts of a folder, in order."""
    return sorted(folder.glob("inputs-*.parquet"))


def read_part(path: Path) -> Iterator[pa.RecordBatch]:
    """A part, as batches."""
    with pq.ParquetFile(path) as part:
        yield from part.iter_batches(batch_size=SETS_READ_AT_ONCE)


def tally_part(work: TallyWork, path: Path) -> AnswerTally:
    """What one part comes to."""
    kernel = Kernel(work.rulebook, work.what_if)
    guidelines = work.what_if.guidelines
    own = None if work.before is None else Kernel(work.before, OtherRules(guidelines=guidelines))
    tallies = []
    for batch in read_part(path):
        answer = kernel.evaluate(batch)
        tally = count(answer)
        if own is not None:
            tally = msgspec.structs.replace(tally, moves=count_moves(own.evaluate(batch), answer))
        tallies.append(tally)
    return total(tallies)


def tally_parts(work: TallyWork, paths: Sequence[Path], *, processes: int = 1) -> AnswerTally:
    """What all parts come to, by this machine's own processes."""
    if processes == 1:
        return total(tally_part(work, path) for path in paths)
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return total(pool.map(partial(tally_part, work), paths))
