"""The record sheet of a stored set, as it stands."""

from __future__ import annotations

from quietcuff.application.context import Caller, Desk
from quietcuff.application.stored import EVALUATION_DECODER, SET_DECODER
from quietcuff.core.record.sheet import Sheet, make_sheet
from quietcuff.core.record.sheet_sections import Amendment, Stored
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.answers import AnsweredVersion, newest_answer
from quietcuff.storage.rows.deleted import missing_set
from quietcuff.storage.rows.versions import VersionNote, version_notes


async def read_sheet(desk: Desk, caller: Caller, set_id: str) -> Sheet:
    """The record sheet of a set's newest version, with why there are later versions than the first.

    Raises:
        NotFound: this tenant has no such set.
        Deleted: it had one.
    """
    wanted = read_id(set_id)

    def read(transaction: Transaction) -> tuple[AnsweredVersion, list[VersionNote]]:
        found = newest_answer(transaction, caller.tenant_id, wanted)
        if found is None:
            raise missing_set(transaction, caller.tenant_id, wanted)
        return found, version_notes(transaction, caller.tenant_id, found.subject_id, wanted)

    newest, notes = await desk.store.read(caller.tenant_id, read)
    reading_set, evaluation = SET_DECODER.decode(newest.document), EVALUATION_DECODER.decode(newest.evaluation)
    return make_sheet(reading_set, evaluation, desk.rulebook.wording, stored_of(newest, notes))


def stored_of(newest: AnsweredVersion, notes: list[VersionNote]) -> Stored:
    """What the store knows of the set, in the sheet's terms; readings that were appended are no amendments."""
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
