"""The survey through the core: each person with readings evaluated once under each protocol, and what came out as frames."""

from __future__ import annotations

from functools import cache

import msgspec
import polars as pl

from outside import reckoning, survey
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

FIRST = "first-reading"
GUIDELINES = list(reckoning.BANDS)


@cache
def adults() -> pl.DataFrame:
    """Every adult of the file."""
    return survey.load_adults()


@cache
def taken() -> pl.DataFrame:
    """Every reading of every adult, with the cause where it is not plausible."""
    return reckoning.readings(adults())


@cache
def evaluations(protocol: str) -> dict[int, Evaluation]:
    """The core's evaluation of each person with readings, by person."""
    rulebook, orders = rulebook_with_one_reading(), (1,) if protocol == FIRST else survey.ORDERS
    people = adults().filter(pl.any_horizontal(pl.col(f"s{order}").is_not_null() for order in orders))
    return {
        row["person"]: evaluate(
            survey.as_struct(survey.reading_set(row, protocol=protocol, guidelines=GUIDELINES, orders=orders)), None, rulebook
        )
        for row in people.iter_rows(named=True)
    }


@cache
def rulebook_with_one_reading() -> Rulebook:
    """The rulebook and one protocol more, made for comparison only: the first reading alone is the result."""
    rulebook = load_rulebook()
    mean_of_three = rulebook.protocols["office-canada-2025"]
    alone = msgspec.structs.replace(mean_of_three, id=FIRST, planned=1, minimum=1, most=1)
    return msgspec.structs.replace(
        rulebook, protocols=rulebook.protocols | {FIRST: alone}, digests=rulebook.digests | {FIRST: "sha256:0"}
    )


@cache
def results(protocol: str) -> pl.DataFrame:
    """One row a person with a result, in the shape of ``reckoning.results``."""
    rows = []
    for person, evaluation in evaluations(protocol).items():
        if evaluation.result is not None:
            figures = msgspec.to_builtins(evaluation.result)
            labels = {category.guideline: category.category for category in evaluation.categories}
            rows.append({"person": person} | {name: figures[name] for name in FIGURES} | labels)
    return pl.DataFrame(
        rows, schema_overrides={name: pl.Float64 for name in FIGURES if name.endswith(("mean_mmhg", "sd_mmhg"))}
    )


FIGURES = (
    "readings_counted",
    *(f"{pressure}{kind}_mmhg" for kind in ("", "_mean", "_sd") for pressure in reckoning.PRESSURES),
)


def people_with(protocol: str, code: str) -> set[int]:
    """The people whose evaluation holds a finding."""
    found = evaluations(protocol).items()
    return {person for person, evaluation in found if any(finding.code == code for finding in evaluation.findings)}


def readings_with(protocol: str, code: str) -> set[tuple[int, int]]:
    """Each reading that a finding is about: the person, and the reading's order in the survey."""
    orders = dict(taken().group_by("person").agg("order").iter_rows())
    return {
        (person, orders[person][finding.reading])
        for person, evaluation in evaluations(protocol).items()
        for finding in evaluation.findings
        if finding.code == code and finding.reading is not None
    }
