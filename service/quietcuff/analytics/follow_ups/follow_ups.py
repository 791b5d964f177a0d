"""People who were to be seen and were not: one line a person, from the evaluations as they are stored.

A set calls for its person to be seen again: for symptoms, severe or other pressing readings, a label that was not confirmed by
its day, or because it gave no result. Whatever a set calls for is done once a later set gives a result; that one may call for
something itself. So only the newest set with a result and those after it count.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Iterable, Iterator
from contextlib import aclosing
from datetime import date, datetime
from typing import Literal, get_args
from uuid import UUID

import msgspec

from quietcuff.analytics.follow_ups.people import whole_people
from quietcuff.application.context import AppContext
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.evaluation import Action, Level, Number
from quietcuff.core.model.fields import Setting, YesNo
from quietcuff.core.model.readings import Identifier
from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.rows.analysis_pages import AnalysedSet
from quietcuff.storage.rows.reading_sets import in_offset

# The most pressing one first.
Why = Literal[
    "low-with-symptoms",
    "symptoms",
    "severe-without-later-set",
    "review-without-later-set",
    "unconfirmed-overdue",
    "blocked-not-repeated",
]
REASONS: tuple[Why, ...] = get_args(Why)
PRESSING: frozenset[Level] = frozenset({"confirm", "same-day", "urgent"})
SEVERE = frozenset({"severe-reading", "severe-mean"})


class StoredStep(msgspec.Struct, frozen=True):
    """A step as a stored evaluation has it."""

    action: Action
    reason: str


class FollowUp(msgspec.Struct, frozen=True, kw_only=True):
    """One person who is to be seen: why, ``also`` for what else, since and by which day, and what was last found.

    ``set_id`` is the set that calls for it and ``next_step`` that set's step; the last values are those of the newest result.
    """

    subject_id: UUID
    identifier: Identifier
    why: Why
    also: list[Why]
    since: date
    by: date | None
    set_id: UUID
    last_taken_at: datetime
    last_systolic_mmhg: Number | None
    last_diastolic_mmhg: Number | None
    next_step: StoredStep


class FoundCode(msgspec.Struct, frozen=True, gc=False):
    """A finding, by its code."""

    code: str


class FoundLevel(msgspec.Struct, frozen=True, gc=False):
    """A safety level."""

    level: Level


class _By(msgspec.Struct, frozen=True, gc=False):
    """The day by which a person is to be seen."""

    date: date


class FoundResult(msgspec.Struct, frozen=True, gc=False):
    """The reported pressures."""

    systolic_mmhg: Number
    diastolic_mmhg: Number


class StoredAnswer(msgspec.Struct, frozen=True):
    """The parts of a stored evaluation that bear on a follow-up."""

    safety: FoundLevel
    findings: list[FoundCode]
    result: FoundResult | None
    series: object
    confirm_by: _By | None
    next_step: StoredStep


class _Symptoms(msgspec.Struct, frozen=True, gc=False):
    """The answer about symptoms."""

    acute_symptoms: YesNo = "not-recorded"


class _Subject(msgspec.Struct, frozen=True):
    """Whose set it is."""

    identifier: Identifier


class StoredContext(msgspec.Struct, frozen=True):
    """The parts of a stored set that bear on a follow-up."""

    subject: _Subject
    setting: Setting
    context: _Symptoms


class FollowedSet(msgspec.Struct, frozen=True):
    """One set of a person: what was measured and what was said of it."""

    stored: AnalysedSet
    asked: StoredContext
    answered: StoredAnswer

    @property
    def day(self) -> date:
        return in_offset(self.stored.taken_from, self.stored.offset_minutes).date()


class Call(msgspec.Struct, frozen=True):
    """One thing that a set calls for, and by when."""

    why: Why
    by: date | None
    seen: FollowedSet


ASKED = DocumentDecoder(StoredContext)
ANSWERED = DocumentDecoder(StoredAnswer)


class FollowUpPart(msgspec.Struct, frozen=True):
    """The lines of everybody up to one person, in the order of their ids."""

    lines: list[FollowUp]
    up_to: UUID


async def follow_ups(
    desk: AppContext, tenant_id: int, after: UUID = NOBODY, today: date | None = None
) -> AsyncGenerator[FollowUpPart, None]:
    """The people of a tenant who are to be seen, those after one, some at a time.

    A deadline is over once its day is, by the tenant's clock.
    """
    tenant = await desk.tenants.get(tenant_id)
    day = today or desk.clock().astimezone(tenant.zone).date()
    async with aclosing(whole_people(desk, tenant_id, after)) as pages:
        async for people in pages:
            yield FollowUpPart(await asyncio.to_thread(lines_of, people, day), people[-1][0].subject_id)


def lines_of(people: Iterable[list[AnalysedSet]], today: date) -> list[FollowUp]:
    """The lines of some people, each with all their sets."""
    found = (line_of([look_at(one) for one in sets], today) for sets in people)
    return [line for line in found if line is not None]


def look_at(stored: AnalysedSet) -> FollowedSet:
    """A stored set as follow-ups read it."""
    return FollowedSet(stored, ASKED.decode(stored.document), ANSWERED.decode(stored.evaluation))


def line_of(sets: list[FollowedSet], today: date) -> FollowUp | None:
    """The line of one person by all their sets in any order; None where nothing is to be done."""
    newest_first = sorted(sets, key=lambda seen: (seen.stored.taken_from, seen.stored.set_id), reverse=True)
    last = next((seen for seen in newest_first if seen.answered.result is not None), None)
    calls = [call for seen in not_followed(newest_first) for call in calls_of(seen, today)]
    if not calls:
        return None
    # Of several sets that call for the same, the one that has waited longest.
    first = min(calls, key=lambda call: (REASONS.index(call.why), call.seen.stored.taken_from))
    result = None if last is None else last.answered.result
    reasons = {call.why for call in calls}
    return FollowUp(
        subject_id=first.seen.stored.subject_id,
        identifier=newest_first[0].asked.subject.identifier,
        why=first.why,
        also=[why for why in REASONS if why in reasons and why != first.why],
        since=first.seen.day,
        by=first.by,
        set_id=first.seen.stored.set_id,
        last_taken_at=newest_first[0].stored.taken_from,
        last_systolic_mmhg=None if result is None else result.systolic_mmhg,
        last_diastolic_mmhg=None if result is None else result.diastolic_mmhg,
        next_step=first.seen.answered.next_step,
    )


def not_followed(newest_first: list[FollowedSet]) -> Iterator[FollowedSet]:
    """The sets after which none gave a result: the newest that did, and those later than it."""
    for seen in newest_first:
        yield seen
        if seen.answered.result is not None:
            return


def calls_of(seen: FollowedSet, today: date) -> Iterator[Call]:
    """The calls of one set, as if nothing came after it."""
    answered, day = seen.answered, seen.day
    codes = {finding.code for finding in answered.findings}
    if seen.asked.context.acute_symptoms == "yes":
        yield Call("low-with-symptoms" if "low-reading" in codes else "symptoms", day, seen)
    if answered.safety.level in PRESSING and codes & SEVERE:
        yield Call("severe-without-later-set", day, seen)
    elif answered.safety.level in PRESSING and "acute-symptoms" not in codes:
        yield Call("review-without-later-set", day, seen)
    if answered.confirm_by is not None and answered.confirm_by.date < today:
        yield Call("unconfirmed-overdue", answered.confirm_by.date, seen)
    if is_blocked(seen):
        yield Call("blocked-not-repeated", None, seen)


def is_blocked(seen: FollowedSet) -> bool:
    """Closed without a result; single home sittings, which make a result together only, are not."""
    single_at_home = seen.asked.setting == "home" and seen.answered.series is None
    return seen.stored.closed_at is not None and seen.answered.result is None and not single_at_home
