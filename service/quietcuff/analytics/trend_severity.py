"""Severity of the values in a picture, by their evaluation and by the limits for the person."""

from __future__ import annotations

from quietcuff.core.model.evaluation import Category
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.core.rulebook.rulebook import Edge, Rulebook
from quietcuff.core.sitting.person import describe_person

BOTH = ("systolic", "diastolic")


def severe_limit(sitting: CurrentSitting, book: Rulebook) -> Edge:
    """Pressures from which a value of this sitting is severe, independent of the guideline that is drawn."""
    day = max(reading.taken_at for reading in sitting.reading_set.readings).date()
    person = describe_person(sitting.reading_set.subject, day, book.limits)
    return book.limits.severe_expecting if person.expecting else book.limits.severe


def reached(systolic_mmhg: float, diastolic_mmhg: float, limit: Edge) -> tuple[str, ...]:
    """Names of the severe pressures: in 176/112 only the diastolic is severe."""
    values = ((systolic_mmhg, limit.systolic_mmhg), (diastolic_mmhg, limit.diastolic_mmhg))
    return tuple(name for name, (value, edge) in zip(BOTH, values, strict=True) if value >= edge)


def severe_readings(sitting: CurrentSitting) -> set[int]:
    """Places of the readings that the evaluation found severe."""
    return {
        finding.reading
        for finding in sitting.evaluation.findings
        if finding.code == "severe-reading" and finding.reading is not None
    }


def severe_of_reading(sitting: CurrentSitting, place: int, book: Rulebook) -> tuple[str, ...]:
    """Severe pressures of one reading; both if its evaluation found it severe by another limit."""
    reading = sitting.reading_set.readings[place]
    if place not in severe_readings(sitting) or reading.systolic_mmhg is None or reading.diastolic_mmhg is None:
        return ()
    return reached(reading.systolic_mmhg, reading.diastolic_mmhg, severe_limit(sitting, book)) or BOTH


def severe_of_result(sitting: CurrentSitting, systolic_mmhg: float, diastolic_mmhg: float, book: Rulebook) -> tuple[str, ...]:
    """Severe pressures of a result: by its own value, by any reading of its sitting, or by its label."""
    # By its readings too: a mean can lie below a limit that one of its readings has reached.
    found = set(reached(systolic_mmhg, diastolic_mmhg, severe_limit(sitting, book)))
    for place in severe_readings(sitting):
        found.update(severe_of_reading(sitting, place, book))
    if not found and any(has_severe_label(entry, book) for entry in sitting.evaluation.categories):
        return BOTH
    return tuple(name for name in BOTH if name in found)


def has_severe_label(entry: Category, book: Rulebook) -> bool:
    """True if a guideline's label is one of its severe rows, in any setting."""
    guideline = book.guidelines.get(entry.guideline)
    if guideline is None or entry.category is None:
        return False
    rows = [*guideline.rows, *(row for bands in guideline.out_of_office for row in bands.rows)]
    return any(row.severe and entry.category in (row.category, row.unconfirmed_category) for row in rows)
