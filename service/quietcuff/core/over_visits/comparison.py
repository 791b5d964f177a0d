"""Office values beside values from outside: the patterns they show together, and the next step over visits."""

from __future__ import annotations

from datetime import date

import msgspec

from quietcuff.core.findings.findings import find
from quietcuff.core.labels.classification import reaches_hypertension
from quietcuff.core.model.evaluation import Action, ConfirmBy, Finding, FollowingStep, Step
from quietcuff.core.model.fields import Site
from quietcuff.core.over_visits.office import Tables, days_needed
from quietcuff.core.over_visits.out_of_office import OutsideSeries
from quietcuff.core.over_visits.patterns import OfficeValue, OutsideValue, Pattern, is_high, name_pattern, values_of_recording
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.core.over_visits.result import Pooled
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.in_force import is_for

PRESSING = frozenset({"confirm-now", "ask-symptoms", "same-day-review", "urgent-assessment"})


class OfficeAndOutside(msgspec.Struct, frozen=True, kw_only=True):
    """The pooled office value with its sets in order of time, and the values from outside."""

    pooled: Pooled | None
    office: list[CurrentSitting]
    outside: list[OutsideValue]


def set_beside(
    pooled: Pooled | None,
    office: list[CurrentSitting],
    home: OutsideSeries | None,
    recording: OutsideSeries | None,
    rulebook: Rulebook,
) -> OfficeAndOutside:
    """The values beside each other.

    An outside value is valid for a pattern where its end and the newest office visit are at most as far apart as the rules
    allow. Source: [DECISION].
    """
    newest = max((sitting.day for sitting in office), default=None)
    limit_days = rulebook.limits.pattern_within_days
    values = []
    if home is not None:
        values.append(
            OutsideValue(
                part="home",
                systolic_mmhg=home.result.systolic_mmhg,
                diastolic_mmhg=home.result.diastolic_mmhg,
                is_valid=is_near(home, newest, limit_days),
            )
        )
    if recording is not None:
        values += values_of_recording(recording.series, is_valid=is_near(recording, newest, limit_days))
    return OfficeAndOutside(pooled=pooled, office=office, outside=values)


def is_near(series: OutsideSeries, newest_visit: date | None, limit_days: int) -> bool:
    """True where a series or recording ends within so many days of the newest office visit."""
    return newest_visit is not None and abs((series.result.taken_to.date() - newest_visit).days) <= limit_days


def for_this_person(tables: Tables, sides: OfficeAndOutside, name: str) -> list[OutsideValue]:
    """The outside values that a guideline is for: home and ambulatory each by itself."""
    guideline = tables.by_name()[name]
    settings = {value.part: "home" if value.part == "home" else "ambulatory" for value in sides.outside}
    return [value for value in sides.outside if is_for(guideline, tables.person, settings[value.part])]


def name_patterns(tables: Tables, sides: OfficeAndOutside, rulebook: Rulebook) -> list[Pattern]:
    """The pattern under each guideline that is for this person.

    The office value is valid where it stands on enough days. Source: [ESH21].
    """
    if sides.pooled is None:
        return []
    office = OfficeValue(
        systolic_mmhg=sides.pooled.systolic_mmhg,
        diastolic_mmhg=sides.pooled.diastolic_mmhg,
        is_valid=sides.pooled.days >= days_needed(tables.person, rulebook),
    )
    found = [
        name_pattern(
            guideline,
            office,
            for_this_person(tables, sides, guideline.id),
            rulebook.wording,
            is_treated=tables.person.treated,
        )
        for guideline in tables.guidelines
        if is_for(guideline, tables.person, "office")
    ]
    return [pattern for pattern in found if pattern is not None]


def pattern_findings(patterns: list[Pattern], rulebook: Rulebook) -> list[Finding]:
    """Each pattern once, with the guidelines under which it stands."""
    return [
        find(rulebook, code, list=", ".join(pattern.guideline for pattern in patterns if pattern.code == code))
        for code in dict.fromkeys(pattern.code for pattern in patterns)
    ]


def is_high_in_office(tables: Tables, sides: OfficeAndOutside) -> bool:
    """True where the pooled office value reaches the limit for hypertension of a guideline that is for this person."""
    pooled = sides.pooled
    return pooled is not None and any(
        is_for(guideline, tables.person, "office")
        and reaches_hypertension(guideline, pooled.systolic_mmhg, pooled.diastolic_mmhg)
        for guideline in tables.guidelines
    )


def is_high_outside(tables: Tables, sides: OfficeAndOutside) -> bool:
    """True where an outside value reaches the limit for hypertension of its part under a guideline that is for this person."""
    return any(
        is_high(value, bands)
        for guideline in tables.guidelines
        for value in for_this_person(tables, sides, guideline.id)
        for bands in guideline.out_of_office
        if bands.decides and bands.part == value.part
    )


def step_over_visits(
    newest: CurrentSitting | None,
    tables: Tables,
    sides: OfficeAndOutside,
    patterns: list[Pattern],
    arm: Site | None,
    going_on: FollowingStep | None,
    rulebook: Rulebook,
) -> tuple[Step, ConfirmBy | None]:
    """The next step over visits: a pressing step of the newest set, else the step that all the values ask for.

    ``newest`` is the newest set that is not voided; ``going_on`` the step of an unfinished home series of single sittings.
    Source: [DECISION], as the guidelines ask for confirmation out of the office [ISH20, NICE, ESC24].
    """
    words = rulebook.wording.step
    if newest is None:
        return Step(action="none", reason=words["none"]), None
    own = newest.evaluation.next_step
    # Safety and an open sitting come first: neither may be hidden by an older pattern.
    if own.action in PRESSING or not newest.closed:
        return own, newest.evaluation.confirm_by
    high, high_outside = is_high_in_office(tables, sides), is_high_outside(tables, sides)
    action: Action = "none"
    if tables.person.treated and (high or high_outside):
        return Step(action=action, reason=words["compare-with-target"]), None
    code = gravest(patterns)
    if code is not None:
        action = "measure-out-of-office" if code == "masked-pattern" else "none"
        return Step(action=action, site=arm if action != "none" else None, reason=words[code]), None
    if high:
        return confirm_office(tables, sides, arm, rulebook)
    if high_outside:
        return Step(action="repeat-another-day", site=arm, reason=words["high-outside"]), None
    if newest.is_single_at_home and going_on is not None:
        return Step(action=going_on.action, site=going_on.site, reason=going_on.reason), None
    if sides.pooled is None and not sides.outside:
        return own, newest.evaluation.confirm_by
    return Step(action="none", reason=words["none"]), None


def gravest(patterns: list[Pattern]) -> str | None:
    """The pattern that asks for most, where guidelines name different ones."""
    codes = {pattern.code for pattern in patterns}
    # Only the masked pattern asks for a measurement, so it comes first.
    return next((code for code in ("masked-pattern", "sustained-pattern", "white-coat-pattern") if code in codes), None)


def confirm_office(
    tables: Tables, sides: OfficeAndOutside, arm: Site | None, rulebook: Rulebook
) -> tuple[Step, ConfirmBy | None]:
    """Confirmation of a high office value.

    Until it stands on enough days, as its newest visit says, or on a further office day where outside values are at hand. After
    that, out of the office.
    """
    words, newest = rulebook.wording.step, sides.office[-1].evaluation
    if sides.pooled is not None and sides.pooled.days >= days_needed(tables.person, rulebook):
        if any(guideline.out_of_office for guideline in tables.guidelines if is_for(guideline, tables.person, "office")):
            return Step(action="measure-out-of-office", site=arm, reason=words["measure-out-of-office"]), None
        return Step(action="none", reason=words["review-over-visits"]), None
    if any(value.is_valid for value in sides.outside):
        by = newest.confirm_by
        another = None if by is None else msgspec.structs.replace(by, way="office")
        return Step(action="repeat-another-day", site=arm, reason=words["second-office-day"]), another
    return newest.next_step, newest.confirm_by
