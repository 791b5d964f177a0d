"""Re-evaluation of stored sets with the rules now in force, each from its own stored data alone.

Nothing is written unless asked. A new version states its cause, changes only those Observations whose content differs, and is
delivered like any other version.
"""

from __future__ import annotations

from collections import Counter
from functools import partial
from uuid import UUID

import msgspec

from quietcuff.application.context import AppContext, Caller, HowFar, UnitOfWork, turn_of, untold
from quietcuff.application.evaluate_and_keep import ENCODER, later_than, stands_after, write
from quietcuff.application.stored import EVALUATION_DECODER, SET_DECODER, load
from quietcuff.application.version_rows import Draft, Version
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Intake
from quietcuff.core.record.sitting_version import SittingVersion
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.ids import device_ids, order_of_subject
from quietcuff.storage.rows.analysis_pages import START, AnalysedSet, analysed_sets, part_before
from quietcuff.storage.rows.reading_sets import find_set
from quietcuff.storage.rows.subjects import lock_subject

CAUSE = "re-evaluated"
SETS_A_PAGE = 200


class Reevaluated(msgspec.Struct, kw_only=True):
    """Counts of a re-evaluation: sets that are the same, that differ in anything, and that differ in result or label; open
    sets, and sets that the rules now refuse; versions written, and sets passed over because they changed meanwhile."""

    sets: int = 0
    same: int = 0
    differ: int = 0
    move: int = 0
    open: int = 0
    refused: int = 0
    written: int = 0
    passed_over: int = 0
    moves: dict[str, int] = {}


async def reevaluate(desk: AppContext, caller: Caller, *, keeps: bool, told: HowFar = untold) -> Reevaluated:
    """Evaluate every closed set of a tenant again; with ``keeps`` store a new version of each that differs."""
    counts, after = Reevaluated(), START
    moves: Counter[str] = Counter()
    # Read in pages and written one by one: the run takes long, and other work on the tenant goes on between.
    while page := await desk.store.read(
        caller.tenant_id, partial(analysed_sets, tenant_id=caller.tenant_id, after=after, most=SETS_A_PAGE)
    ):
        for stored in page:
            after = stored.key
            if await look_again(desk, caller, stored, counts, moves) and keeps:
                kept = await keep_again(desk, caller, stored)
                counts.written += kept
                counts.passed_over += not kept
        told(part_before(after), counts.sets)
    counts.moves = dict(moves.most_common())
    return counts


async def look_again(desk: AppContext, caller: Caller, stored: AnalysedSet, counts: Reevaluated, moves: Counter[str]) -> bool:
    """Compare a set's new evaluation with the stored one and count it. True if anything differs."""
    counts.sets += 1
    if stored.closed_at is None:
        counts.open += 1
        return False
    try:
        found = evaluated_again(stored, desk.rulebook)
    except NotAcceptable:
        counts.refused += 1
        return False
    # Bytes are compared: an evaluation that encodes the same is the same in every field.
    if ENCODER.encode(found) == stored.evaluation:
        counts.same += 1
        return False
    counts.differ += 1
    said, says = result_in_words(EVALUATION_DECODER.decode(stored.evaluation)), result_in_words(found)
    if said != says:
        counts.move += 1
        moves[f"{said} → {says}"] += 1
    return True


def evaluated_again(stored: AnalysedSet, rulebook: Rulebook) -> Evaluation:
    """The evaluation by the rules now in force."""
    reading_set = SET_DECODER.decode(stored.document)
    # With the history stored in the set: a sitting must not change because of later sittings.
    return evaluate(reading_set, reading_set.history, rulebook)


def result_in_words(evaluation: Evaluation) -> str:
    """The result and labels of an evaluation as a reader sees them."""
    result = evaluation.result
    value = "no result" if result is None else f"{result.systolic_mmhg:g}/{result.diastolic_mmhg:g}"
    return ", ".join([value, *(f"{entry.guideline} {entry.category or 'none'}" for entry in evaluation.categories)])


async def keep_again(desk: AppContext, caller: Caller, stored: AnalysedSet) -> bool:
    """Store a set's new version. False if the set has changed since it was read."""
    tenant = await desk.tenants.get(caller.tenant_id)
    return await desk.store.write(
        caller.tenant_id,
        lambda transaction: write_again(turn_of(desk, tenant, caller, transaction), stored.subject_id, stored),
        order=order_of_subject(stored.subject_id),
    )


def write_again(turn: UnitOfWork, subject_id: UUID, stored: AnalysedSet) -> bool:
    """Write the next version: the same set with its history, and the new evaluation."""
    lock_subject(turn.transaction, turn.tenant.tenant_id, subject_id)
    row = find_set(turn.transaction, turn.tenant.tenant_id, stored.set_id)
    # Changed since it was read: the comparison does not hold for what is stored now, and the next run makes it anew.
    if row is None or row.version != stored.version or row.status != "active":
        return False
    before = load(turn, row)
    known = before.reading_set
    intake = msgspec.structs.replace(known.intake or Intake(), changes=[CAUSE])
    reading_set = msgspec.structs.replace(known, intake=intake)
    sitting = SittingVersion(
        set_id=str(row.set_id),
        subject_id=str(subject_id),
        reading_set=reading_set,
        evaluation=evaluate(reading_set, reading_set.history, turn.desk.rulebook),
        device_ids=device_ids(turn.tenant.secret, reading_set),
        is_voided=False,
    )
    number, at = row.version + 1, later_than(row.updated_at, turn.now)
    version = Version(number=number, at=at, sitting=sitting, stands=stands_after(sitting, before, number, at))
    draft = Draft(reading_set=reading_set, cause=CAUSE, facts_differ=before.facts_differ)
    write(turn, subject_id, row.set_id, draft, version, before)
    return True
