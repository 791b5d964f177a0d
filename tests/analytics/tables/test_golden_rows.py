"""The golden sittings as rows, series, recordings, children and tests of standing too: each is what the dictionary says."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import jsonschema_rs
import msgspec
import pytest

from core.golden import body_of, evaluate_body, read_topics
from quietcuff.analytics.tables.detail_rows import finding_rows, label_rows, reading_rows
from quietcuff.analytics.tables.dictionary import dictionary_schema
from quietcuff.analytics.tables.disguise import Disguise
from quietcuff.analytics.tables.schema import table_named
from quietcuff.analytics.tables.set_rows import DecodedSet, decode, set_row
from quietcuff.analytics.tables.writing import Buffer, table_file
from quietcuff.analytics.what_if.what_if import WhatIf, other_rules, outcomes_of
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.attempts import in_order
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.rows.analysis_pages import AnalysedSet

CASES = Path(__file__).parents[2] / "cases"
PLAIN = Disguise(secret=b"", identified=True)


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture(scope="module")
def stored(rulebook: Rulebook) -> list[AnalysedSet]:
    """Every golden sitting that is accepted, as the database gives it."""
    found = []
    for number, (_, topic, case) in enumerate(read_topics(CASES)):
        if "refused" in case.expect:
            continue
        body = body_of(topic, case)
        reading_set = msgspec.json.decode(msgspec.json.encode(body), type=ReadingSet)
        evaluation = evaluate_body(body, rulebook)
        order = in_order(reading_set.readings)
        taken = order[0][1].taken_at if order else datetime(2026, 5, 4, tzinfo=UTC)
        offset = taken.utcoffset()
        minutes = 0 if offset is None else round(offset.total_seconds() / 60)
        encoded = msgspec.json.encode(reading_set), msgspec.json.encode(evaluation)
        closed = taken if reading_set.closed else None
        found.append(AnalysedSet(UUID(int=number + 1), UUID(int=number + 1), 1, taken, minutes, closed, *encoded, ""))
    return found


def rows_of(sitting: DecodedSet, rulebook: Rulebook) -> dict[str, list[dict[str, Any]]]:
    return {
        "sets": [set_row(sitting, PLAIN, rulebook)],
        "readings": reading_rows(sitting, PLAIN),
        "labels": label_rows(sitting, PLAIN),
        "findings": finding_rows(sitting, PLAIN),
    }


def test_every_golden_sitting_is_rows_of_the_dictionary(stored: list[AnalysedSet], rulebook: Rulebook) -> None:
    shapes = json.loads(dictionary_schema(identified=True))
    checks = {name: jsonschema_rs.validator_for(shape) for name, shape in shapes["$defs"].items()}
    files = {name: table_file(known, "parquet", Buffer(), identified=True) for name in checks if (known := table_named(name))}
    assert len(stored) > 100
    for one in stored:
        for name, rows in rows_of(decode(one), rulebook).items():
            for row in rows:
                checks[name].validate(msgspec.to_builtins(row))
            files[name].add(rows)
    for file in files.values():
        file.close()
    assert files["sets"].rows == len(stored)


def test_rows_say_what_the_evaluation_says(stored: list[AnalysedSet], rulebook: Rulebook) -> None:
    for one in stored:
        sitting, said = decode(one), msgspec.json.decode(one.evaluation)
        rows = rows_of(sitting, rulebook)
        (row,) = rows["sets"]
        assert (row["systolic_mmhg"] is None) == (said["result"] is None) == (row["unusable_reason"] is not None)
        assert row["counted"] == sum(reading["counts"] for reading in rows["readings"])
        assert row["attempts"] == len(rows["readings"]) >= row["readings"]
        assert [entry["category"] for entry in rows["labels"]] == [entry["category"] for entry in said["categories"]]
        assert row["category"] == (rows["labels"][0]["category"] if rows["labels"] else None)
        assert row["severe_reading"] == any(found["code"] == "severe-reading" for found in rows["findings"])
        assert (row["severe_repeated_in_time"] is None) == (not row["severe_reading"])
        assert row["shift_systolic_low_mmhg"] <= row["shift_systolic_high_mmhg"]


@pytest.mark.parametrize(
    "asked",
    [WhatIf(guideline="esc-2024"), WhatIf(protocol="office-esh-2023"), WhatIf(rounding="exact"), WhatIf(fewer_readings=2)],
    ids=["guideline", "protocol", "rounding", "fewer"],
)
def test_every_golden_sitting_can_be_asked_what_if(stored: list[AnalysedSet], rulebook: Rulebook, asked: WhatIf) -> None:
    # As if all were one person's, and by the core alone.
    (outcomes,) = outcomes_of([stored], asked, rulebook, other_rules(asked, rulebook), None)
    assert len(outcomes) == len(stored) and sum(outcome.after is not None for outcome in outcomes) > 50
