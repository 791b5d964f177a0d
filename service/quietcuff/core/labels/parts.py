"""Categories of the parts of an ambulatory recording, and the parts that decide."""

from __future__ import annotations

import msgspec

from quietcuff.core.findings.findings import find
from quietcuff.core.labels.classification import Placing, label_placing, no_category, place_in_rows
from quietcuff.core.model.evaluation import Category, Finding, PartCategory, PartMean
from quietcuff.core.rulebook.rulebook import Bands, Guideline, Rulebook
from quietcuff.core.sitting.person import Person
from quietcuff.core.sitting.sitting import Sitting

Means = dict[str, PartMean]
PART_NAMES = {"day": "daytime", "night": "night-time", "hours-24": "24-hour"}


class PartPlacing(msgspec.Struct, frozen=True, kw_only=True):
    """The row of one part's mean in a guideline's table for that part."""

    bands: Bands
    mean: PartMean
    placing: Placing


def place_parts(guideline: Guideline, means: Means) -> list[PartPlacing]:
    """Every part that has a mean and a table, in the order of the guideline's file."""
    return [
        PartPlacing(
            bands=bands,
            mean=means[bands.part],
            placing=place_in_rows(bands.rows, means[bands.part].systolic_mmhg, means[bands.part].diastolic_mmhg),
        )
        for bands in guideline.out_of_office
        if bands.setting == "ambulatory" and bands.part in means
    ]


def deciding_part(guideline: Guideline, means: Means) -> PartPlacing | None:
    """The part that gives the guideline's category: the highest deciding one, the first named where several are equal."""
    deciding = [part for part in place_parts(guideline, means) if part.bands.decides]
    return max(deciding, key=lambda part: part.placing.rank, default=None)


def classify_recording(sitting: Sitting, guideline: Guideline, means: Means, provisional_because: list[str]) -> Category:
    """The category of a recording; null without a valid one or outside the population."""
    part = deciding_part(guideline, means) if guideline in sitting.applicable else None
    if part is None or (sitting.reading_set.context.care != "ordinary" and not part.placing.row.severe):
        return no_category(guideline, sitting.rulebook.digests[guideline.id])
    return label_part(guideline, part, sitting.person, sitting.rulebook, provisional_because)


def label_part(
    guideline: Guideline, part: PartPlacing, person: Person, rulebook: Rulebook, provisional_because: list[str]
) -> Category:
    """The category of the part that decides, which its basis names."""
    category = label_placing(guideline, part.placing, person, rulebook, provisional_because, confirmed=True)
    told = f"{PART_NAMES[part.bands.part]} mean {part.mean.systolic_mmhg}/{part.mean.diastolic_mmhg}"
    return msgspec.structs.replace(category, basis=f"{told}: {part.placing.row.basis}")


def part_categories(applicable: list[Guideline], means: Means) -> list[PartCategory]:
    """The category of each part in each applicable guideline that has a table for it, in the order of the request."""
    return [
        PartCategory(
            guideline=guideline.id,
            part=part.bands.part,
            category=part.placing.row.category,
            label=part.placing.row.label,
            decides=part.bands.decides,
        )
        for guideline in applicable
        for part in place_parts(guideline, means)
        if part.bands.part != "home"
    ]


def part_findings(sitting: Sitting, means: Means) -> list[Finding]:
    """Findings where rounding decides, and where the night alone is in the hypertension range."""
    book = sitting.rulebook
    findings = []
    moved = [guideline.id for guideline in sitting.applicable if rounding_decides(guideline, means)]
    if moved:
        findings.append(find(book, "rounding-decides", list=", ".join(moved)))
    alone = [guideline.id for guideline in sitting.applicable if only_night_is_high(guideline, means)]
    if alone:
        findings.append(find(book, "night-alone-high", list=", ".join(alone)))
    return findings


def rounding_decides(guideline: Guideline, means: Means) -> bool:
    """True where the exact means would give another category than the reported ones. Source: [DECISION]."""
    part = deciding_part(guideline, means)
    exact = [
        place_in_rows(each.bands.rows, each.mean.systolic_mean_mmhg, each.mean.diastolic_mean_mmhg).rank
        for each in place_parts(guideline, means)
        if each.bands.decides
    ]
    return part is not None and max(exact) != part.placing.rank


def only_night_is_high(guideline: Guideline, means: Means) -> bool:
    """True where the night's mean reaches the hypertension limit for nights while no other part reaches its own."""
    high = {
        part.bands.part
        for part in place_parts(guideline, means)
        if part.mean.systolic_mmhg >= part.bands.hypertension.systolic_mmhg
        or part.mean.diastolic_mmhg >= part.bands.hypertension.diastolic_mmhg
    }
    return high == {"night"}
