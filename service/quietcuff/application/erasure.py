"""Searches around an erasure: payloads that name the person, and anything that is left afterwards.

A payload can name a person although no set was made from it, so the person's sets alone do not lead to it.
"""

from __future__ import annotations

from functools import partial
from uuid import UUID

import msgspec

from quietcuff.application.context import AppContext
from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.rows.erasing import Words, look_at_page, rows_of_subject, searched_tables, unsure_payloads
from quietcuff.storage.rows.subjects import SubjectRow, find_subject
from quietcuff.storage.rows.tenants import Tenant


class Left(msgspec.Struct, frozen=True, kw_only=True):
    """Result of a search after an erasure. ``of_person`` counts rows that belong to the person, by table; there should be none.
    ``naming`` counts other rows that contain the same identifier, by table. ``log_emptied`` is about SQLite's log."""

    of_person: dict[str, int]
    naming: dict[str, int]
    rows: int
    log_emptied: bool | None


def words_of(tenant: Tenant, person: SubjectRow) -> Words:
    """Words to search for: the person's identifier, and the names by which senders call its system."""
    names = [name for name, system in tenant.settings.authorities.items() if system == person.system]
    return Words(person.system, person.value, names)


async def find_person(desk: AppContext, tenant: Tenant, subject_id: UUID) -> SubjectRow | None:
    return await desk.store.read(tenant.tenant_id, lambda snapshot: find_subject(snapshot, tenant.tenant_id, subject_id))


async def payloads_naming(desk: AppContext, tenant: Tenant, words: Words) -> list[UUID]:
    """Ids of payloads that name a person, among those whose people are not fully known: refused payloads and empty ones."""
    found, after = [], NOBODY
    # Bytes are searched one page at a time, because the unread payloads of a tenant may not fit in memory.
    while page := await desk.store.read(tenant.tenant_id, partial(unsure_payloads, tenant_id=tenant.tenant_id, after=after)):
        found += [payload_id for payload_id, body in page if words.stand_in(body)]
        after = page[-1][0]
    return found


async def look_for(desk: AppContext, tenant: Tenant, subject_id: UUID, words: Words) -> Left:
    """Search every table of the tenant, unpacked, for an erased person, after emptying SQLite's log."""
    tenant_id = tenant.tenant_id
    # First the log: SQLite keeps deleted pages in it, where no search of tables would find them.
    emptied = await desk.store.empty_log()
    of_person = await desk.store.read(tenant_id, lambda snapshot: rows_of_subject(snapshot, tenant_id, subject_id))
    rows, naming = 0, {}
    for table in searched_tables():
        after, count = None, 0
        while True:
            look = partial(look_at_page, tenant_id=tenant_id, table=table, words=words, after=after)
            page = await desk.store.read(tenant_id, look)
            rows, count, after = rows + page.rows, count + page.naming, page.end
            if after is None:
                break
        if count:
            naming[table.name] = count
    return Left(of_person=of_person, naming=naming, rows=rows, log_emptied=emptied)
