"""Guideline limits for a picture: those of the latest result, and those of the other settings."""

from __future__ import annotations

import msgspec

from quietcuff.core.model.fields import Setting
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.core.rulebook.base import Edge
from quietcuff.core.rulebook.rulebook import Guideline, Row, Rulebook
from quietcuff.core.sitting.in_force import in_population
from quietcuff.core.sitting.percentiles import find_norms, fit_guideline
from quietcuff.core.sitting.person import describe_person


class Limit(msgspec.Struct, frozen=True, kw_only=True):
    """Lower limit of one category in mmHg; ``above`` is True if the limit itself does not belong to the category."""

    category: str
    systolic_mmhg: float | None
    diastolic_mmhg: float | None
    above: bool
    is_hypertension: bool


class GuidelineLimits(msgspec.Struct, frozen=True, kw_only=True):
    """Limits of one guideline, in ascending order."""

    guideline: str
    title: str
    limits: list[Limit]


class SettingLimits(msgspec.Struct, frozen=True, kw_only=True):
    """Limits of hypertension for the values of one setting; ``without`` holds the guidelines that have none."""

    setting: Setting
    limits: list[GuidelineLimits]
    without: list[GuidelineLimits]


def limits_elsewhere(with_result: list[CurrentSitting], book: Rulebook, guideline: str | None) -> list[SettingLimits]:
    """Limits of hypertension for each setting except that of the latest result, taken at the latest result in that setting."""
    newest = {sitting.reading_set.setting: sitting for sitting in with_result}
    order: tuple[Setting, ...] = ("office", "home", "ambulatory")
    found = []
    for sitting in (newest[setting] for setting in order if setting in newest):
        if sitting is with_result[-1]:
            continue
        limits, without = limits_of(sitting, book, guideline)
        kept = [
            msgspec.structs.replace(each, limits=[limit for limit in each.limits if limit.is_hypertension]) for each in limits
        ]
        found.append(SettingLimits(setting=sitting.reading_set.setting, limits=kept, without=without))
    return found


def limits_of(
    sitting: CurrentSitting, book: Rulebook, guideline: str | None
) -> tuple[list[GuidelineLimits], list[GuidelineLimits]]:
    """Limits for the person and setting of a sitting, and the guidelines without any for them.

    They are those of ``guideline``, or else of the guidelines by which the sitting was evaluated.
    """
    names = [guideline] if guideline is not None else [entry.guideline for entry in sitting.evaluation.categories]
    every = [
        GuidelineLimits(guideline=name, title=table.title, limits=limits_in(table, sitting, book))
        for name, table in ((name, book.guidelines[name]) for name in names)
    ]
    return [each for each in every if each.limits], [each for each in every if not each.limits]


def limits_in(guideline: Guideline, sitting: CurrentSitting, book: Rulebook) -> list[Limit]:
    """Limits of one guideline; none if it is not for this person or setting."""
    reading_set = sitting.reading_set
    day = max(reading.taken_at for reading in reading_set.readings).date()
    person = describe_person(reading_set.subject, day, book.limits)
    if not in_population(guideline, person, reading_set.setting):
        return []
    # A child's limits are percentiles; only the norms for age, sex and height turn them into mmHg.
    if guideline.measures == "percentile":
        norms, _ = find_norms(guideline, reading_set.subject, person, day, book)
        if norms is None:
            return []
        guideline = fit_guideline(guideline, norms)
    rows, hypertension = table_of(guideline, reading_set.setting)
    return [limit_of(row, hypertension) for row in rows if (row.systolic_mmhg, row.diastolic_mmhg) != (None, None)]


def table_of(guideline: Guideline, setting: Setting) -> tuple[list[Row], Edge | None]:
    """Rows for the drawn value of a setting: at home the mean of the series, in an ambulatory recording the daytime mean."""
    if setting == "office":
        return (guideline.rows, guideline.hypertension) if guideline.places_pressures else ([], None)
    part = "day" if setting == "ambulatory" else "home"
    bands = next((each for each in guideline.out_of_office if each.part == part), None)
    return ([], None) if bands is None else (bands.rows, bands.hypertension)


def limit_of(row: Row, hypertension: Edge | None) -> Limit:
    """The limit of a row."""
    edge = None if hypertension is None else (hypertension.systolic_mmhg, hypertension.diastolic_mmhg)
    return Limit(
        category=row.category,
        systolic_mmhg=row.systolic_mmhg,
        diastolic_mmhg=row.diastolic_mmhg,
        above=row.edge == "above",
        is_hypertension=(row.systolic_mmhg, row.diastolic_mmhg) == edge,
    )
