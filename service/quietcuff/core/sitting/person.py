"""The person on the day of the sitting: age, pregnancy, treatment, arms that must not be used."""

from __future__ import annotations

import calendar
from datetime import date, timedelta

import msgspec

from quietcuff.core.model.fields import RestrictionReason
from quietcuff.core.model.readings import Facts
from quietcuff.core.rulebook.rulebook import Limits

FULL_DATE = len("1971-01-15")
SIDES = {"left-upper-arm": "left", "right-upper-arm": "right", "left-wrist": "left", "right-wrist": "right"}


class Person(msgspec.Struct, frozen=True, gc=False):
    """Facts about a person that the rules need. Ages are the youngest that the birth date allows; None where not recorded.

    ``expecting`` covers pregnancy and the weeks after birth; ``treated`` known hypertension or treatment,
    ``treatment_recorded`` whether it is recorded that there is treatment, or none.
    """

    age_years: int | None
    neonate: bool
    expecting: bool
    may_be_expecting: bool
    delivery_day_known: bool
    treated: bool
    treatment_recorded: bool
    irregular_known: bool
    arm_cm: float | None
    restrictions: dict[str, RestrictionReason]

    def may_use(self, site: str) -> bool:
        """True where a cuff may go on this site."""
        return not self.restrictions or SIDES.get(site) not in self.restrictions


def describe_person(facts: Facts, day: date, limits: Limits) -> Person:
    """The person as of a day.

    A birth date given as a year or a month is taken at its latest day. After a birth whose day is not recorded the weeks after
    birth are assumed. Source: [ACOG767] for the weeks after birth; the rest are the project's decisions.
    """
    born = latest_birth_day(facts.birth_date)
    years = None if born is None else day.year - born.year - ((day.month, day.day) < (born.month, born.day))
    possible = limits.possible_pregnancy_years
    return Person(
        age_years=years,
        neonate=born is not None and (day - born).days < limits.neonate_days,
        expecting=is_expecting(facts, day, limits),
        may_be_expecting=facts.sex != "male"
        and facts.pregnancy == "not-recorded"
        and years is not None
        and possible.lowest <= years <= possible.highest,
        delivery_day_known=facts.delivered_on is not None and facts.delivered_on <= day,
        treated="yes" in (facts.known_hypertension, facts.antihypertensive_treatment),
        treatment_recorded=facts.antihypertensive_treatment != "not-recorded",
        irregular_known=facts.known_irregular_rhythm == "yes",
        arm_cm=facts.arm_circumference_cm,
        restrictions=restricted_arms(facts, day) if facts.arm_restrictions else {},
    )


def low_systolic(person: Person, limits: Limits) -> float:
    """The systolic below which a reading is low, in mmHg: 90; under ten years 70 and 2 for each completed year, 80 at five.

    Source: [PRACTICE], for children [PALS20].
    """
    years = person.age_years
    if years is None or years >= limits.low_systolic_child_below_years:
        return limits.low_systolic_mmhg
    return limits.low_systolic_child_mmhg + limits.low_systolic_child_per_year_mmhg * max(years, 0)


def latest_birth_day(birth_date: str | None) -> date | None:
    """The latest day that a full or partial date allows: 1958 gives 1958-12-31."""
    if birth_date is None:
        return None
    if len(birth_date) == FULL_DATE:
        return date.fromisoformat(birth_date)
    parts = [int(part) for part in birth_date.split("-")]
    if len(parts) == 1:
        return date(parts[0], 12, 31)
    if len(parts) == 2:
        return date(parts[0], parts[1], calendar.monthrange(parts[0], parts[1])[1])
    return date(*parts)


def earliest_birth_day(birth_date: str) -> date:
    """The earliest day that a full or partial date allows: 1958 gives 1958-01-01."""
    if len(birth_date) == FULL_DATE:
        return date.fromisoformat(birth_date)
    parts = [int(part) for part in birth_date.split("-")]
    return date(parts[0], parts[1] if len(parts) > 1 else 1, parts[2] if len(parts) > 2 else 1)


def is_expecting(facts: Facts, day: date, limits: Limits) -> bool:
    """Pregnant, or up to 42 days after birth. Source: [ACOG767]."""
    if facts.pregnancy == "pregnant":
        return True
    if facts.delivered_on is not None and (facts.pregnancy != "postpartum" or facts.delivered_on <= day):
        return timedelta(0) <= day - facts.delivered_on <= timedelta(days=limits.postpartum_days)
    return facts.pregnancy == "postpartum"


def restricted_arms(facts: Facts, day: date) -> dict[str, RestrictionReason]:
    """The arms that must not be used on a day, each with its gravest reason: a refusal yields to any other."""
    arms: dict[str, RestrictionReason] = {}
    for restriction in facts.arm_restrictions:
        # A refusal can be reconsidered, a dialysis access cannot: the graver reason must not be hidden by it.
        holds = restriction.until is None or restriction.until >= day
        if holds and arms.get(restriction.arm, "refused") == "refused":
            arms[restriction.arm] = restriction.reason
    return arms
