"""Evaluation and storage of one version of a set with the history before it, and the JSON envelope in which it is answered.

The set, its version, readings, outbox entry and trail row are written in the transaction of the request. Everything is read and
decided before anything is written, so a refusal leaves nothing behind to undo. The envelope is joined from stored bytes that
are not parsed again.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

import msgspec

from quietcuff.application.context import Answer, UnitOfWork, note
from quietcuff.application.parties import (
    Equipment,
    Registry,
    look_up,
    note_seen,
    own_device_id,
    registration,
    with_known_devices,
)
from quietcuff.application.stored import StoredSet
from quietcuff.application.version_rows import Draft, Version, idle_time, rows_of_version
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.fields import YesNo, utc_text
from quietcuff.core.model.history import History
from quietcuff.core.model.readings import Device, Facts, Intake, ReadingSet, first_taken_at
from quietcuff.core.over_visits.history import Remembered, make_history
from quietcuff.core.record.resource_states import ResourceStates, next_stands
from quietcuff.core.record.sitting_version import SittingVersion
from quietcuff.storage.delivery.outbox import queue_version
from quietcuff.storage.engine.ids import device_ids
from quietcuff.storage.rows.reading_sets import change_set, insert_set
from quietcuff.storage.rows.readings import insert_readings, save_readings
from quietcuff.storage.rows.ready_rows import ReadyRows, insert_ready
from quietcuff.storage.rows.sitting_lookups import earlier_sittings
from quietcuff.storage.rows.tenants import TenantSettings
from quietcuff.storage.rows.versions import AnsweredVersion, answered, insert_version

REMEMBERED_DECODER = DocumentDecoder(Remembered)
ENCODER = msgspec.json.Encoder()
MILLISECOND = timedelta(milliseconds=1)
ACTIONS = {
    "created": "create-set",
    "appended": "append-readings",
    "closed": "close-set",
    "timed-out": "time-out-set",
    "reopened": "reopen-set",
    "corrected": "correct-set",
    "voided": "void-set",
    "re-evaluated": "re-evaluate-set",
}


def keep(turn: UnitOfWork, subject_id: UUID, set_id: UUID, draft: Draft, before: StoredSet | None) -> Answer:
    """Evaluate the next version of a set and store it.

    Raises:
        NotAcceptable: the rules cannot evaluate it.
    """
    equipment = look_up(turn, draft.reading_set)
    version = decide(turn, subject_id, set_id, draft, before, equipment)
    row = write(turn, subject_id, set_id, draft, version, before)
    note_seen(turn, equipment.unseen)
    return row


def decide(
    turn: UnitOfWork, subject_id: UUID, set_id: UUID, draft: Draft, before: StoredSet | None, equipment: Equipment
) -> Version:
    """The next version: the draft as it stands now, and its evaluation."""
    reading_set = complete(turn, subject_id, set_id, draft, before, equipment)
    sitting = SittingVersion(
        set_id=str(set_id),
        subject_id=str(subject_id),
        reading_set=reading_set,
        evaluation=evaluate(reading_set, reading_set.history, turn.desk.rulebook),
        device_ids=device_ids(turn.tenant.secret, reading_set),
        is_voided=draft.is_voided,
    )
    number, at = (1, turn.now) if before is None else (before.row.version + 1, later_than(before.row.updated_at, turn.now))
    return Version(number=number, at=at, sitting=sitting, stands=stands_after(sitting, before, number, at))


def complete(
    turn: UnitOfWork, subject_id: UUID, set_id: UUID, draft: Draft, before: StoredSet | None, equipment: Equipment
) -> ReadingSet:
    """The draft completed from the registry, with the current history and what the service itself records."""
    known = with_known_devices(draft.reading_set, equipment.registry)
    # Nothing is stored of somebody new.
    earlier = (
        []
        if draft.is_of_new_person
        else earlier_sittings(
            turn.transaction,
            turn.tenant.tenant_id,
            subject_id,
            taken_before=first_taken_at(known, turn.now),
            other_than=set_id,
        )
    )
    return completed(known, draft, before, equipment.registry, earlier, turn.now, turn.received_at, turn.tenant.settings)


def completed(
    known: ReadingSet,
    draft: Draft,
    before: StoredSet | None,
    registry: Registry,
    earlier: list[bytes],
    now: datetime,
    received_at: datetime,
    settings: TenantSettings,
) -> ReadingSet:
    """The draft, its devices known, with the earlier sittings, newest first, and what the service itself records."""
    history = history_of(earlier, first_taken_at(known, now), known.subject)
    intake = intake_of(settings, received_at, draft, before, history, registration(registry))
    return msgspec.structs.replace(known, history=history, intake=intake)


def history_before(turn: UnitOfWork, subject_id: UUID, facts: Facts, as_of: datetime, *, other_than: UUID) -> History:
    """History of a person from the sittings before a moment, without the set that is being evaluated."""
    newest_first = earlier_sittings(
        turn.transaction, turn.tenant.tenant_id, subject_id, taken_before=as_of, other_than=other_than
    )
    return history_of(newest_first, as_of, facts)


def history_of(newest_first: list[bytes], as_of: datetime, facts: Facts) -> History:
    remembered = list(map(REMEMBERED_DECODER.decode, reversed(newest_first)))
    return make_history(remembered, as_of, facts.treatment_changed_on)


def answer_of(version: AnsweredVersion, *, created: bool = False, replayed: bool = False) -> Answer:
    """The answer for a version, byte for byte as it was when the version was new."""
    set_id = str(version.set_id)
    return Answer(
        body=envelope(version, set_id),
        set_id=set_id,
        version=version.version,
        created=created,
        replayed=replayed,
    )


def envelope(version: AnsweredVersion, set_id: str) -> bytes:
    # Joined by hand and not encoded from a struct: the document and the evaluation must stay the bytes that are stored.
    closes_at = f'"{utc_text(version.closes_at)}"' if version.closes_at is not None else "null"
    updated_at = utc_text(version.created_at)
    # A first version has the time of its set.
    created_at = updated_at if version.set_created_at is version.created_at else utc_text(version.set_created_at)
    head = (
        f'{{"id":"{set_id}","version":{version.version},"status":"{version.status}",'
        f'"closed":{"true" if version.closes_at is None else "false"},"closes_at":{closes_at},'
        f'"subject_id":"{version.subject_id!s}","created_at":"{created_at}","updated_at":"{updated_at}","reading_set":'
    )
    return b"".join((head.encode(), version.document, b',"evaluation":', version.evaluation, b"}"))


def later_than(before: datetime, now: datetime) -> datetime:
    """Time of a version: now, but always after the version before it, also if the clock was set back."""
    # FHIR history and ``_lastUpdated`` sort by this time; two versions of a set with the same one would have no order.
    return max(now, before + MILLISECOND)


def intake_of(
    settings: TenantSettings,
    received_at: datetime,
    draft: Draft,
    before: StoredSet | None,
    history: History,
    device_registered: YesNo,
) -> Intake:
    """Intake facts that the service records with a version."""
    early = None if before is None else before.reading_set.intake
    was_timed_out = early is not None and early.closed_by_timeout and draft.cause != "reopened"
    return Intake(
        received_at=received_at if early is None or draft.has_arrived else early.received_at,
        closed_by_timeout=draft.cause == "timed-out" or was_timed_out,
        device_registered=device_registered,
        facts_differ=draft.facts_differ,
        changes=draft.codes + history_codes(before, history),
        notes=([] if early is None else early.notes) + draft.notes,
        default_guidelines=settings.default_guidelines,
        prior=settings.prior,
        without_prior=settings.without_prior,
    )


def history_codes(before: StoredSet | None, history: History) -> list[str]:
    """Code ``history-changed`` if the known earlier sittings differ from those of the version before."""
    early = None if before is None else before.reading_set.history
    if early is None or (early.sittings, early.pairs) == (history.sittings, history.pairs):
        return []
    return ["history-changed"]


def stands_after(sitting: SittingVersion, before: StoredSet | None, number: int, at: datetime) -> ResourceStates:
    if before is None:
        return next_stands(ResourceStates(), None, None, sitting, version=number, at=at)
    return next_stands(before.stands, before.newest, before.mean_shown, sitting, version=number, at=at)


def write(turn: UnitOfWork, subject_id: UUID, set_id: UUID, draft: Draft, version: Version, before: StoredSet | None) -> Answer:
    """Write the rows of a version and return its answer."""
    key = {"tenant_id": turn.tenant.tenant_id, "subject_id": subject_id, "set_id": set_id}
    own_device = own_device_id(turn.tenant.secret, version.reading_set)
    made = rows_of_version(key, draft, version, before, own_device, turn.desk.rulebook, turn.caller.actor)
    if before is None:
        insert_set(turn.transaction, made.row)
        insert_readings(turn.transaction, made.readings)
    else:
        change_set(turn.transaction, made.row)
        save_readings(turn.transaction, made.readings)
    insert_version(turn.transaction, made.version)
    return told(turn, answered(made.version, made.row.created_at), is_new=before is None)


def keep_foreseen(turn: UnitOfWork, made: ReadyRows, unseen: list[Device]) -> Answer:
    """Store the first version of a set that was made before, from what is still stored."""
    version = insert_ready(turn.transaction, made, turn.now, idle_time(turn.desk.rulebook))
    answer = told(turn, version, is_new=True)
    note_seen(turn, unseen)
    return answer


def told(turn: UnitOfWork, version: AnsweredVersion, *, is_new: bool) -> Answer:
    """The answer for a version that was written, which the trail and the outbox are told of."""
    # In this transaction and not by the sender afterwards: a crash between the two would lose the delivery.
    if turn.tenant.has_targets:
        key = turn.tenant.tenant_id, version.subject_id, version.set_id
        queue_version(turn.transaction, *key, version.version, turn.now)
    note(
        turn.transaction,
        turn.caller,
        ACTIONS[version.cause],
        turn.now,
        subject_id=version.subject_id,
        set_id=version.set_id,
        version=version.version,
    )
    return answer_of(version, created=is_new)
