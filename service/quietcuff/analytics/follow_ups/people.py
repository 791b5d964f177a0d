"""What is stored, a few whole people at a time: nobody's sets are broken in two."""

from __future__ import annotations

from collections.abc import AsyncGenerator
from functools import partial
from itertools import groupby
from uuid import UUID

from quietcuff.application.context import AppContext
from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.rows.analysis_pages import AnalysedSet, analysed_sets

SETS_A_PAGE = 500
AFTER_ALL = UUID(int=2**128 - 1)
Person = list[AnalysedSet]


async def whole_people(desk: AppContext, tenant_id: int, after: UUID = NOBODY) -> AsyncGenerator[list[Person], None]:
    """The sets of each person in the order of their ids, those after one, some people at a time."""
    key = (after, AFTER_ALL if after != NOBODY else NOBODY)
    held: list[AnalysedSet] = []
    while page := await desk.store.read(tenant_id, partial(analysed_sets, tenant_id=tenant_id, after=key, most=SETS_A_PAGE)):
        key = page[-1].key
        # Whoever is last on the page may have more sets on the next one.
        whole = [stored for stored in held + page if stored.subject_id != key[0]]
        held = [stored for stored in held + page if stored.subject_id == key[0]]
        if whole:
            yield people_in(whole)
    if held:
        yield people_in(held)


def people_in(stored: list[AnalysedSet]) -> list[Person]:
    """The sets of each person, where they stand in order."""
    return [list(sets) for _, sets in groupby(stored, key=lambda one: one.subject_id)]
