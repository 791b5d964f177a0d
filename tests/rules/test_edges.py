"""Every office table against the published one, edge by edge: just below, at, just above, and what rounding makes of it."""

from __future__ import annotations

import tomllib
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from core.golden import evaluate_body
from quietcuff.core.rulebook.rulebook import Guideline, Rulebook
from quietcuff.rules.catalog import load_rulebook
from strategies import NOON

TABLE = tomllib.loads(Path(__file__).with_name("edges.toml").read_text("utf-8"))
PEOPLE = {
    **dict.fromkeys(("acog-2020", "nice-ng133-2019"), {"birth_date": "1995-01-15", "sex": "female", "pregnancy": "pregnant"}),
    "aap-2017": {"birth_date": "2012-01-15", "sex": "male"},
}


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def of_pressures(rulebook: Rulebook) -> list[Guideline]:
    """The guidelines with fixed limits on pressures; percentiles and the fall on standing have tests of their own."""
    return [guideline for guideline in rulebook.guidelines.values() if guideline.measures == "pressure"]


def category_of(guideline: str, systolic: float, diastolic: float, rulebook: Rulebook) -> str | None:
    """The category of two readings that say the same."""
    person = PEOPLE.get(guideline, {"birth_date": "1971-01-15", "sex": "male"})
    readings = [
        {
            "taken_at": (NOON + timedelta(seconds=seconds)).isoformat(),
            "systolic_mmhg": systolic,
            "diastolic_mmhg": diastolic,
            "site": "left-upper-arm",
            "position": "sitting",
            "method": "oscillometric",
        }
        for seconds in (0, 70)
    ]
    body: dict[str, Any] = {
        "subject": {"identifier": {"system": "urn:example:cases", "value": "person"}, **person},
        "visit": "follow-up",
        "protocol": "office-one-arm",
        "guidelines": [guideline],
        "readings": readings,
    }
    return evaluate_body(body, rulebook).categories[0].category


def values_of(ladder: dict[str, Any], value: float) -> tuple[float, float]:
    other = float(ladder["other"])
    return (value, other) if ladder["pressure"] == "systolic" else (other, value)


def name_of(ladder: dict[str, Any]) -> str:
    return f"{ladder['guideline']} {ladder.get('pressure', 'both')} {ladder.get('other', '')}".strip()


@pytest.mark.parametrize("ladder", TABLE["ladder"], ids=name_of)
def test_each_edge_is_where_it_was_published(ladder: dict[str, Any], rulebook: Rulebook) -> None:
    for step in ladder["steps"]:
        value, category = step.split()
        found = category_of(ladder["guideline"], *values_of(ladder, float(value)), rulebook)
        assert found == category, f"{ladder['source']}: {ladder['pressure']} {value}"


@pytest.mark.parametrize("ladder", TABLE["ladder"], ids=name_of)
def test_the_reported_value_is_what_is_classified(ladder: dict[str, Any], rulebook: Rulebook) -> None:
    for step in ladder["steps"]:
        value, category = step.split()
        for near in (float(value) - 0.5, float(value) + 0.49):
            found = category_of(ladder["guideline"], *values_of(ladder, near), rulebook)
            assert str(found).removesuffix("-unconfirmed") == category, near


@pytest.mark.parametrize("pairs", TABLE["together"], ids=name_of)
def test_both_pressures_together_decide_as_published(pairs: dict[str, Any], rulebook: Rulebook) -> None:
    for line in pairs["values"]:
        values, category = line.split()
        systolic, diastolic = values.split("/")
        found = category_of(pairs["guideline"], float(systolic), float(diastolic), rulebook)
        assert found == category, f"{pairs['source']}: {values}"


def test_every_edge_of_every_table_is_checked_from_both_sides(rulebook: Rulebook) -> None:
    checked = {
        (ladder["guideline"], ladder["pressure"], float(step.split()[0]))
        for ladder in TABLE["ladder"]
        for step in ladder["steps"]
    }
    for guideline in of_pressures(rulebook):
        for row in guideline.rows:
            for pressure in ("systolic", "diastolic"):
                edge = getattr(row, f"{pressure}_mmhg")
                nearby = [] if edge is None else [edge, edge + 1] if row.edge == "above" else [edge - 1, edge]
                assert all((guideline.id, pressure, float(value)) in checked for value in nearby), (guideline.id, row.category)


def test_every_category_of_every_table_is_reached(rulebook: Rulebook) -> None:
    reached = {(ladder["guideline"], step.split()[1]) for ladder in TABLE["ladder"] for step in ladder["steps"]}
    wanted = {(guideline.id, row.category) for guideline in of_pressures(rulebook) for row in guideline.rows}
    assert reached == wanted
