"""Planted faults in sittings that the core evaluates, by way of the rows of the tables; everything is invented."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any
from uuid import UUID

import msgspec
import pytest

from outside.planted_clinics import FAULTS, PLANTED, Clinic, Plan, called
from quietcuff.analytics.quality.report import report_on
from quietcuff.analytics.quality.sets import READING_COLUMNS, SET_COLUMNS
from quietcuff.analytics.quality.shapes import Filters, Report
from quietcuff.analytics.quality.stored import Gathered
from quietcuff.analytics.quality.words import load_quality_rules
from quietcuff.analytics.tables.detail_rows import reading_rows
from quietcuff.analytics.tables.disguise import Disguise
from quietcuff.analytics.tables.schema import READINGS, SETS
from quietcuff.analytics.tables.set_rows import decode, set_row
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.rows.analysis_pages import AnalysedSet

SITTINGS = 700
BEGAN = datetime(2025, 1, 1, 9, tzinfo=UTC)
AS_THEY_ARE = Disguise(secret=b"", identified=True)


@cache
def book() -> Rulebook:
    return load_rulebook()


def bodies(clinic: Clinic) -> list[dict[str, Any]]:
    """The sittings of an invented clinic as requests; both arms are measured where the clinic did."""
    columns = {name: column.to_pylist() for name, column in clinic.columns.items()}
    made = []
    for place in range(clinic.n):
        at = BEGAN + timedelta(days=int(clinic.day[place]), minutes=place % 400)
        rest, both = columns["rest_seconds"][place], columns["arms_measured"][place] == "both"
        arm = int(clinic.arm_cm[place])
        cuff = (arm - 9, arm - 1) if clinic.too_small[place] else (arm - 5, arm + 5)
        context = {name: yes_or_no(columns[name][place]) for name in CONTEXT_FIELDS}
        made.append(
            {
                "subject": {
                    "identifier": {"system": "urn:example:mrn", "value": f"invented-{clinic.person[place]}"},
                    "birth_date": "1971-01-15",
                    "sex": "male",
                    "arm_circumference_cm": arm,
                },
                "setting": "office",
                "visit": "first" if clinic.first[place] else "follow-up",
                "context": context | ({} if rest is None else {"rest_minutes": rest / 60}),
                "observer": {"system": "urn:example:staff", "value": f"N{clinic.observer[place] + 1}"},
                "cuff": {"range_cm": cuff},
                "readings": [
                    {
                        "taken_at": (at + timedelta(seconds=70 * number)).isoformat(),
                        "systolic_mmhg": float(clinic.shown[place, number, 0]),
                        "diastolic_mmhg": float(clinic.shown[place, number, 1]),
                        "site": "left-upper-arm" if both and number == 0 else "right-upper-arm",
                        "position": "sitting",
                        "method": clinic.method,
                    }
                    for number in range(clinic.sizes[place])
                ],
            }
        )
    return made


CONTEXT_FIELDS = frozenset(
    {"talking", "full_bladder", "legs_crossed", "arm_supported", "back_supported", "feet_flat", "caffeine_within_30_min"}
)


def yes_or_no(answer: bool | None) -> str:
    return "not-recorded" if answer is None else "yes" if answer else "no"


def stored(place: int, body: dict[str, Any]) -> AnalysedSet:
    """The sitting as it stands in the database: what came in, and what the core makes of it."""
    reading_set = msgspec.convert(body, ReadingSet)
    return AnalysedSet(
        subject_id=UUID(int=1_000_000 + int(body["subject"]["identifier"]["value"].removeprefix("invented-"))),
        set_id=UUID(int=place),
        version=1,
        taken_from=reading_set.readings[0].taken_at,
        offset_minutes=0,
        closed_at=reading_set.readings[-1].taken_at,
        document=msgspec.json.encode(reading_set),
        evaluation=msgspec.json.encode(evaluate(reading_set, None, book())),
        rules_digest=book().digest,
    )


def evaluated_report(plan: Plan, seed: int) -> Report:
    """The report on a clinic whose every sitting the core evaluated."""
    sittings = [decode(stored(place, body)) for place, body in enumerate(bodies(Clinic(plan, seed)))]
    sets, readings = Gathered(SETS, SET_COLUMNS), Gathered(READINGS, READING_COLUMNS)
    sets.add([set_row(sitting, AS_THEY_ARE, book()) for sitting in sittings])
    readings.add([row for sitting in sittings for row in reading_rows(sitting, AS_THEY_ARE)])
    return report_on(sets.table(), readings.table(), Filters(), load_quality_rules(book()), book())


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_comes_first_after_the_core(fault: str) -> None:
    plan = msgspec.structs.replace(PLANTED[fault], sittings=SITTINGS, even_scale=False)
    made = evaluated_report(plan, 77)
    assert called(made)[:1] == [fault], made.summary


def test_a_clean_clinic_gets_a_clean_bill_after_the_core() -> None:
    made = evaluated_report(Plan(sittings=SITTINGS, even_scale=False), 78)
    assert called(made) == [], made.summary
    figures = {figure.code: figure for section in made.sections for figure in section.figures}
    assert figures["both-arms"].eligible > 100 and figures["settled"].eligible > 100
    assert figures["interval"].value == 70 and figures["cuff-too-small"].eligible == SITTINGS
