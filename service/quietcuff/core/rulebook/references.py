"""The types of references for children: heights by age, pressures by age and height, screening values by age."""

from __future__ import annotations

from typing import Literal

from quietcuff.core.rulebook.base import Edge, RuleFile, RuleStruct


class HeightTable(RuleStruct, frozen=True, kw_only=True):
    """Heights of one sex between two ages: rows of age in months, L, M in centimetres and S. M is the median; a height's z is
    ((height / M) ** L - 1) / (L * S)."""

    sex: Literal["female", "male"]
    measured: Literal["length", "stature"]
    from_months: float
    below_months: float
    rows: list[tuple[float, float, float, float]]


class HeightReference(RuleFile, frozen=True, kw_only=True):
    """A height reference by the LMS method."""

    note: str = ""
    tables: list[HeightTable]
    source: list[str]


class Equation(RuleStruct, frozen=True, kw_only=True):
    """Expected pressure of one sex: ``constant`` plus polynomials in age and in the height's z.

    The coefficients are those of the first to fourth powers; ``sd_mmhg`` is the spread about the expected pressure.
    """

    sex: Literal["female", "male"]
    pressure: Literal["systolic", "diastolic"]
    constant: float
    age: tuple[float, float, float, float]
    height: tuple[float, float, float, float]
    sd_mmhg: float


class PressureReference(RuleFile, frozen=True, kw_only=True):
    """A pressure reference by regression on age and height. Age counts from ``age_origin_years``. Heights beyond
    ``height_z_tabled`` are outside the printed tables, beyond ``height_z_limit`` nothing is computed."""

    note: str = ""
    height_reference: str
    age_origin_years: float
    height_z_tabled: float
    height_z_limit: float
    equations: list[Equation]
    source: list[str]


class ScreeningRow(RuleStruct, frozen=True, kw_only=True):
    """The screening values from an age in completed years on, in mmHg."""

    age_years: int
    female: Edge
    male: Edge


class ScreeningReference(RuleFile, frozen=True, kw_only=True):
    """Pressures by age and sex alone at which a child needs more than a screening; rows from the youngest to the oldest."""

    note: str = ""
    rows: list[ScreeningRow]
    source: list[str]
