"""Parts shared by home series and ambulatory recordings: the pool of one arm and method, its selection, means and next step."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from quietcuff.core.advice.next_step import make_step, right_cuff, usable
from quietcuff.core.findings.findings import find
from quietcuff.core.model.evaluation import Action, Finding, FollowingStep, PartMean, Plan, ReadingOutcome, Reason, State
from quietcuff.core.model.fields import exact_mean, four_decimals_half_even, mean_half_up
from quietcuff.core.rulebook.protocols import ClockWindow
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.selection import Due, Selection, blocked_by, choose_method, outcomes_of
from quietcuff.core.sitting.sitting import Sitting


class Pool(msgspec.Struct, frozen=True, kw_only=True):
    """The valid readings of the result arm and of one method (``arm``), and which of them are part of the series (``kept``)."""

    here: list[Attempt]
    arm: list[Attempt]
    kept: list[Attempt]
    method: str


def pool_readings(sitting: Sitting, comparison: Comparison) -> Pool:
    """The readings that may share a mean; all of them kept."""
    here = [attempt for attempt in sitting.valid if attempt.site == comparison.result_site]
    method = choose_method(sitting, here)
    arm = [attempt for attempt in here if attempt.method == method]
    return Pool(here=here, arm=arm, kept=arm, method=method)


def select_pool(sitting: Sitting, pool: Pool, *, enough: bool, missing: list[str], remaining: int) -> Selection:
    """The selection of a series: everything kept counts once there is enough; ``missing`` are the codes of what is not."""
    closed = sitting.reading_set.closed
    state: State = "complete" if enough else ("not-usable" if closed else "in-progress")
    due: Due | None = None
    if state == "in-progress":
        due = "one-more" if sitting.valid else "first-reading"
    return Selection(
        state=state,
        arm=pool.arm,
        counted=pool.kept if enough else [],
        outcomes=explain_pool(sitting, pool, state),
        # Without a reading of the arm the causes lie elsewhere: device, cuff or site, not a count.
        blocked_by=(missing if pool.arm else blocked_by(sitting, pool.arm)) if state == "not-usable" else [],
        due=due,
        other_arm=None,
        remaining=0 if closed or enough else max(remaining, 1),
        method=pool.method,
        overlay_changed=False,
    )


def explain_pool(sitting: Sitting, pool: Pool, state: State) -> list[ReadingOutcome]:
    """Each reading in the order sent: counted, or the reason why not."""
    reasons: dict[int, Reason | None] = {attempt.index: "not-part-of-series" for attempt in pool.arm}
    reasons |= {attempt.index: None if state == "complete" else "too-few" for attempt in pool.kept}
    return outcomes_of(sitting, pool.here, state, reasons)


def average(readings: Sequence[Attempt], at_least: int = 1) -> PartMean | None:
    """The mean of a part of a series, each reading with the same weight; None for fewer than ``at_least``.

    Rounded once, halves up, as any result is: 141 and 142 give 142, exactly 141.5. Source: [DECISION].
    """
    if len(readings) < max(at_least, 1):
        return None
    systolic = [attempt.systolic for attempt in readings]
    diastolic = [attempt.diastolic for attempt in readings]
    return PartMean(
        systolic_mmhg=mean_half_up(systolic),
        diastolic_mmhg=mean_half_up(diastolic),
        systolic_mean_mmhg=exact_mean(systolic),
        diastolic_mean_mmhg=exact_mean(diastolic),
        readings=len(readings),
    )


def in_window(attempt: Attempt, window: ClockWindow) -> bool:
    """True where a reading was taken in these hours of its own local clock; 23:30 is in a window from 22 to 6."""
    hour = attempt.taken_at.hour + attempt.taken_at.minute / 60 + attempt.taken_at.second / 3600
    if window.from_hour < window.to_hour:
        return window.from_hour <= hour < window.to_hour
    return hour >= window.from_hour or hour < window.to_hour


def valid_share(sitting: Sitting, pool: Pool) -> float:
    """The valid readings of the series among the attempts that were recorded, to four decimals."""
    attempted = len(sitting.made)
    return four_decimals_half_even(len(pool.arm) / attempted) if attempted else 0


def too_few_finding(sitting: Sitting, selection: Selection, count: int, minimum: int) -> list[Finding]:
    """Fewer readings than the protocol needs, once the series is closed."""
    if "too-few-readings" not in selection.blocked_by:
        return []
    return [find(sitting.rulebook, "too-few-readings", count=count, minimum=minimum)]


def plan_readings(sitting: Sitting, comparison: Comparison, selection: Selection, planned: int, because: str) -> Plan:
    """Progress in readings, never fewer planned than were taken and are still to come."""
    taken = len(sitting.valid)
    return Plan(
        site=comparison.result_site,
        planned=max(planned, taken + selection.remaining),
        taken=taken,
        remaining=selection.remaining,
        because=because,
    )


def go_on(
    sitting: Sitting, comparison: Comparison, selection: Selection, wording: str, otherwise: tuple[Action, str]
) -> FollowingStep | None:
    """The step to take the next reading or, where it cannot be used, the action and wording of ``otherwise``.

    None where there is enough and the ordinary step applies.
    """
    site = usable(sitting, comparison.result_site)
    if selection.state == "in-progress":
        cuff = right_cuff(sitting)
        return make_step(sitting, "take-reading", wording, site=site, cuff=cuff, not_before=sitting.not_before)
    return make_step(sitting, *otherwise, site=site) if selection.state == "not-usable" else None
