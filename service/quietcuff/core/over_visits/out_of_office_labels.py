"""Values from outside the office in the form of the answer: their categories by each guideline's own table, and certainty."""

from __future__ import annotations

from quietcuff.core.certainty.certainty import Sureness, is_in_row, judge_visits, label_in, rows_for
from quietcuff.core.labels.classification import label_placing, no_category, place
from quietcuff.core.labels.parts import deciding_part, label_part, part_categories
from quietcuff.core.model.evaluation import Category
from quietcuff.core.over_visits.office import Tables
from quietcuff.core.over_visits.out_of_office import OutsideSeries
from quietcuff.core.over_visits.result import PooledAmbulatory, PooledHome
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.in_force import in_setting, is_for


def report_home(home: OutsideSeries, tables: Tables, rulebook: Rulebook) -> PooledHome:
    """The chosen home series in the form of the answer."""
    result, series = home.result, home.series
    categories = classify_home(tables, home, rulebook)
    return PooledHome(
        systolic_mmhg=result.systolic_mmhg,
        diastolic_mmhg=result.diastolic_mmhg,
        readings=result.readings_counted,
        days=series.days_used,
        days_dropped=series.days_dropped,
        made_of=home.made_of,
        protocol=home.protocol,
        sets=home.sets,
        site=result.site,
        taken_from=result.taken_from,
        taken_to=result.taken_to,
        morning=series.morning,
        evening=series.evening,
        categories=categories,
        certainty=weigh_outside(tables, categories, home, rulebook).certainty,
    )


def report_recording(recording: OutsideSeries, tables: Tables, rulebook: Rulebook) -> PooledAmbulatory:
    """The chosen recording in the form of the answer."""
    result, series = recording.result, recording.series
    categories = classify_ambulatory(tables, recording, rulebook)
    applicable = [guideline for guideline in tables.guidelines if is_for(guideline, tables.person, "ambulatory")]
    return PooledAmbulatory(
        systolic_mmhg=result.systolic_mmhg,
        diastolic_mmhg=result.diastolic_mmhg,
        readings=result.readings_counted,
        set=recording.sets[0],
        protocol=recording.protocol,
        site=result.site,
        taken_from=result.taken_from,
        taken_to=result.taken_to,
        hours_24=series.hours_24,
        day=series.day,
        night=series.night,
        dipping_percent=series.dipping_percent,
        dipping=series.dipping,
        parts=part_categories(applicable, recording.means),
        categories=categories,
        certainty=weigh_outside(tables, categories, recording, rulebook).certainty,
    )


def classify_home(tables: Tables, home: OutsideSeries, rulebook: Rulebook) -> list[Category]:
    """The category of a series in each guideline's table for home values."""
    return [
        label_placing(
            guideline,
            place(in_setting(guideline, "home"), home.result.systolic_mmhg, home.result.diastolic_mmhg),
            tables.person,
            rulebook,
            home.reasons,
            confirmed=True,
        )
        if is_for(guideline, tables.person, "home")
        else no_category(guideline, rulebook.digests[guideline.id])
        for guideline in tables.guidelines
    ]


def classify_ambulatory(tables: Tables, recording: OutsideSeries, rulebook: Rulebook) -> list[Category]:
    """The category of a recording in each guideline: the highest of the parts that decide."""
    categories = []
    for guideline in tables.guidelines:
        part = deciding_part(guideline, recording.means) if is_for(guideline, tables.person, "ambulatory") else None
        categories.append(
            no_category(guideline, rulebook.digests[guideline.id])
            if part is None
            else label_part(guideline, part, tables.person, rulebook, recording.reasons)
        )
    return categories


def weigh_outside(tables: Tables, categories: list[Category], value: OutsideSeries, rulebook: Rulebook) -> Sureness:
    """Certainty of the labels of a series or a recording; of a recording only those that its daytime mean gives too."""
    day = value.series.day
    if value.series.kind == "ambulatory":
        named = tables.by_name()
        labels = {entry.guideline: label_in(rows_for(named[entry.guideline], "ambulatory"), entry) for entry in categories}
        categories = [
            entry
            for entry in categories
            if day is not None and (label := labels[entry.guideline]) is not None and is_in_row(day, label)
        ]
    return judge_visits([value.remembered], categories, tables.person, None, rulebook, tables.by_name())
