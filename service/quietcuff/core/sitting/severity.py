"""Severe readings: the limit for a person, the arm that confirms one, and what followed it.

A reading is severe at the lowest limit that holds for the person or that any chosen guideline has for the setting.
"""

from __future__ import annotations

import math
from datetime import timedelta

import msgspec

from quietcuff.core.model.fields import Site
from quietcuff.core.model.readings import Facts
from quietcuff.core.rulebook.rulebook import Edge, PercentileEdge, Rulebook
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.in_force import lowest
from quietcuff.core.sitting.percentiles import Norms
from quietcuff.core.sitting.person import Person
from quietcuff.core.sitting.sitting import Sitting

ARMS: tuple[Site, ...] = ("left-upper-arm", "right-upper-arm")
TRUSTED_SITES = frozenset({*ARMS, "not-recorded"})
ADULT_FROM_YEARS = 18


class ArmWatch(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One arm's severe readings: the first and the last, and whether a later one confirms.

    ``persistent`` where one at least the persistent time later confirms; ``stood_down`` counts the valid readings after the
    last that were not severe.
    """

    site: Site | None
    first: Attempt
    last: Attempt
    confirmed: bool
    persistent: bool
    stood_down: int


class SevereSeen(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The severe readings of a sitting by their places, arm by arm.

    ``emergency`` where a child's confirmed ones are as high as the limit for emergency care.
    """

    edge: Edge
    severe: frozenset[int]
    arms: list[ArmWatch]
    confirmed: bool
    emergency: bool


def see_severe(sitting: Sitting) -> SevereSeen:
    """Every severe reading, whatever else is wrong with it. Source: [PRACTICE], in pregnancy [ACOG222, ACOG767]."""
    emergency = child_edge(sitting.rulebook, sitting.person, sitting.reading_set.subject, sitting.norms)
    edge = sitting.rules.severe if emergency is None else lowest([sitting.rules.severe, emergency])
    severe = severe_of(sitting.attempts, edge)
    if not severe:
        return SevereSeen(edge=edge, severe=frozenset(), arms=[], confirmed=False, emergency=False)
    arms = watch_arms(sitting, severe)
    grave = [] if emergency is None else severe_of(severe, emergency)
    return SevereSeen(
        edge=edge,
        severe=frozenset(attempt.index for attempt in severe),
        arms=arms,
        confirmed=any(arm.confirmed for arm in arms),
        emergency=bool(grave) and any(arm.confirmed for arm in watch_arms(sitting, grave)),
    )


def child_edge(rulebook: Rulebook, person: Person, facts: Facts, norms: Norms | None) -> Edge | None:
    """The limit from which a child's pressure calls for emergency care once confirmed; None for adults and unknown ages.

    Under 13 years more than 30 mmHg above the 95th percentile, or above the height-free screening value where the percentiles
    are not known; from 13 years above 180/120. A boy of 8 without height: above 137/99. Source: [AAP17-SEVERE, AAP17-SCREEN].
    """
    years, limits = person.age_years, rulebook.limits
    if years is None or years >= ADULT_FROM_YEARS:
        return None
    if years >= limits.severe_adolescent_from_years:
        return just_above(limits.severe_adolescent.systolic_mmhg, limits.severe_adolescent.diastolic_mmhg)
    plus = limits.severe_child_above_mmhg
    if norms is not None:
        edge = PercentileEdge(percentile=95, z=limits.severe_child_z, plus_mmhg=plus)
        return just_above(norms.systolic.at(edge), norms.diastolic.at(edge))
    value = screening_value(rulebook, years, facts.sex)
    return just_above(value.systolic_mmhg + plus, value.diastolic_mmhg + plus)


def screening_value(rulebook: Rulebook, years: int, sex: str | None) -> Edge:
    """The height-free screening value of an age, the lower of both sexes where the sex is not known. Under one year the first
    row stands in, from 13 years the last. Source: [AAP17-SCREEN]."""
    rows = rulebook.screening[rulebook.defaults.screening].rows
    row = max((row for row in rows if row.age_years <= years), key=lambda row: row.age_years, default=rows[0])
    edges = {"female": [row.female], "male": [row.male]}.get(sex or "", [row.female, row.male])
    return Edge(
        systolic_mmhg=min(edge.systolic_mmhg for edge in edges), diastolic_mmhg=min(edge.diastolic_mmhg for edge in edges)
    )


def just_above(systolic_mmhg: float, diastolic_mmhg: float) -> Edge:
    """The lowest pressures of two decimals above a limit that is itself not severe: above 180/120 is 180.01/120.01."""
    return Edge(
        systolic_mmhg=(math.floor(100 * systolic_mmhg) + 1) / 100, diastolic_mmhg=(math.floor(100 * diastolic_mmhg) + 1) / 100
    )


def severe_of(attempts: list[Attempt], edge: Edge) -> list[Attempt]:
    """Those of some attempts that are severe."""
    systolic, diastolic = 100 * edge.systolic_mmhg, 100 * edge.diastolic_mmhg
    # Most readings are far from any limit, which is seen before anything else is asked of them.
    return [
        attempt
        for attempt in attempts
        if (attempt.systolic >= systolic or attempt.diastolic >= diastolic) and is_severe(attempt, edge)
    ]


def is_severe(attempt: Attempt, edge: Edge) -> bool:
    """True where a reading is severe, valid or not: over-range and wrong-cuff ones too, but not pressures that are swapped.

    Nothing is rounded before this trigger: 179.99 is below 180. The reported mean, which is rounded, has a trigger of its own.
    Source: [DECISION].
    """
    return (
        attempt.fault != "voided"
        and attempt.has_pressures
        # Swapped pressures show nothing of severity: either number may be the wrong one.
        and attempt.systolic > attempt.diastolic
        and (attempt.systolic >= 100 * edge.systolic_mmhg or attempt.diastolic >= 100 * edge.diastolic_mmhg)
    )


def watch_arms(sitting: Sitting, severe: list[Attempt]) -> list[ArmWatch]:
    """The follow-up of severe readings, arm by arm; None stands for any site, where no arm is known."""
    sites = {attempt.index: usable_site(sitting, attempt.site) for attempt in severe}
    named = sorted(set(sites.values()), key=lambda site: site or "")
    return [watch_arm(sitting, site, [a for a in severe if sites[a.index] == site]) for site in named]


def watch_arm(sitting: Sitting, site: Site | None, here: list[Attempt]) -> ArmWatch:
    """One arm's severe readings. A reading taken too soon may confirm, but not clear one."""
    last = here[-1]
    persistent = timedelta(minutes=sitting.limits.severe_persistent_minutes)
    interval = timedelta(seconds=sitting.protocol.interval_seconds)
    nearest = confirming_time(sitting)
    confirmers = [
        later
        for earlier, later in zip(here, here[1:], strict=False)
        if may_confirm(later) and later.taken_at - earlier.taken_at <= nearest
    ]
    position = sitting.attempts.index(last)
    return ArmWatch(
        site=site,
        first=here[0],
        last=last,
        confirmed=bool(confirmers),
        persistent=any(attempt.taken_at - here[0].taken_at >= persistent for attempt in confirmers),
        stood_down=sum(
            may_confirm(attempt)
            and site in (None, attempt.site)
            and not attempt.too_soon
            and attempt.taken_at - last.taken_at >= interval
            for attempt in sitting.attempts[position + 1 :]
        ),
    )


def confirming_time(sitting: Sitting) -> timedelta:
    """The longest time between two severe readings for the second to confirm the first.

    Within one sitting, or within an hour where readings go over days. Source: [DECISION].
    """
    limits = sitting.limits
    apart = sitting.protocol.series is not None or sitting.reading_set.setting == "ambulatory"
    return timedelta(minutes=limits.confirm_severe_apart_series_minutes if apart else limits.confirm_severe_apart_minutes)


def may_confirm(attempt: Attempt) -> bool:
    """True where a reading can confirm or clear a severe one.

    It is valid, not from a wrist or a leg, nor from a device known not to be validated. Source: [DECISION].
    """
    unvalidated = attempt.device is not None and attempt.device.validated == "no"
    return attempt.sound and not unvalidated and attempt.site in TRUSTED_SITES


def is_doubtful(attempt: Attempt) -> bool:
    """True where a severe reading needs a better site or device to be confirmed.

    It was taken at a wrist, a leg or a finger, or with a device that is not validated.
    """
    unvalidated = attempt.device is not None and attempt.device.validated == "no"
    return unvalidated or attempt.device_block is not None or attempt.site not in TRUSTED_SITES


def usable_site(sitting: Sitting, site: Site) -> Site | None:
    """The upper arm on a site's side, else the other arm where that one must not be used.

    None where neither may be used or no side is known.
    """
    own = next((arm for arm in ARMS if arm.partition("-")[0] == site.partition("-")[0]), None)
    if own is None or sitting.person.may_use(own):
        return own
    return next((arm for arm in ARMS if sitting.person.may_use(arm)), None)


def reaches(edge: Edge, systolic_mmhg: float, diastolic_mmhg: float) -> bool:
    """True where either pressure is at the edge or above it."""
    return systolic_mmhg >= edge.systolic_mmhg or diastolic_mmhg >= edge.diastolic_mmhg
