"""A group as FHIR shows it: its name, and how many people belong to it. [R4] Group."""

from __future__ import annotations

from datetime import datetime

import msgspec

from quietcuff.fhir.model.resources import Group, Meta
from quietcuff.fhir.resources.sitting import instant


def group_resource(group_id: str, name: str, created_at: datetime, people: int | None) -> bytes:
    """The resource in JSON. A quantity of none is left out, for R4 counts from one."""
    meta = Meta(version_id="1", last_updated=instant(created_at))
    return msgspec.json.encode(Group(id=group_id, meta=meta, type="person", actual=True, name=name, quantity=people or None))
