"""FHIR definitions of what is counted: the measures, and the codes of their parts and of follow-ups."""

from __future__ import annotations

from typing import Any

from quietcuff.analytics.follow_ups.follow_ups import REASONS
from quietcuff.analytics.measures.measured import measures_told
from quietcuff.analytics.quality.words import load_quality_rules
from quietcuff.analytics.tables.schema import AGE_BANDS
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.definitions.measures import MeasureTold, measure, measure_code_systems
from quietcuff.fhir.resources.follow_up_group import follow_up_code_systems


def measures_of(rulebook: Rulebook) -> dict[str, MeasureTold]:
    """Every measure, by its code."""
    citations = {key: source.citation for key, source in rulebook.sources.items()}
    return {told.code: told for told in measures_told(load_quality_rules(rulebook), citations)}


def counted_definitions(kind: str, rulebook: Rulebook, public_url: str) -> list[dict[str, Any]]:
    """The definitions of one type."""
    match kind:
        case "Measure":
            return [measure(public_url, told) for told in measures_of(rulebook).values()]
        case "CodeSystem":
            return [*measure_code_systems(public_url, AGE_BANDS), *follow_up_code_systems(public_url, REASONS)]
    return []
