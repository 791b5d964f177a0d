"""The kernel against the core, which decides what is right: field by field, as sets are and under other rules."""

from __future__ import annotations

import random
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, get_args

import msgspec
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from analytics.columns.changed import VARIANTS
from analytics.columns.comparing import differences
from analytics.columns.sittings import Case, Clinic, sittings
from bench.bench_columns import make_cases
from outside import reckoning, survey
from quietcuff.analytics.columns.answer import OF_CERTAINTY, codes_of, has_finding
from quietcuff.analytics.columns.batch import SCHEMA, as_batch
from quietcuff.analytics.columns.kernel import Kernel
from quietcuff.analytics.columns.made import OtherRules
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Level, State
from quietcuff.core.model.readings import ReadingSet
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()
KERNEL = Kernel(RULEBOOK)
# What only series, tests of standing, children and summaries tell.
NOT_OF_AN_ADULTS_SITTING = {
    "first-day-dropped", "days-after-series", "ambulatory-not-valid", "night-alone-high", "dipping-reduced", "dipping-reverse",
    "dipping-extreme", "standing-danger", "orthostatic-drop", "supine-high-30-rule", "supine-high-30-reached",
    "sit-to-stand-15-7", "standing-lower", "standing-rise", "standing-rise-to-high", "initial-standing-drop",
    "delayed-standing-drop", "stood-at-not-recorded", "height-not-recorded", "sex-not-recorded", "birth-date-too-coarse",
    "height-outside-reference", "height-beyond-tables", "printed-table-differs", "white-coat-pattern", "masked-pattern",
    "sustained-pattern", "out-of-scope", "screening-value-reached",
}  # fmt: skip


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    return list(sittings(1_500, seed=77))


@pytest.fixture(scope="module")
def batch(cases: list[Case]) -> pa.RecordBatch:
    return as_batch(cases)


@pytest.fixture(scope="module")
def answer(batch: pa.RecordBatch) -> pa.RecordBatch:
    return KERNEL.evaluate(batch)


def test_every_field_is_the_cores(cases: list[Case], answer: pa.RecordBatch) -> None:
    found, engines = differences(cases, answer, RULEBOOK)
    assert found == []
    assert engines["columns"] > 0.7 * len(cases) and engines["core"] > 0 and engines["refused"] > 0


def test_the_invented_sets_meet_every_state_level_and_every_finding(answer: pa.RecordBatch) -> None:
    # Else the comparison above would say little. Sets of the core's own are left out here.
    own = answer.filter(pc.equal(answer["engine"], "columns"))
    seen = {name: set(own[name].to_pylist()) for name in ("state", "safety_level")}
    assert seen == {"state": set(get_args(State)), "safety_level": set(get_args(Level))}
    never = {code for code in codes_of(own.schema, "findings") if not has_finding(own, code).any()}
    assert never <= NOT_OF_AN_ADULTS_SITTING
    assert not set(codes_of(own.schema, "findings")) & set(OF_CERTAINTY)


@pytest.mark.parametrize("variant", VARIANTS, ids=lambda variant: variant.__name__)
def test_other_rules_give_what_the_core_gives_by_them(variant: Any, cases: list[Case], batch: pa.RecordBatch) -> None:
    rulebook, what_if = variant()
    answer = Kernel(rulebook, what_if).evaluate(batch.slice(0, 150))
    found, engines = differences(cases[:150], answer, rulebook, what_if)
    assert found == []
    assert engines["columns"] > 60


def test_the_survey_is_labelled_as_by_the_core() -> None:
    rows = [row for row in survey.load_adults().iter_rows(named=True) if row["s1"] is not None][::8]
    bodies = (survey.reading_set(row, protocol="office-nice-2019", guidelines=list(reckoning.BANDS)) for row in rows)
    people: list[Case] = [(f"{number}", survey.as_struct(body), None) for number, body in enumerate(bodies)]
    found, engines = differences(people, KERNEL.evaluate(as_batch(people)), RULEBOOK)
    assert found == [] and engines == Counter(columns=len(people)) and len(people) > 500


def over_days(seed: int) -> Case:
    """A series, a recording or a test of standing, odd as the other sets are: the core's own work."""
    clinic, chance = Clinic(seed, 3), random.Random(seed)
    setting, protocol, hours = chance.choice(
        [("home", "home-seven-day", 11), ("ambulatory", "ambulatory-24-hour", 0.5), ("office", "orthostatic-standing", 0.02)]
    )
    count = chance.randint(20, 50) if setting != "office" else chance.randint(2, 6)
    began = datetime.fromisoformat("2026-05-04T08:00:00+02:00")
    body = clinic.body(1, closed=True) | {"setting": setting, "protocol": protocol}
    body["readings"] = [clinic.reading(began + place * timedelta(hours=hours)) for place in range(count)]
    for place, reading in enumerate(body["readings"]):
        reading["position"] = (
            "supine" if place < 2 and setting == "office" else ("standing" if setting == "office" else "sitting")
        )
    if setting == "ambulatory" and chance.random() < 0.5:
        body["sleep"] = [{"asleep_at": "2026-05-04T23:10:00+02:00", "awake_at": "2026-05-05T06:30:00+02:00"}]
    reading_set = msgspec.convert(body, ReadingSet)
    return f"series-{seed}", msgspec.structs.replace(reading_set, history=None), reading_set.history


def test_series_and_children_go_through_the_core_and_come_out_the_same() -> None:
    series = [over_days(seed) for seed in range(40)]
    found, engines = differences(series, KERNEL.evaluate(as_batch(series)), RULEBOOK)
    assert found == []
    assert engines["core"] > 30 and engines["columns"] == 0


def test_ordinary_sittings_need_no_core() -> None:
    cases = make_cases(100)
    found, engines = differences(cases, KERNEL.evaluate(as_batch(cases)), RULEBOOK)
    assert found == [] and engines == Counter(columns=100)


def test_a_batch_survives_a_parquet_file_and_slices(tmp_path: Path, batch: pa.RecordBatch, answer: pa.RecordBatch) -> None:
    path = tmp_path / "part.parquet"
    pq.write_table(pa.Table.from_batches([batch]), path, compression="zstd")
    (read,) = pq.read_table(path).combine_chunks().to_batches()
    assert read.schema.equals(SCHEMA)
    assert KERNEL.evaluate(read).to_pylist() == answer.to_pylist()
    assert KERNEL.evaluate(batch.slice(700, 100)).to_pylist() == answer.slice(700, 100).to_pylist()


def test_threads_change_nothing(batch: pa.RecordBatch, answer: pa.RecordBatch) -> None:
    assert Kernel(RULEBOOK, threads=4).evaluate(batch).equals(answer)


def test_no_sets_give_no_answers() -> None:
    assert KERNEL.evaluate(as_batch([])).num_rows == 0


def test_a_batch_of_other_columns_is_refused_with_each_fault(batch: pa.RecordBatch) -> None:
    closed = batch.schema.get_field_index("closed")
    wrong = batch.set_column(closed, "closed", pa.array(["yes"] * batch.num_rows)).drop_columns(["visit"])
    with pytest.raises(NotAcceptable) as refused:
        KERNEL.evaluate(wrong)
    assert {fault.pointer for fault in refused.value.faults} == {"/visit", "/closed"}


def test_names_that_are_not_in_the_rulebook_are_refused() -> None:
    with pytest.raises(NotAcceptable) as refused:
        Kernel(RULEBOOK, OtherRules(protocol="office-nowhere", guidelines=("esh-2023", "nobody-1900")))
    assert [fault.pointer for fault in refused.value.faults] == ["/protocol", "/guidelines/1"]
