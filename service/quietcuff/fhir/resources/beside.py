"""What stands beside the two means of a result: means of parts of a series, falls on standing, a child's percentiles.

A 24-hour mean has LOINC codes of its own. For everything else here no published code is known to us: the component says what it
is in text, and its value is still a quantity with a unit. Source: [VIT] for the 24-hour codes.
"""

from __future__ import annotations

from collections.abc import Iterator

from quietcuff.core.model.evaluation import Category, Evaluation
from quietcuff.core.model.series_outcome import Orthostatic, PartMean, Percentile, Series
from quietcuff.fhir import codes
from quietcuff.fhir.model.resources import CodeableConcept, Coding, Component, Quantity
from quietcuff.fhir.resources import notes


def components_beside(evaluation: Evaluation) -> list[Component]:
    """The further components of a result, in a fixed order; most sittings have none."""
    found: list[Component] = []
    if evaluation.series is not None:
        found += series_components(evaluation.series)
    if evaluation.orthostatic is not None:
        found += standing_components(evaluation.orthostatic, evaluation.categories)
    if evaluation.percentile is not None:
        found += percentile_components(evaluation.percentile)
    return found


def is_24_hour_mean(evaluation: Evaluation) -> bool:
    """Whether the result holds a mean of 24 hours, so that the panel for it names the result too."""
    return evaluation.result is not None and evaluation.series is not None and evaluation.series.hours_24 is not None


def series_components(series: Series) -> Iterator[Component]:
    """The means of the parts of a recording or of a home series, as they were classified."""
    yield from pair(codes.SYSTOLIC_24_HOURS, codes.DIASTOLIC_24_HOURS, series.hours_24)
    for name, mean in (
        ("daytime", series.day),
        ("night-time", series.night),
        ("morning", series.morning),
        ("evening", series.evening),
    ):
        systolic = CodeableConcept(text=f"Systolic blood pressure, {name} mean")
        yield from pair(systolic, CodeableConcept(text=f"Diastolic blood pressure, {name} mean"), mean)


def pair(systolic: CodeableConcept, diastolic: CodeableConcept, mean: PartMean | None) -> Iterator[Component]:
    """The two pressures of a part, where it has a mean."""
    if mean is not None:
        yield Component(code=systolic, value_quantity=mmhg(mean.systolic_mmhg))
        yield Component(code=diastolic, value_quantity=mmhg(mean.diastolic_mmhg))


def standing_components(test: Orthostatic, categories: list[Category]) -> Iterator[Component]:
    """Each standing reading against the baseline, a fall being positive, and what the falls are called: that is a label of the
    falls, never of the mean before standing."""
    for drop in test.drops:
        when = f"{drop.minutes:g} min after standing"
        systolic = CodeableConcept(text=f"Fall of systolic blood pressure, {when}")
        yield Component(code=systolic, value_quantity=mmhg(drop.systolic_mmhg))
        diastolic = CodeableConcept(text=f"Fall of diastolic blood pressure, {when}")
        yield Component(code=diastolic, value_quantity=mmhg(drop.diastolic_mmhg))
    for category in categories:
        if category.category is not None:
            name = CodeableConcept(text=f"Test of standing, by {category.guideline}")
            yield Component(
                code=name,
                value_codeable_concept=CodeableConcept(coding=[own_coding(category)], text=notes.category_text(category)),
            )


def percentile_components(percentile: Percentile) -> Iterator[Component]:
    """A child's percentiles with the reference that they are of, and the z of the height with its own."""
    of = f"for sex, age and height ({percentile.reference})"
    for name, value in (("Systolic", percentile.systolic), ("Diastolic", percentile.diastolic)):
        yield Component(
            code=CodeableConcept(text=f"{name} blood pressure percentile {of}"),
            value_quantity=Quantity(value=value, unit=codes.PERCENT_UNIT, system=codes.UCUM, code=codes.PERCENT_CODE),
        )
    yield Component(
        code=CodeableConcept(text=f"Height z ({percentile.height_reference})"),
        value_quantity=Quantity(value=percentile.height_z, unit=codes.COUNT_UNIT, system=codes.UCUM, code=codes.COUNT_CODE),
    )


def own_coding(category: Category) -> Coding:
    """A guideline's own word for what it calls a value."""
    return Coding(
        system=codes.GUIDELINE_SYSTEM.format(guideline=category.guideline),
        version=category.version,
        code=category.category or "",
        display=category.label,
    )


def mmhg(value: float) -> Quantity:
    """A pressure, or a difference of two, in mmHg."""
    return Quantity(value=value, unit=codes.MMHG_UNIT, system=codes.UCUM, code=codes.MMHG_CODE)
