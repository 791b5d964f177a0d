"""Stored sets evaluated again with the rules as they are now, each from what was stored with it: nothing else comes in.

Without being told to, nothing is written. A version that is written says why it is there, moves only those Observations that
say something else, and is sent on as any version is.
"""

from __future__ import annotations

from collections import Counter
from functools import partial
from uuid import UUID

import msgspec

from quietcuff.application.context import AppContext, Caller, UnitOfWork, turn_of
from quietcuff.application.evaluate_and_keep import ENCODER, later_than, stands_after, write
from quietcuff.application.stored import EVALUATION_DECODER, SET_DECODER, device_ids, load
from quietcuff.application.version_rows import Draft, Version
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Intake
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.resources.sitting import SittingVersion
from quietcuff.storage.engine.ids import order_of_subject
from quietcuff.storage.rows.analysis_pages import START, AnalysedSet, analysed_sets
from quietcuff.storage.rows.reading_sets import find_set
from quietcuff.storage.rows.subjects import lock_subject

CAUSE = "re-evaluated"
SETS_A_PAGE = 200


class Reevaluated(msgspec.Struct, kw_only=True):
    """How many sets say the same, differ in anything, and differ in a label or result; how many were open or cannot be
    evaluated any more, and how many versions were written, or passed over because something else changed meanwhile."""

    sets: int = 0
    same: int = 0
    differ: int = 0
    move: int = 0
    open: int = 0
    refused: int = 0
    written: int = 0
    passed_over: int = 0
    moves: dict[str, int] = {}


async def reevaluate(desk: AppContext, caller: Caller, *, keeps: bool) -> Reevaluated:
    """Evaluate every closed set of a tenant again; with ``keeps`` a new version is stored of each that differs."""
    counts, after = Reevaluated(), START
    moves: Counter[str] = Counter()
    while page := await desk.store.read(
        caller.tenant_id, partial(analysed_sets, tenant_id=caller.tenant_id, after=after, most=SETS_A_PAGE)
    ):
        for stored in page:
            after = stored.key
            if await look_again(desk, caller, stored, counts, moves) and keeps:
                kept = await keep_again(desk, caller, stored)
                counts.written += kept
                counts.passed_over += not kept
    counts.moves = dict(moves.most_common())
    return counts


async def look_again(desk: AppContext, caller: Caller, stored: AnalysedSet, counts: Reevaluated, moves: Counter[str]) -> bool:
    """Count what a set says now against what it said; whether anything differs."""
    counts.sets += 1
    if stored.closed_at is None:
        counts.open += 1
        return False
    try:
        found = evaluated_again(stored, desk.rulebook)
    except NotAcceptable:
        counts.refused += 1
        return False
    if ENCODER.encode(found) == stored.evaluation:
        counts.same += 1
        return False
    counts.differ += 1
    said, says = shown(EVALUATION_DECODER.decode(stored.evaluation)), shown(found)
    if said != says:
        counts.move += 1
        moves[f"{said} → {says}"] += 1
    return True


def evaluated_again(stored: AnalysedSet, rulebook: Rulebook) -> Evaluation:
    """What the rules say now of what was stored."""
    reading_set = SET_DECODER.decode(stored.document)
    return evaluate(reading_set, reading_set.history, rulebook)


def shown(evaluation: Evaluation) -> str:
    """What a reader sees of an evaluation: its result and its labels."""
    result = evaluation.result
    value = "no result" if result is None else f"{result.systolic_mmhg:g}/{result.diastolic_mmhg:g}"
    return ", ".join([value, *(f"{entry.guideline} {entry.category or 'none'}" for entry in evaluation.categories)])


async def keep_again(desk: AppContext, caller: Caller, stored: AnalysedSet) -> bool:
    """Store a set's new version; False where it changed since it was read."""
    tenant = await desk.tenants.get(caller.tenant_id)
    return await desk.store.write(
        caller.tenant_id,
        lambda transaction: write_again(turn_of(desk, tenant, caller, transaction), stored.subject_id, stored),
        order=order_of_subject(stored.subject_id),
    )


def write_again(turn: UnitOfWork, subject_id: UUID, stored: AnalysedSet) -> bool:
    """The next version: the same set, history and all, and what the rules say of it now."""
    lock_subject(turn.transaction, turn.tenant.tenant_id, subject_id)
    row = find_set(turn.transaction, turn.tenant.tenant_id, stored.set_id)
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
