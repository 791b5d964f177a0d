"""A person as a set comes in: what the set says, what the registry knows, and what each learns from the other."""

from __future__ import annotations

from uuid import UUID

import msgspec

from quietcuff.application.context import Turn
from quietcuff.application.known import FACTS, facts_of, facts_that_differ, filled
from quietcuff.core.model.readings import Facts, Subject
from quietcuff.storage.engine.transactions import RunAgain
from quietcuff.storage.rows.deleted import find_deleted_subject
from quietcuff.storage.rows.subjects import SubjectRow, change_subject, insert_subject_if_new

ENCODER = msgspec.json.Encoder()
DECODER = msgspec.json.Decoder(Facts)


class Met(msgspec.Struct, frozen=True, kw_only=True):
    """A person met: ``said`` with the registry's facts filled in, and the registry's row with the set's filled in."""

    said: Subject
    differ: list[str]
    row: SubjectRow
    is_new: bool
    is_changed: bool


def meet(turn: Turn, subject_id: UUID, said: Subject, known: SubjectRow | None) -> Met:
    """What a set and the registry know of a person together. Where they differ, each keeps its own."""
    if known is None:
        row = new_row(turn, subject_id, said)
        return Met(said=said, differ=[], row=row, is_new=True, is_changed=False)
    facts = DECODER.decode(known.facts)
    learnt = filled(facts, said, FACTS)
    is_changed = learnt != facts
    row = with_facts(turn, known, learnt) if is_changed else known
    differ = facts_that_differ(said, facts)
    return Met(said=filled(said, facts, FACTS), differ=differ, row=row, is_new=False, is_changed=is_changed)


def save(turn: Turn, met: Met) -> None:
    """Store what the registry learnt.

    Raises:
        RunAgain: another process stored the person meanwhile.
    """
    if met.is_new and not insert_subject_if_new(turn.transaction, met.row):
        raise RunAgain
    if met.is_changed:
        change_subject(turn.transaction, met.row)


def new_row(turn: Turn, subject_id: UUID, said: Subject) -> SubjectRow:
    # Who was deleted and comes again goes on counting: a version that was seen once never says anything else.
    deleted = find_deleted_subject(turn.transaction, turn.tenant.tenant_id, subject_id)
    return SubjectRow(
        tenant_id=turn.tenant.tenant_id,
        subject_id=subject_id,
        system=said.identifier.system,
        value=said.identifier.value,
        facts=ENCODER.encode(facts_of(said)),
        alias_of=None,
        version=1 if deleted is None else deleted.version + 1,
        created_at=turn.now,
        updated_at=turn.now,
    )


def with_facts(turn: Turn, row: SubjectRow, facts: Facts) -> SubjectRow:
    """The row with other facts, one version further."""
    return msgspec.structs.replace(row, facts=ENCODER.encode(facts), version=row.version + 1, updated_at=turn.now)
