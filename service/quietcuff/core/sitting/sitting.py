"""One sitting as the rules see it: the person, the rules in force, the attempts in order, and the origin of each choice.

Attempts that fail one after another for one cause are counted here too, with the change due after a stated number, and the end
of trying. Every attempt counts there, not only valid readings, so that no step is repeated in vain.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Literal

import msgspec

from quietcuff.core.model.evaluation import Chosen
from quietcuff.core.model.fields import Site
from quietcuff.core.model.history import History
from quietcuff.core.model.readings import Device, Reading, ReadingSet, opened_at
from quietcuff.core.rulebook.rulebook import Guideline, Limits, Protocol, Rulebook
from quietcuff.core.sitting.attempts import Attempt, in_order, judge_attempts, needs_muffling
from quietcuff.core.sitting.equipment import Fit
from quietcuff.core.sitting.in_force import InForce, put_in_force
from quietcuff.core.sitting.percentiles import Norms
from quietcuff.core.sitting.person import Person, describe_person

Change = Literal["plan", "auscultate", "phase-four", "device", "other-arm", "cuff", "position", "wait", "observer"]

LADDERS: dict[str, tuple[Change, ...]] = {
    "device-error": ("plan", "auscultate", "device", "other-arm"),
    "implausible": ("plan", "device", "observer"),
    "phase-four": ("phase-four", "phase-four", "device"),
    "wrong-cuff": ("cuff", "cuff"),
    "set-blocked": ("device", "device"),
    "restricted-arm": ("plan", "other-arm"),
    "other-position": ("position", "position", "observer"),
    "other-arm": ("plan", "other-arm"),
    "too-soon": ("plan", "wait"),
}


class Sitting(msgspec.Struct, frozen=True, gc=False):
    """Everything known before anything is decided.

    ``attempts`` are in order of time; ``made`` are those that are not voided, ``valid`` those without a fault, and ``worn``
    those with another device, cuff or site than the one before. ``compares_arms`` is true where both arms are due. ``rules``
    are those in force, and the fields before it theirs: the protocol, the requested guidelines, and of these the ones for this
    person, setting and protocol; a child's ``norms``, and the codes of missing facts for them.
    """

    reading_set: ReadingSet
    history: History | None
    rulebook: Rulebook
    limits: Limits
    person: Person
    chosen: Chosen
    day: date
    protocol: Protocol
    guidelines: list[Guideline]
    applicable: list[Guideline]
    norms: Norms | None
    lacking: list[str]
    rules: InForce
    attempts: list[Attempt]
    made: list[Attempt]
    valid: list[Attempt]
    worn: list[Attempt]
    compares_arms: bool
    irregular: bool
    has_gap: bool

    @property
    def last(self) -> Attempt | None:
        """The last attempt that is not voided."""
        return self.made[-1] if self.made else None

    @property
    def not_before(self) -> datetime | None:
        """The earliest moment of the next reading: the interval after the last attempt, in that attempt's offset."""
        last = self.last
        return None if last is None else last.taken_at + timedelta(seconds=self.protocol.interval_seconds)


def describe_sitting(reading_set: ReadingSet, history: History | None, rulebook: Rulebook) -> Sitting:
    """Gather what the rules need; the names of protocol and guidelines are known to be in the rulebook."""
    order = in_order(reading_set.readings)
    day = day_of(reading_set, order)
    person = describe_person(reading_set.subject, day, rulebook.limits)
    visit, visit_by = choose_visit(reading_set, history)
    rules = put_in_force(reading_set, history, person, visit, day, rulebook)
    limits, protocol = rulebook.limits, rules.protocol
    attempts = judge_attempts(reading_set, order, person, protocol, limits, rulebook.cuffs[rulebook.defaults.cuffs])
    made, valid, worn, irregular = sort_out(attempts)
    # By place: a call with more than fifteen names takes ten times as long.
    return Sitting(
        reading_set,
        history,
        rulebook,
        limits,
        person,
        say_chosen(reading_set, visit, visit_by),
        day,
        protocol,
        rules.guidelines,
        rules.applicable,
        rules.norms,
        rules.lacking,
        rules,
        attempts,
        made,
        valid,
        worn,
        compares_arms=protocol.arms == "both" or (protocol.arms == "both-at-first-visit" and visit == "first"),
        irregular=irregular or person.irregular_known or reading_set.context.pulse_palpated == "irregular",
        has_gap=sees_gap(reading_set, made, limits),
    )


def day_of(reading_set: ReadingSet, order: list[tuple[int, Reading]]) -> date:
    """The local day of the first reading; before there is one, the day on which the set came in."""
    for _, reading in order:
        if not reading.voided:
            return reading.taken_at.date()
    opened = order[0][1].taken_at if order else opened_at(reading_set)
    return opened.date() if opened is not None else date.min


def say_chosen(
    reading_set: ReadingSet,
    visit: Literal["first", "follow-up", "not-recorded"],
    visit_by: Literal["caller", "service", "none"],
) -> Chosen:
    """The choices, and who made each."""
    return Chosen(
        visit=visit,
        visit_by=visit_by,
        protocol_by="caller" if reading_set.protocol is not None else "service",
        guidelines_by="caller" if reading_set.guidelines is not None else "service",
    )


def choose_visit(
    reading_set: ReadingSet, history: History | None
) -> tuple[Literal["first", "follow-up", "not-recorded"], Literal["caller", "service", "none"]]:
    """The visit as the caller says, else first when history says that nothing is stored."""
    if reading_set.visit is not None:
        return reading_set.visit, "caller"
    if history is None:
        return "not-recorded", "none"
    return ("follow-up" if history.sittings or history.pairs else "first"), "service"


def sees_gap(reading_set: ReadingSet, made: list[Attempt], limits: Limits) -> bool:
    """True where more than 30 minutes lie between two attempts of an office sitting. Source: [DECISION]."""
    if reading_set.setting != "office" or not made:
        return False
    limit = timedelta(minutes=limits.sitting_gap_minutes)
    if made[-1].taken_at - made[0].taken_at <= limit:
        return False
    return any(later.taken_at - earlier.taken_at > limit for earlier, later in pairwise(made))


def sort_out(attempts: list[Attempt]) -> tuple[list[Attempt], list[Attempt], list[Attempt], bool]:
    """The attempts made, the valid ones, those with other equipment than the one before, and an irregular rhythm by any."""
    made: list[Attempt] = []
    valid: list[Attempt] = []
    worn: list[Attempt] = []
    irregular = False
    device: Device | None = None
    fit: Fit | None = None
    site: Site | None = None
    # One pass for all of them: every sitting is asked for each.
    for attempt in attempts:
        if attempt.fault is None:
            valid.append(attempt)
        elif attempt.fault == "voided":
            continue
        made.append(attempt)
        if attempt.fit is not fit or attempt.device is not device or attempt.site != site:
            worn.append(attempt)
            device, fit, site = attempt.device, attempt.fit, attempt.site
        reading = attempt.reading
        if reading.rhythm == "irregular" or "irregular-pulse" in reading.device_flags:
            irregular = True
    return made, valid, worn, irregular


class Trouble(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The last attempts that failed for one cause, and how many they are."""

    cause: str
    fails: int
    last: Attempt


def find_trouble(sitting: Sitting) -> Trouble | None:
    """The run of failures at the end of an open sitting; None where its last attempt is valid, and for a newborn."""
    attempts = sitting.made
    if sitting.reading_set.closed or not attempts or attempts[-1].fault is None or sitting.person.neonate:
        return None
    last = attempts[-1]
    cause = cause_of(sitting, last)
    fails = 0
    for attempt in reversed(attempts):
        if attempt.fault is None or cause_of(sitting, attempt) != cause:
            break
        fails += 1
    return Trouble(cause=cause, fails=fails, last=last)


def cause_of(sitting: Sitting, attempt: Attempt) -> str:
    """The cause of a failed attempt. Sounds that go on to zero are a cause of their own, solved by the fourth phase.

    Source: [PRACTICE].
    """
    if attempt.fault == "implausible" and needs_muffling(attempt, sitting.limits):
        return "phase-four"
    return str(attempt.fault)


def changes_for(sitting: Sitting, trouble: Trouble) -> list[Change]:
    """The changes possible for a cause, in order."""
    possible = {
        "auscultate": sitting.reading_set.context.auscultation_possible == "yes" and trouble.last.method != "auscultatory",
        "other-arm": other_free_arm(sitting, trouble.last.site) is not None,
    }
    return [change for change in LADDERS[trouble.cause] if possible.get(change, True)]


def due_change(sitting: Sitting, trouble: Trouble) -> Change | None:
    """The change that is due after so many failures; None where all were tried. Source: [DECISION]."""
    changes = changes_for(sitting, trouble)
    place = trouble.fails // sitting.limits.failed_attempts_one_cause
    return changes[place] if place < len(changes) else None


def other_free_arm(sitting: Sitting, site: Site) -> Site | None:
    """An upper arm that may be used, other than the one of the failure."""
    arms: tuple[Site, ...] = ("left-upper-arm", "right-upper-arm")
    return next((arm for arm in arms if arm != site and sitting.person.may_use(arm)), None)


def gave_up_for(sitting: Sitting) -> str | None:
    """The cause for which no further attempt is asked for in an open sitting, or ``attempts``; else None.

    A series goes on over days, so that only failures one after another end it.
    """
    if sitting.reading_set.closed:
        return None
    trouble = find_trouble(sitting)
    if trouble is not None and due_change(sitting, trouble) is None:
        return trouble.cause
    enough = sitting.protocol.series is None and attempts_made(sitting) >= sitting.limits.most_attempts_asked
    return "attempts" if enough else None


def attempts_made(sitting: Sitting) -> int:
    """The number of attempts; a voided attempt was never made."""
    return len(sitting.made)
