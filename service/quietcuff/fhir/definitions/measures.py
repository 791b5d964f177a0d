"""Measures: shares of the quality report as FHIR defines a proportion, and the codes of their strata. [R4] Measure.

What FHIR calls the denominator holds those of whom nothing was recorded; the exclusion takes them out again. So the score of
FHIR, the numerator over the denominator less its exclusion, is the share of the report.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal

import msgspec

from quietcuff.fhir import codes
from quietcuff.fhir.definitions.code_systems import camel, code_system

TERMINOLOGY = "http://terminology.hl7.org/CodeSystem/"
RESOURCE_TYPES = "http://hl7.org/fhir/resource-types"
# The code of each population, and the words of the rules that tell it. Those of the first depend on whose share it is.
POPULATIONS = (
    ("initial-population", "Initial Population"),
    ("denominator", "Denominator"),
    ("denominator-exclusion", "Denominator Exclusion"),
    ("numerator", "Numerator"),
)
NOTATIONS = {"increase": "Increased score indicates improvement", "decrease": "Decreased score indicates improvement"}
# The code of each stratifier, by the column of the table ``sets``.
STRATIFIERS = {"age_band": "age-band", "sex": "administrative-sex"}
IN_PROSE = "text/plain"
NEVER_RECORDED = "unknown"


class MeasureTold(msgspec.Struct, frozen=True, kw_only=True):
    """One share as a measure: its words, whose share it is, and which way is better, None where neither is."""

    code: str
    title: str
    version: str
    words: dict[str, str]
    of_people: bool
    kind: Literal["process", "outcome"]
    wanted: Literal["increase", "decrease"] | None
    citations: list[str]
    disclaimer: str


def measure_url(public_url: str, code: str) -> str:
    """The canonical address of a measure, which is published there."""
    return f"{public_url}/fhir/R4/Measure/{code}"


def measure(public_url: str, told: MeasureTold) -> dict[str, Any]:
    """The definition of one measure."""
    return {
        "resourceType": "Measure",
        "id": told.code,
        "url": measure_url(public_url, told.code),
        "version": told.version,
        "name": camel(told.code),
        "title": told.title,
        "status": "active",
        "subjectCodeableConcept": subject_of(told),
        "description": f"{told.title}. {told.words['small']}",
        "relatedArtifact": [{"type": "citation", "citation": text} for text in told.citations],
        "disclaimer": told.disclaimer,
        "scoring": coded(f"{TERMINOLOGY}measure-scoring", "proportion", "Proportion"),
        "type": [coded(f"{TERMINOLOGY}measure-type", told.kind, told.kind.capitalize())],
        **improvement_of(told),
        "group": [
            {
                "population": [population(code, display, told) for code, display in POPULATIONS],
                "stratifier": [stratifier(public_url, code, told) for code in STRATIFIERS.values()],
            }
        ],
    }


def subject_of(told: MeasureTold) -> dict[str, Any]:
    """Whose share it is: people's or sittings', which are no resource of their own."""
    return coded(RESOURCE_TYPES, "Patient", "Patient") if told.of_people else {"text": told.words["sittings"]}


def improvement_of(told: MeasureTold) -> dict[str, Any]:
    """The element that says which way is better."""
    if told.wanted is None:
        return {}
    return {"improvementNotation": coded(f"{TERMINOLOGY}measure-improvement-notation", told.wanted, NOTATIONS[told.wanted])}


def population(code: str, display: str, told: MeasureTold) -> dict[str, Any]:
    """One population. Its criteria are prose: they are worked out by the service, not by an expression."""
    whose = "of-people" if told.of_people else "of-sittings"
    text = told.words[whose if code == "initial-population" else code]
    return {
        "code": population_code(code, display),
        "description": f"{text} {told.title}." if code == "numerator" else text,
        "criteria": {"language": IN_PROSE, "expression": text},
    }


def population_code(code: str, display: str) -> dict[str, Any]:
    return coded(f"{TERMINOLOGY}measure-population", code, display)


def stratifier(public_url: str, code: str, told: MeasureTold) -> dict[str, Any]:
    """One way of splitting."""
    text = told.words[code]
    return {
        "code": stratifier_code(public_url, code),
        "description": text,
        "criteria": {"language": IN_PROSE, "expression": text},
    }


def stratifier_code(public_url: str, code: str) -> dict[str, Any]:
    return coded(codes.code_system(public_url, "measure-stratifier"), code, code.replace("-", " "))


def coded(system: str, code: str, display: str) -> dict[str, Any]:
    """A concept of one code."""
    return {"coding": [{"system": system, "code": code, "display": display}]}


def measure_code_systems(public_url: str, age_bands: Iterable[str]) -> list[dict[str, Any]]:
    """The code systems of the strata."""

    def own(id: str, title: str, concepts: Iterable[tuple[str, str]]) -> dict[str, Any]:
        return code_system(id, codes.code_system(public_url, id), title, concepts, content="complete")

    return [
        own("age-band", "Completed years, in bands", ((band, f"{band} years") for band in age_bands)),
        own(
            "measure-stratifier",
            "What measures are split by",
            ((code, code.replace("-", " ")) for code in STRATIFIERS.values()),
        ),
    ]
