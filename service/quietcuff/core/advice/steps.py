"""Parts of a step: its sentence, a site that may be used, the cuff to use, and when corrected faults have settled."""

from __future__ import annotations

from datetime import datetime, timedelta

from quietcuff.core.model.evaluation import Action, FollowingStep
from quietcuff.core.model.fields import Method, Site
from quietcuff.core.rulebook.rulebook import CuffTable
from quietcuff.core.sitting.equipment import is_above_table, judge_fit, next_size
from quietcuff.core.sitting.sitting import Sitting


def make_step(
    sitting: Sitting,
    action: Action,
    wording: str,
    *,
    site: Site | None = None,
    cuff: str | None = None,
    method: Method | None = None,
    not_before: datetime | None = None,
    **words: str,
) -> FollowingStep:
    """A step with its sentence from the wording."""
    reason = sitting.rulebook.wording.step[wording]
    return FollowingStep(
        action=action,
        site=site,
        cuff=cuff,
        method=method,
        not_before=not_before,
        reason=reason.format(**words) if words else reason,
    )


def settled_at(sitting: Sitting, faults: list[str]) -> datetime | None:
    """Time at which all of the faults can have settled: the longest wait after the last attempt."""
    last = sitting.last
    if last is None:
        return None
    # The waits run at the same time, so the longest covers all of them.
    minutes = max(sitting.rulebook.effects[code].settle_minutes for code in faults)
    return max(last.taken_at + timedelta(minutes=minutes), last.taken_at + timedelta(seconds=sitting.protocol.interval_seconds))


def usable(sitting: Sitting, site: Site | None) -> Site | None:
    """The site where it is known and may be used, else None. A next site is never a restricted arm, nor a leg."""
    if site is None or site == "not-recorded" or site.endswith("thigh") or not sitting.person.may_use(site):
        return None
    return site


def cuff_table(sitting: Sitting) -> CuffTable:
    """The table of sizes that applies where a cuff's own range is not known."""
    return sitting.rulebook.cuffs[sitting.rulebook.defaults.cuffs]


def right_cuff(sitting: Sitting) -> str | None:
    """Cuff size to use next where the arm is known: the one worn, where it fits."""
    last, said = sitting.last, sitting.reading_set.cuff
    table = cuff_table(sitting)
    if last is None:
        return next_size(sitting.person.arm_cm, said, judge_fit(said, sitting.person.arm_cm, table), table)
    return next_size(sitting.person.arm_cm, last.reading.cuff or said, last.fit, table)


def cuff_wording(sitting: Sitting) -> str:
    """Wording code for a cuff that is to be changed.

    An arm beyond the table has no size in it, so the advice then does not ask for another size.
    """
    arm_cm, table = sitting.person.arm_cm, cuff_table(sitting)
    if is_above_table(arm_cm, table):
        return "cuff-above-table"
    if arm_cm is not None and arm_cm < table.sizes[0].from_cm:
        return "cuff-below-table"
    last = sitting.last
    cuff = None if last is None else last.reading.cuff or sitting.reading_set.cuff
    return "change-cuff-by-range" if arm_cm is not None and cuff is not None and cuff.range_cm is not None else "change-cuff"
