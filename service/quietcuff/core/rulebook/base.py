"""The base of every type of rule file, and a limit on two pressures."""

from __future__ import annotations

import msgspec


class RuleStruct(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The base of every rule: unknown fields do not load."""


class RuleFile(RuleStruct, frozen=True, kw_only=True):
    """A rule file by itself: its id, its version and its title come first."""

    id: str
    version: str
    title: str


class Edge(RuleStruct, frozen=True, kw_only=True):
    """A limit on the two pressures; reached when either is at or above its own."""

    systolic_mmhg: float
    diastolic_mmhg: float
