"""A child's pressures against children of the same sex, age and height: percentiles, and a table of limits made for the child.

Age counts in completed years, as in the printed tables; the height's z is of the exact age.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from datetime import date
from typing import Literal

import msgspec

from quietcuff.core.model.evaluation import Percentile
from quietcuff.core.model.readings import Facts
from quietcuff.core.rulebook.references import Equation, HeightReference, PressureReference
from quietcuff.core.rulebook.rulebook import Edge, Guideline, PercentileEdge, Protocol, Row, Rulebook
from quietcuff.core.sitting.person import Person, latest_birth_day

LONGEST_MONTH = 31


class ExpectedPressure(msgspec.Struct, frozen=True):
    """The norm of a child in one pressure: the mean and the spread about it, in mmHg."""

    mean_mmhg: float
    sd_mmhg: float

    def z_of(self, mmhg: float) -> float:
        """The number of spreads by which a pressure is above the mean."""
        return (mmhg - self.mean_mmhg) / self.sd_mmhg

    def at(self, edge: PercentileEdge) -> float:
        """The pressure at a percentile, in mmHg."""
        return self.mean_mmhg + edge.z * self.sd_mmhg + edge.plus_mmhg


class Norms(msgspec.Struct, frozen=True, kw_only=True):
    """The norms of one child, and their references. ``is_tabled`` is false for heights beyond the printed tables."""

    reference: str
    height_reference: str
    age_years: int
    height_z: float
    is_tabled: bool
    systolic: ExpectedPressure
    diastolic: ExpectedPressure


def find_norms(
    guideline: Guideline, facts: Facts, person: Person, day: date, rulebook: Rulebook
) -> tuple[Norms | None, list[str]]:
    """The norms of the person by a guideline's reference, or None and the codes of what is lacking for them."""
    reference = rulebook.pressures[guideline.reference or ""]
    heights = rulebook.heights[reference.height_reference]
    lacking = [code for code, absent in lacking_facts(facts).items() if absent]
    born, sex, height_cm = latest_birth_day(facts.birth_date), known_sex(facts.sex), facts.height_cm
    if lacking or born is None or person.age_years is None or height_cm is None:
        return None, lacking
    height_z = find_height_z(heights, sex, age_in_months(born, day), height_cm)
    if height_z is None or abs(height_z) > reference.height_z_limit:
        return None, ["height-outside-reference"]
    return expect_of(reference, sex, person.age_years, height_z), []


def lacking_facts(facts: Facts) -> dict[str, bool]:
    """The facts that must be recorded of a child; a year alone is too coarse a birth date to judge a height by."""
    return {
        "sex-not-recorded": facts.sex not in ("female", "male"),
        "height-not-recorded": facts.height_cm is None,
        "birth-date-too-coarse": facts.birth_date is not None and len(facts.birth_date) == 4,
    }


def known_sex(sex: str | None) -> Literal["female", "male"]:
    """One of the two sexes that the references have tables for."""
    return "female" if sex == "female" else "male"


def age_in_months(born: date, day: date) -> float:
    """Completed months and the share of the one that runs: from 4 May 2018 to 4 May 2026 it is 96."""
    months = 12 * (day.year - born.year) + day.month - born.month
    return months + (day.day - born.day) / LONGEST_MONTH


def find_height_z(
    reference: HeightReference, sex: Literal["female", "male"], age_months: float, height_cm: float
) -> float | None:
    """The z of a height by the LMS method, rows interpolated; None outside the reference's ages.

    A boy of 120.5 months and 138.8234 cm has 0. Source: [CDC00].
    """
    for table in reference.tables:
        if table.sex == sex and table.from_months <= age_months < table.below_months:
            power, median_cm, spread = interpolate(table.rows, age_months)
            ratio = height_cm / median_cm
            return math.log(ratio) / spread if power == 0 else (ratio**power - 1) / (power * spread)
    return None


def interpolate(rows: list[tuple[float, float, float, float]], age_months: float) -> tuple[float, float, float]:
    """L, M and S between the two rows about an age; beyond the last, the last."""
    place = bisect_right(rows, age_months, key=lambda row: row[0])
    if place == len(rows):
        return rows[-1][1:]
    before, after = rows[place - 1], rows[place]
    share = (age_months - before[0]) / (after[0] - before[0])
    power, median_cm, spread = (low + share * (high - low) for low, high in zip(before[1:], after[1:], strict=True))
    return power, median_cm, spread


def expect_of(reference: PressureReference, sex: Literal["female", "male"], age_years: int, height_z: float) -> Norms:
    """The norm of a child: of a boy of 12 years and height z 1.28, systolic 109.458. Source: [FR04-APP-B]."""
    equations = {equation.pressure: equation for equation in reference.equations if equation.sex == sex}
    years = age_years - reference.age_origin_years
    return Norms(
        reference=reference.id,
        height_reference=reference.height_reference,
        age_years=age_years,
        height_z=height_z,
        is_tabled=abs(height_z) <= reference.height_z_tabled,
        systolic=solve(equations["systolic"], years, height_z),
        diastolic=solve(equations["diastolic"], years, height_z),
    )


def solve(equation: Equation, years: float, height_z: float) -> ExpectedPressure:
    """The mean at an age and a height: constant + sum(age[i] * years**i) + sum(height[i] * z**i), i from 1 to 4."""
    mean = equation.constant
    for power, (by_age, by_height) in enumerate(zip(equation.age, equation.height, strict=True), 1):
        mean += by_age * years**power + by_height * height_z**power
    return ExpectedPressure(mean, equation.sd_mmhg)


def fit_guideline(guideline: Guideline, norms: Norms) -> Guideline:
    """The guideline with its percentiles as pressures of this child; any other guideline as it is."""
    if guideline.measures != "percentile":
        return guideline
    rows = [fit_row(row, norms) for row in guideline.rows]
    start = next(row for row in rows if row.category == guideline.hypertension_from)
    return msgspec.structs.replace(
        guideline,
        rows=rows,
        hypertension=Edge(systolic_mmhg=start.systolic_mmhg or 0, diastolic_mmhg=start.diastolic_mmhg or 0),
    )


def fit_row(row: Row, norms: Norms) -> Row:
    """A row with its two edges in mmHg, and told so."""
    if row.percentile is None:
        return row
    edge = edge_of(row.percentile, norms)
    told = f"{edge.systolic_mmhg:.1f}/{edge.diastolic_mmhg:.1f}"
    basis = f"{row.basis}: {told} for {norms.age_years} years and a height of z {norms.height_z:.2f}"
    return msgspec.structs.replace(row, systolic_mmhg=edge.systolic_mmhg, diastolic_mmhg=edge.diastolic_mmhg, basis=basis)


def edge_of(edge: PercentileEdge, norms: Norms) -> Edge:
    """A percentile of both pressures in mmHg, or the fixed limit where that is lower."""
    systolic, diastolic = norms.systolic.at(edge), norms.diastolic.at(edge)
    if edge.or_from is not None:
        systolic, diastolic = min(systolic, edge.or_from.systolic_mmhg), min(diastolic, edge.or_from.diastolic_mmhg)
    return Edge(systolic_mmhg=systolic, diastolic_mmhg=diastolic)


def fit_protocol(protocol: Protocol, norms: Norms) -> Protocol:
    """The protocol with the limit below which one reading does at this child's percentile; any other as it is."""
    if protocol.one_may_do_below_percentile is None:
        return protocol
    return msgspec.structs.replace(protocol, one_may_do_below=edge_of(protocol.one_may_do_below_percentile, norms))


def as_printed(guideline: Guideline) -> Guideline:
    """The guideline with its limits as the printed tables have them: truncated to whole mmHg, 116.64 as 116."""
    rows = [
        msgspec.structs.replace(row, systolic_mmhg=truncate(row.systolic_mmhg), diastolic_mmhg=truncate(row.diastolic_mmhg))
        for row in guideline.rows
    ]
    return msgspec.structs.replace(guideline, rows=rows)


def truncate(mmhg: float | None) -> float | None:
    """A limit without its decimals."""
    return None if mmhg is None else math.floor(mmhg)


def report_percentile(norms: Norms, systolic_mmhg: float, diastolic_mmhg: float) -> Percentile:
    """The percentiles of the reported pressures. A boy of 12 years, height z 1.28, systolic 120: z 0.984, percentile 83.75."""
    systolic_z, diastolic_z = norms.systolic.z_of(systolic_mmhg), norms.diastolic.z_of(diastolic_mmhg)
    return Percentile(
        reference=norms.reference,
        height_reference=norms.height_reference,
        age_years=norms.age_years,
        height_z=round(norms.height_z, 4),
        systolic=percentile_of(systolic_z),
        systolic_z=round(systolic_z, 4),
        diastolic=percentile_of(diastolic_z),
        diastolic_z=round(diastolic_z, 4),
    )


def percentile_of(z: float) -> float:
    """The share of a standard normal distribution below z, in per cent to two decimals: 1.6449 gives 95."""
    return round(50 * math.erfc(-z / math.sqrt(2)), 2)
