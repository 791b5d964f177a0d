"""Reading of stored sittings: one set, its versions, pages of sets, and the record sheet."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

import msgspec

from quietcuff.application.context import Answer, AppContext, Caller, Page
from quietcuff.application.evaluate_and_keep import answer_of
from quietcuff.application.stored import EVALUATION_DECODER, SET_DECODER
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import NotAcceptable, NotFound
from quietcuff.core.model.evaluation import Category, Result, RuleReference, Safety, State
from quietcuff.core.model.fields import FIRST_YEAR, LAST_YEAR, Setting, utc_text
from quietcuff.core.record.sheet import Sheet, make_sheet
from quietcuff.core.record.sheet_sections import Amendment, Stored
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.paging import check_limit
from quietcuff.storage.rows.payloads import LinkRow, links_of_set
from quietcuff.storage.rows.reading_sets import ListedSet, ListFilter, SetQuery, cursor_of, find_set, page_end_of
from quietcuff.storage.rows.reading_sets import list_sets as listed_sets
from quietcuff.storage.rows.retention import missing_set
from quietcuff.storage.rows.tenants import Tenant
from quietcuff.storage.rows.versions import AnsweredVersion, VersionNote, newest_answer, numbered_answer, version_notes
from quietcuff.words.sheets import speak_sheet
from quietcuff.words.speaker import Speaker

# What the column holds.
MOST_VERSIONS = 2**31 - 1
ENCODER = msgspec.json.Encoder()


class ListedEvaluation(msgspec.Struct, frozen=True):
    """Parts of an evaluation that a list shows, kept as raw bytes."""

    state: str
    safety: msgspec.Raw
    protocol: msgspec.Raw
    result: msgspec.Raw
    categories: msgspec.Raw


class SetListed(msgspec.Struct, frozen=True, kw_only=True):
    """A set as it stands in a list."""

    id: str
    version: int
    status: Literal["active", "voided"]
    subject_id: str
    state: State
    safety: Safety
    setting: Setting
    protocol: RuleReference
    taken_from: datetime
    taken_to: datetime
    result: Result | None
    categories: list[Category]


TOLD = DocumentDecoder(ListedEvaluation)


async def read_set(desk: AppContext, caller: Caller, set_id: str) -> Answer:
    """The newest version of a set.

    Raises:
        NotFound: this tenant has no such set.
        Deleted: it had one.
    """
    wanted = read_id(set_id)

    def read(transaction: Transaction) -> AnsweredVersion:
        found = newest_answer(transaction, caller.tenant_id, wanted)
        if found is None:
            raise missing_set(transaction, caller.tenant_id, wanted)
        return found

    return answer_of(await desk.store.read(caller.tenant_id, read))


async def read_version(desk: AppContext, caller: Caller, set_id: str, number: int) -> Answer:
    """One version of a set, byte for byte as it was answered when it was the newest.

    Raises:
        NotFound: this tenant has no such set, or the set no such version.
        Deleted: it had such a set.
    """
    wanted = read_id(set_id)
    # A larger number would be an error of the database and not an unknown version.
    if not 1 <= number <= MOST_VERSIONS:
        raise NotFound("version")

    def read(transaction: Transaction) -> AnsweredVersion:
        found = numbered_answer(transaction, caller.tenant_id, wanted, number)
        if found is None:
            raise missing_set(transaction, caller.tenant_id, wanted)
        return found

    return answer_of(await desk.store.read(caller.tenant_id, read))


async def read_versions(desk: AppContext, caller: Caller, set_id: str) -> bytes:
    """Causes of all versions of a set, oldest first, as ``{"items": [...]}``.

    Raises:
        NotFound: this tenant has no such set.
        Deleted: it had one.
    """
    wanted = read_id(set_id)

    def notes(transaction: Transaction) -> tuple[list[VersionNote], list[LinkRow]]:
        row = find_set(transaction, caller.tenant_id, wanted)
        if row is None:
            raise missing_set(transaction, caller.tenant_id, wanted)
        key = (caller.tenant_id, row.subject_id, wanted)
        return version_notes(transaction, *key), links_of_set(transaction, *key)

    found, links = await desk.store.read(caller.tenant_id, notes)
    payloads = {link.version: str(link.payload_id) for link in links}
    return ENCODER.encode({"items": [version_listed(note, payloads.get(note.version)) for note in found]})


def version_listed(note: VersionNote, payload_id: str | None) -> dict[str, Any]:
    system, _, value = (note.author or "").partition("|")
    return {
        "version": note.version,
        "cause": note.cause,
        "created_at": utc_text(note.created_at),
        "by": note.by,
        "author": {"system": system, "value": value} if note.author else None,
        "reason": note.reason,
        "rules_digest": note.rules_digest,
        "payload_id": payload_id,
    }


async def list_sets(desk: AppContext, caller: Caller, query: SetQuery) -> Page:
    """A page of sets, newest first. An unknown subject has none.

    Raises:
        NotAcceptable: an invalid limit, cursor or day.
    """
    check_limit(query.limit)
    tenant = await desk.tenants.get(caller.tenant_id)
    try:
        wanted = filter_of(tenant, query)
    except NotFound:
        return Page(items=b"[]", cursor=None)
    # One more than the page holds: its presence tells that there is a next page without a second query or a count.
    found = await desk.store.read(caller.tenant_id, lambda transaction: listed_sets(transaction, wanted, query.limit + 1))
    page = found[: query.limit]
    return Page(
        items=ENCODER.encode([listed_set(one) for one in page]),
        cursor=cursor_of(page[-1].end) if len(found) > query.limit else None,
    )


def filter_of(tenant: Tenant, query: SetQuery) -> ListFilter:
    """The query in the store's terms.

    Raises:
        NotFound: the subject's id cannot be an id.
    """
    return ListFilter(
        tenant_id=tenant.tenant_id,
        subject_id=None if query.subject_id is None else read_id(query.subject_id),
        since=first_moment(query.since, tenant.zone, "from"),
        until=first_moment(query.until, tenant.zone, "to"),
        after=None if query.cursor is None else page_end_of(query.cursor),
        marks=query.marks,
    )


def first_moment(day: datetime | date | None, zone: ZoneInfo, parameter: str) -> datetime | None:
    """A moment as it is; a plain day as its first moment in the tenant's time zone.

    Raises:
        NotAcceptable: outside the years that can be stored.
    """
    if day is None:
        return None
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        detail = f"A day or a moment in the years {FIRST_YEAR} to {LAST_YEAR}."
        raise NotAcceptable.of(parameter=parameter, code="out-of-range", detail=detail)
    return day if isinstance(day, datetime) else datetime(day.year, day.month, day.day, tzinfo=zone)


def listed_set(listed: ListedSet) -> dict[str, Any]:
    """A set as ``SetListed`` says it. Parts of its evaluation go out as the bytes that were stored."""
    told = TOLD.decode(listed.evaluation)
    return {
        "id": str(listed.set_id),
        "version": listed.version,
        "status": listed.status,
        "subject_id": str(listed.subject_id),
        "state": told.state,
        "safety": told.safety,
        "setting": listed.setting,
        "protocol": told.protocol,
        "taken_from": listed.taken_from,
        "taken_to": listed.taken_to,
        "result": told.result,
        "categories": told.categories,
    }


async def read_sheet(desk: AppContext, caller: Caller, set_id: str, speaker: Speaker | None = None) -> Sheet:
    """Record sheet of a set's newest version, with the reasons of its later versions; English without a speaker.

    Raises:
        NotFound: this tenant has no such set.
        Deleted: it had one.
    """
    wanted = read_id(set_id)

    # One snapshot for both, so that the sheet never lists a version newer than the one it shows.
    def read(transaction: Transaction) -> tuple[AnsweredVersion, list[VersionNote]]:
        found = newest_answer(transaction, caller.tenant_id, wanted)
        if found is None:
            raise missing_set(transaction, caller.tenant_id, wanted)
        return found, version_notes(transaction, caller.tenant_id, found.subject_id, wanted)

    newest, notes = await desk.store.read(caller.tenant_id, read)
    reading_set, evaluation = SET_DECODER.decode(newest.document), EVALUATION_DECODER.decode(newest.evaluation)
    stored = stored_of(newest, notes)
    if speaker is not None:
        return speak_sheet(speaker, reading_set, evaluation, stored)
    return make_sheet(reading_set, evaluation, desk.rulebook.wording, stored)


def stored_of(newest: AnsweredVersion, notes: list[VersionNote]) -> Stored:
    """The stored state of a set in the sheet's terms. Appended readings are not amendments."""
    return Stored(
        id=str(newest.set_id),
        version=newest.version,
        status=newest.status,
        closed=newest.closes_at is None,
        stored_at=newest.set_created_at,
        changed_at=newest.created_at,
        later=[
            Amendment(version=note.version, cause=note.cause, at=note.created_at, reason=note.reason)
            for note in notes
            if note.cause not in ("created", "appended")
        ],
    )
