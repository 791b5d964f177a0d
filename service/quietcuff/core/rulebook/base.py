"""The base of every type of rule file."""

from __future__ import annotations

import msgspec


class RuleStruct(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The base of every rule: unknown fields do not load."""
