"""A thousand invented sittings leave as FHIR without one error.

Judges: the table of profile facts in ``export.profiles`` with fhirkit for base R4; the models of fhir.resources (R4B); and,
where the machine has HL7's definition files and a profile validator, those too.
"""

from __future__ import annotations

import importlib.util
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from fhir.resources.R4B import get_fhir_model_class

from fhir_r4.generated import generated_sets
from fhir_r4.profiles import faults_of
from fhir_r4.rendered import resources, stored
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.rules.catalog import load_rulebook

GENERATED, WALKED = 1_000, 100
DEFINITIONS = Path(os.environ.get("FHIR_DEFINITIONS", "/work/shared/fhir-definitions"))
VALIDATOR = Path(os.environ.get("FHIR_VALIDATOR", "/work/shared/tools/validate_fhir.py"))
VECTORS = Path(__file__).parent.parent / "data" / "office-vectors.jsonl"
# Invented, in the shape of the examples that HL7 publishes with the profiles; each bad one breaks one rule.
EXAMPLES = Path(__file__).parent.parent / "fhir_r4" / "examples.json"
OWN_KINDS = {"Observation", "Patient", "Device", "Provenance"}

Judge = Callable[[dict[str, Any]], list[str]]


def r4b_faults(resource: dict[str, Any]) -> list[str]:
    """What fhir.resources objects to."""
    try:
        get_fhir_model_class(resource["resourceType"]).model_validate(resource)
    except ValueError as refusal:
        return [f"R4B: {refusal}"]
    return []


def walker() -> Judge:
    """HL7's own definitions walked by a profile validator, where the machine has both; else the table once more."""
    if not (VALIDATOR.is_file() and DEFINITIONS.is_dir()):
        return faults_of
    specification = importlib.util.spec_from_file_location("validate_fhir", VALIDATOR)
    assert specification is not None
    assert specification.loader is not None
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    checker = module.Checker(module.Definitions([DEFINITIONS]))

    def judge(resource: dict[str, Any]) -> list[str]:
        return [str(issue) for issue in checker.check(resource)[0] if issue.severity == "error"]

    return judge


def test_a_thousand_sittings_are_valid() -> None:
    walk, faults, means = walker(), [], 0
    for number, (reading_set, evaluation) in enumerate(generated_sets(20260504, GENERATED, load_rulebook())):
        means += evaluation.result is not None
        for resource in resources(stored(reading_set, evaluation)):
            assert resource["resourceType"] in OWN_KINDS
            found = faults_of(resource) + r4b_faults(resource) + (walk(resource) if number < WALKED else [])
            faults += [f"{number}: {resource['resourceType']}/{resource['id']}: {fault}" for fault in found]
    assert faults[:20] == []
    assert means > GENERATED // 5


def test_every_office_vector_is_valid() -> None:
    rulebook, walk, checked = load_rulebook(), walker(), 0
    for line in VECTORS.read_text(encoding="utf-8").splitlines():
        vector = json.loads(line)
        reading_set = msgspec.convert(vector["request"], ReadingSet)
        evaluation = evaluate(reading_set, reading_set.history, rulebook)
        for resource in resources(stored(reading_set, evaluation)):
            assert faults_of(resource) + r4b_faults(resource) + walk(resource) == [], vector["id"]
            checked += 1
    assert checked > 100


@pytest.mark.parametrize("judge", [faults_of, walker()], ids=["table", "walker"])
def test_the_judges_tell_invented_good_examples_from_bad_ones(judge: Judge) -> None:
    examples = json.loads(EXAMPLES.read_text(encoding="utf-8"))
    assert {name: faults for name, resource in examples["good"].items() if (faults := judge(resource))} == {}
    assert [name for name, resource in examples["bad"].items() if not judge(resource)] == []
