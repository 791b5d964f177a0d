"""Measures: the figures of the report that are shares of sittings or people, each by itself, as FHIR's Measure tells them."""

from __future__ import annotations

import asyncio
from typing import Any

import msgspec

from quietcuff.analytics.extras import require
from quietcuff.analytics.quality.shapes import MIDDLES, Figure, Filters
from quietcuff.analytics.quality.stored import stored_tables
from quietcuff.analytics.quality.words import QualityRules, load_quality_rules
from quietcuff.application.context import AppContext
from quietcuff.fhir.definitions.measures import MeasureTold
from quietcuff.fhir.resources.measure_report import MeasuredGroup, MeasuredStratum, Populations

MEASURED = ("method", "preparation", "control")
OF_PEOPLE = ("control",)


def measures_told(rules: QualityRules, citations: dict[str, str]) -> list[MeasureTold]:
    """Every measure, in the order of the report. ``citations`` are the sources by key."""
    return [
        MeasureTold(
            code=code,
            title=rule.title,
            version=rules.version,
            words=rules.measures,
            of_people=rule.section in OF_PEOPLE,
            kind="outcome" if rule.section in OF_PEOPLE else "process",
            wanted=_wanted(code, rules),
            citations=[citations[key] for key in rule.source],
            disclaimer=" ".join(rules.cautions.lines),
        )
        for code, rule in rules.figures.items()
        if rule.section in MEASURED and code not in MIDDLES
    ]


def _wanted(code: str, rules: QualityRules) -> Any:
    rule = rules.figures[code]
    if rule.section in OF_PEOPLE:
        return "increase"
    if rule.expected is None:
        return None
    return "decrease" if rule.expected.low is None else "increase"


async def measure_stored(desk: AppContext, tenant_id: int, code: str, filters: Filters) -> MeasuredGroup:
    """One measure over a tenant's sittings.

    Raises:
        NotInstalled: there is nothing to reckon with.
    """
    require("analytics")
    sets, readings = await stored_tables(desk, tenant_id)
    return await asyncio.to_thread(_measure, sets, readings, code, filters, desk)


def _measure(sets: Any, readings: Any, code: str, filters: Filters, desk: AppContext) -> MeasuredGroup:
    from quietcuff.analytics.measures.strata import figure_by_part

    figure, strata = figure_by_part(sets, readings, code, filters, load_quality_rules(desk.rulebook), desk.rulebook)
    return MeasuredGroup(
        whole=populations_of(figure),
        strata={
            name: [MeasuredStratum(word=part.word, populations=_populations(part.numbers)) for part in parts]
            for name, parts in strata.items()
        },
    )


def populations_of(figure: Figure) -> Populations:
    """The populations of a figure of the report."""
    return Populations(eligible=figure.eligible, missing=figure.not_recorded, counted=figure.count, score=figure.value)


def _populations(numbers: Any) -> Populations | None:
    from quietcuff.analytics.quality.figures import score_of

    if numbers is None:
        return None
    return Populations(score=score_of(numbers.counted, numbers.eligible), **msgspec.structs.asdict(numbers))
