"""Attempts that fail one after another for one cause: the change due after a stated number, and the end of trying.

Every attempt counts here, not only valid readings, so that no step is repeated in vain.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from quietcuff.core.model.fields import Site
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.sitting import Sitting

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
    if attempt.fault == "implausible" and needs_muffling(sitting, attempt):
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


def needs_muffling(sitting: Sitting, attempt: Attempt) -> bool:
    """An auscultated diastolic below 40 with a plausible systolic: the fourth phase is to be used. Source: [PRACTICE]."""
    plausible = sitting.limits.plausible_systolic
    return (
        attempt.method == "auscultatory"
        and attempt.has_pressures
        and attempt.diastolic < 100 * sitting.limits.muffling_diastolic_below_mmhg
        and 100 * plausible.lowest <= attempt.systolic <= 100 * plausible.highest
    )
