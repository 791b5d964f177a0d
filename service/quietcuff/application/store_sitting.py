"""The main flow: store a sitting, or a change to one, with its evaluation, claims and trail row, in one transaction.

The order is: the claims of the request; the lock on the person's row; the first answer, if the request is a repeat; the version
that the change is meant for; then the rules, and the rows of the next version.
"""

from __future__ import annotations

from collections.abc import Callable
from uuid import UUID

import msgspec

from quietcuff.application import parties, preconditions, recognised
from quietcuff.application.context import Answer, AppContext, Caller, Foresight, IfMatch, UnitOfWork, turn_of
from quietcuff.application.evaluate_and_keep import keep, keep_foreseen
from quietcuff.application.foreseen import Foreseen, SeenBefore
from quietcuff.application.parties import StoredEquipment, facts_that_differ
from quietcuff.application.recognised import Claims, claims_of, first_answer, keep_claims
from quietcuff.application.stored import StoredSet, find_row, load
from quietcuff.application.version_rows import Draft, first_draft
from quietcuff.core.model.changes import AmendSet, Append, Correction, apply_append, apply_correction
from quietcuff.core.model.errors import NotAcceptable, QuietcuffError
from quietcuff.core.model.readings import Facts, Identifier, ReadingSet, first_taken_at
from quietcuff.decode.own_json import read
from quietcuff.storage.engine.ids import NOBODY, device_id, order_of_set, order_of_subject, read_id, subject_id
from quietcuff.storage.engine.transactions import ReadAhead
from quietcuff.storage.rows.reading_sets import SetRow
from quietcuff.storage.rows.sitting_lookups import SittingKeys, earlier_sittings, read_ahead
from quietcuff.storage.rows.subjects import SubjectRow, lock_subject
from quietcuff.storage.rows.tenants import Tenant

RECEIVE = "POST /v1/reading-sets"
APPEND = "POST /v1/reading-sets/{id}/readings"
REOPEN = "POST /v1/reading-sets/{id}/reopen"
CORRECT = "POST /v1/reading-sets/{id}/corrections"


class Nothing(msgspec.Struct, frozen=True):
    """The empty body of a request without one."""


class ChangeRequest(msgspec.Struct, frozen=True, kw_only=True):
    """A request to change a set. ``draft`` makes the next version. ``told`` translates a refusal by the rules into the terms of
    the request. ``known`` returns the answer if the change is stored already, whatever version the request names."""

    set_id: UUID
    route: str
    body: msgspec.Struct
    key: str | None
    if_match: IfMatch
    any_version: bool = False
    draft: Callable[[UnitOfWork, StoredSet, Facts], Draft]
    told: Callable[[NotAcceptable, StoredSet], QuietcuffError]
    known: Callable[[UnitOfWork, SetRow], Answer | None] = lambda turn, row: None


def understand(desk: AppContext, body: bytes) -> ReadingSet:
    """Decode and check a sitting that is to be stored.

    Raises:
        NotReadable, NotAcceptable: as ``decode.own_json.read``, with the faults of meaning among those of shape.
    """
    return read(body, ReadingSet, lambda reading_set: preconditions.faults_of_storing(reading_set, desk.rulebook))


async def receive(desk: AppContext, caller: Caller, reading_set: ReadingSet, *, idempotency_key: str | None) -> Answer:
    """Evaluate and store a sitting, or return the first answer again if the request is a repeat.

    Raises:
        NotAcceptable: the rules cannot evaluate it, it holds what the service adds, or its key is of another body.
        Conflict: a set with this identifier and another body is stored, or a reading of it otherwise or elsewhere.
    """
    tenant = await desk.tenants.get(caller.tenant_id)
    claims = claims_of(tenant, RECEIVE, reading_set, key=idempotency_key, identifier=reading_set.identifier)
    return await take_in(desk, tenant, caller, reading_set, claims)


async def take_in(
    desk: AppContext,
    tenant: Tenant,
    caller: Caller,
    reading_set: ReadingSet,
    claims: Claims,
    deciders: Foresight | None = None,
    sent: bytes | None = None,
) -> Answer:
    """Evaluate and store a sitting under its claims. It joins the queue before anything else can happen, so the sittings of one
    person are stored in the order in which they were taken in; ``deciders``, or else those of the desk, keep that order.
    ``sent`` is the JSON that it was read from, where it is at hand.

    Raises:
        NotAcceptable, Conflict: as ``receive``.
    """
    preconditions.refuse_what_the_service_adds(reading_set, desk.rulebook)
    person = subject_id(tenant.secret, reading_set.subject.identifier)
    keys = keys_of(tenant, person, reading_set, claims)
    ahead = deciders or desk.deciders
    foreseen = None if ahead is None else await ahead.foresee(tenant, caller, reading_set, keys, sent)
    arrived_at = None if foreseen is None else foreseen.received_at
    return await desk.store.write(
        tenant.tenant_id,
        lambda transaction: store_new(
            turn_of(desk, tenant, caller, transaction, arrived_at), person, reading_set, claims, foreseen
        ),
        order=order_of_subject(person),
        ahead=ReadAhead(wanted=keys, read=read_ahead),
    )


def keys_of(tenant: Tenant, person: UUID, reading_set: ReadingSet, claims: Claims) -> SittingKeys:
    """The keys of the rows that ``store_new`` looks up. It works without them too, and then asks one by one."""
    readings = reading_set.readings
    named = [reading.identifier for reading in readings if isinstance(reading.identifier, Identifier)]
    return SittingKeys(
        subject_id=person,
        claims=[
            *(digest for _, digest in claims.digests),
            *(recognised.digest_of(tenant, person, name) for name in named),
        ],
        devices=[device_id(tenant.secret, identifier) for identifier, _ in parties.identified_devices(reading_set)],
        taken_at=[reading.taken_at for reading in readings if not isinstance(reading.identifier, Identifier)],
        as_of=first_taken_at(reading_set, readings[0].taken_at) if readings else None,
    )


def store_new(
    turn: UnitOfWork, person: UUID, reading_set: ReadingSet, claims: Claims, foreseen: Foreseen | None = None
) -> Answer:
    # The lock comes before every look at what is stored: two equal requests at once must not both find nothing.
    known = lock_subject(turn.transaction, turn.tenant.tenant_id, person)
    answered = first_answer(turn, claims)
    if answered is not None:
        return answered
    preconditions.refuse_unknown_replaced(turn, reading_set)
    # Only after the claims: a repeated request gets its own first answer, whatever became of its readings since.
    # Nothing is stored of a person without a row.
    known_already = None if known is None else recognised.answer_of_known(turn, person, reading_set)
    if known_already is not None:
        return known_already
    set_id = turn.desk.new_id(person, turn.now) if foreseen is None else foreseen.set_id
    answer = None if foreseen is None else store_foreseen(turn, person, reading_set, known, foreseen)
    if answer is None:
        met = parties.resolve_person(turn, person, reading_set.subject, known)
        draft = first_draft(reading_set, met.said, met.differ, is_of_new_person=met.is_new)
        answer = keep(turn, person, set_id, draft, None)
        parties.save(turn, met)
    keep_claims(turn, claims, person, set_id, answer.version)
    recognised.keep_readings(turn, person, set_id, answer.version, reading_set.readings)
    return answer


def store_foreseen(
    turn: UnitOfWork, person: UUID, reading_set: ReadingSet, known: SubjectRow | None, foreseen: Foreseen
) -> Answer | None:
    """Store what was decided before, if all that it was decided with is still so; None if it is not."""
    if foreseen.made is None:
        return None
    equipment = parties.look_up_stored(turn, reading_set)
    if foreseen.seen != seen_of(turn, person, reading_set, known, equipment):
        return None
    answer = keep_foreseen(turn, foreseen.made.rows, equipment.unseen)
    parties.save_learnt(turn, person, reading_set.subject, known, foreseen.made.learnt)
    return answer


def seen_of(
    turn: UnitOfWork, person: UUID, reading_set: ReadingSet, known: SubjectRow | None, equipment: StoredEquipment
) -> SeenBefore:
    """What is stored that the evaluation of a new set depends on."""
    tenant_id, as_of = turn.tenant.tenant_id, first_taken_at(reading_set, turn.now)
    return SeenBefore(
        facts=None if known is None else known.facts,
        devices=equipment.documents,
        # Nothing is stored of a person without a row.
        earlier=[]
        if known is None
        else earlier_sittings(turn.transaction, tenant_id, person, taken_before=as_of, other_than=NOBODY),
    )


async def append(
    desk: AppContext, caller: Caller, set_id: str, change: Append, *, if_match: IfMatch, idempotency_key: str | None
) -> Answer:
    """Add readings or answers to an open set, or close it.

    Raises:
        NotFound, VersionNotNamed, VersionStale: as for every change.
        Conflict: ``set-closed``, ``set-voided``, ``sitting-over``, ``reading-differs`` or ``reading-elsewhere``.
        NotAcceptable: nothing to append, too many readings, or its key is of another body.
    """

    fresh: list[int] = []

    def known(turn: UnitOfWork, row: SetRow) -> Answer | None:
        fresh[:] = recognised.fresh_places(turn, row.subject_id, row.set_id, change)
        says_more = fresh or not change.readings or change.context is not None or (change.closed and row.closed_at is None)
        return None if says_more else recognised.answer_known(turn, row.set_id, created=False)

    def draft(turn: UnitOfWork, stored: StoredSet, facts: Facts) -> Draft:
        preconditions.refuse_closed(stored.row)
        new = msgspec.structs.replace(change, readings=[change.readings[place] for place in fresh])
        changed = apply_append(stored.reading_set, new)
        return Draft(
            reading_set=changed.reading_set,
            cause="closed" if change.closed else "appended",
            codes=changed.codes,
            has_arrived=True,
            facts_differ=stored.facts_differ,
        )

    wanted = ChangeRequest(
        set_id=read_id(set_id),
        route=APPEND,
        body=change,
        key=idempotency_key,
        if_match=if_match,
        any_version=True,
        draft=draft,
        told=lambda refusal, stored: preconditions.of_append(refusal, stored.row, len(stored.reading_set.readings), fresh),
        known=known,
    )
    return await make(desk, caller, wanted)


async def reopen(desk: AppContext, caller: Caller, set_id: str, *, if_match: IfMatch, idempotency_key: str | None) -> Answer:
    """Open again a set that was closed less than a day ago.

    Raises:
        NotFound, VersionNotNamed, VersionStale: as for every change.
        Conflict: ``set-open``, ``set-voided`` or ``reopen-too-late``.
    """

    def draft(turn: UnitOfWork, stored: StoredSet, facts: Facts) -> Draft:
        preconditions.refuse_reopening(stored.row, turn.now, turn.desk.rulebook.limits.reopen_hours)
        opened = msgspec.structs.replace(stored.reading_set, closed=False)
        return Draft(reading_set=opened, cause="reopened", codes=["reopened"], facts_differ=stored.facts_differ)

    wanted = ChangeRequest(
        set_id=read_id(set_id),
        route=REOPEN,
        body=Nothing(),
        key=idempotency_key,
        if_match=if_match,
        draft=draft,
        told=lambda refusal, stored: refusal,
    )
    return await make(desk, caller, wanted)


async def correct(
    desk: AppContext, caller: Caller, set_id: str, correction: Correction, *, if_match: IfMatch, idempotency_key: str | None
) -> Answer:
    """Correct or void a set: all changes together or none.

    Raises:
        NotFound, VersionNotNamed, VersionStale: as for every change.
        Conflict: ``set-voided``.
        NotAcceptable: a change that cannot be made, ``nothing-to-change``, or its key is of another body.
    """

    def draft(turn: UnitOfWork, stored: StoredSet, facts: Facts) -> Draft:
        changed = apply_correction(stored.reading_set, correction)
        amends = [change for change in correction.changes if isinstance(change, AmendSet)]
        has_facts = any(isinstance(amend.set.subject, msgspec.Struct) for amend in amends)
        corrected = changed.reading_set
        return Draft(
            reading_set=msgspec.structs.replace(corrected, closed=corrected.closed or changed.voids_set),
            cause="voided" if changed.voids_set else "corrected",
            codes=changed.codes,
            is_voided=changed.voids_set,
            facts_differ=facts_that_differ(corrected.subject, facts) if has_facts else stored.facts_differ,
            author=correction.author,
            reason=correction.reason,
        )

    wanted = ChangeRequest(
        set_id=read_id(set_id),
        route=CORRECT,
        body=correction,
        key=idempotency_key,
        if_match=if_match,
        draft=draft,
        told=lambda refusal, stored: preconditions.of_correction(refusal, correction),
    )
    return await make(desk, caller, wanted)


async def make(desk: AppContext, caller: Caller, wanted: ChangeRequest) -> Answer:
    """Apply a change in the shared transaction."""
    tenant = await desk.tenants.get(caller.tenant_id)
    claims = claims_of(tenant, f"{wanted.route} {wanted.set_id}", wanted.body, key=wanted.key)
    return await desk.store.write(
        tenant.tenant_id,
        lambda transaction: store_change(turn_of(desk, tenant, caller, transaction), wanted, claims),
        order=order_of_set(wanted.set_id),
    )


def store_change(turn: UnitOfWork, wanted: ChangeRequest, claims: Claims) -> Answer:
    """Store the next version of a set.

    Raises:
        NotFound: this tenant has no such set.
        VersionNotNamed, VersionStale: the change is not meant for the newest version.
        Conflict: what is stored forbids it.
        NotAcceptable: the rules, or the change itself.
    """
    person = find_row(turn, wanted.set_id).subject_id
    person_known = lock_subject(turn.transaction, turn.tenant.tenant_id, person)
    answered = first_answer(turn, claims)
    if answered is not None:
        return answered
    # Read again: while the person's row was waited for, another change may have been stored.
    row = find_row(turn, wanted.set_id)
    known_already = wanted.known(turn, row)
    if known_already is not None:
        return known_already
    # Only now: a repeat names the version that it was first sent for, which is stale by then, and must still be answered.
    preconditions.check_version(wanted.if_match, row.version, any_will_do=wanted.any_version)
    preconditions.refuse_voided(row)
    stored = load(turn, row)
    facts = Facts() if person_known is None else parties.DECODER.decode(person_known.facts)
    draft = wanted.draft(turn, stored, facts)
    try:
        answer = keep(turn, person, wanted.set_id, draft, stored)
    except NotAcceptable as refusal:
        raise wanted.told(refusal, stored) from refusal
    keep_claims(turn, claims, person, wanted.set_id, answer.version)
    arrived = draft.reading_set.readings[len(stored.reading_set.readings) :]
    recognised.keep_readings(turn, person, wanted.set_id, answer.version, arrived)
    return answer
