"""A limit on two pressures."""

from __future__ import annotations

from quietcuff.core.rulebook.base import RuleStruct


class Edge(RuleStruct, frozen=True, kw_only=True):
    """A limit on the two pressures; reached when either is at or above its own."""

    systolic_mmhg: float
    diastolic_mmhg: float
