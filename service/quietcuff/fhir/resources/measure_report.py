"""A measure as it was worked out: a MeasureReport of type summary, with nothing of a single person. [R4] MeasureReport.

What is withheld is said to be: the number's place has FHIR's reason ``masked`` in place of a value.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import msgspec

from quietcuff.fhir import codes
from quietcuff.fhir.definitions.extensions import MEASURE_FILTER, extension_url
from quietcuff.fhir.definitions.measures import (
    NEVER_RECORDED,
    POPULATIONS,
    STRATIFIERS,
    MeasureTold,
    coded,
    improvement_of,
    measure_url,
    population_code,
    stratifier_code,
)
from quietcuff.fhir.resources.sitting import instant

GENDER = "http://hl7.org/fhir/administrative-gender"
ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
MASKED = {"extension": [{"url": ABSENT, "valueCode": "masked"}]}
NUMERATOR = "numerator"


class Populations(msgspec.Struct, frozen=True, kw_only=True):
    """The eligible, those of whom it was not recorded, those who count, and their share; the last two None if withheld."""

    eligible: int
    missing: int
    counted: int | None
    score: float | None

    def count_of(self, population: str) -> int | None:
        """The number of a population of FHIR."""
        if population == NUMERATOR:
            return self.counted
        return self.missing if population == "denominator-exclusion" else self.eligible + self.missing


class MeasuredStratum(msgspec.Struct, frozen=True, kw_only=True):
    """One part: its word, None where none was recorded; without numbers where all of them are withheld."""

    word: str | None
    populations: Populations | None


class MeasuredGroup(msgspec.Struct, frozen=True, kw_only=True):
    """The numbers of a measure, and those of its parts by the column that splits it."""

    whole: Populations
    strata: dict[str, list[MeasuredStratum]]


class AskedMeasure(msgspec.Struct, frozen=True, kw_only=True):
    """What was asked: the measure, the first and the last day, and what else narrowed it."""

    told: MeasureTold
    since: date
    until: date
    filters: dict[str, str]


def measure_report(public_url: str, asked: AskedMeasure, found: MeasuredGroup, now: datetime) -> bytes:
    """The report in JSON."""
    told = asked.told
    narrowed = [filter_extension(public_url, name, value) for name, value in asked.filters.items()]
    report = {
        "resourceType": "MeasureReport",
        **({"extension": narrowed} if narrowed else {}),
        "status": "complete",
        "type": "summary",
        "measure": f"{measure_url(public_url, told.code)}|{told.version}",
        "date": instant(now),
        "period": {"start": asked.since.isoformat(), "end": asked.until.isoformat()},
        **improvement_of(told),
        "group": [
            {
                **numbers(found.whole),
                "stratifier": [stratifier(public_url, column, strata) for column, strata in found.strata.items() if strata],
            }
        ],
    }
    if not report["group"][0]["stratifier"]:
        del report["group"][0]["stratifier"]
    return msgspec.json.encode(report)


def filter_extension(public_url: str, name: str, value: str) -> dict[str, Any]:
    """One filter that narrowed the report."""
    parts = [{"url": "name", "valueString": name}, {"url": "value", "valueString": value}]
    return {"url": extension_url(public_url, MEASURE_FILTER), "extension": parts}


def numbers(populations: Populations | None) -> dict[str, Any]:
    """The four populations and the score."""
    return {
        "population": [
            {
                "code": population_code(code, display),
                **count_element(None if populations is None else populations.count_of(code)),
            }
            for code, display in POPULATIONS
        ],
        "measureScore": MASKED if populations is None or populations.score is None else {"value": populations.score},
    }


def count_element(count: int | None) -> dict[str, Any]:
    return {"_count": MASKED} if count is None else {"count": count}


def stratifier(public_url: str, column: str, strata: list[MeasuredStratum]) -> dict[str, Any]:
    """The strata of one stratifier."""
    return {
        "code": [stratifier_code(public_url, STRATIFIERS[column])],
        "stratum": [{"value": stratum_value(public_url, column, one.word), **numbers(one.populations)} for one in strata],
    }


def stratum_value(public_url: str, column: str, word: str | None) -> dict[str, Any]:
    """The value that a part has in common."""
    if word is None:
        return coded(codes.DATA_ABSENT_REASON, NEVER_RECORDED, "Unknown")
    if column == "sex":
        return coded(GENDER, word, word.capitalize())
    return coded(codes.code_system(public_url, STRATIFIERS[column]), word, f"{word} years")
