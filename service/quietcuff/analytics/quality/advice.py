"""The first paragraph: what to mend first, in order of what it is worth in a year, in words."""

from __future__ import annotations

import numpy as np

from quietcuff.analytics.quality.faults import FoundFault, share_fault
from quietcuff.analytics.quality.measures import Share
from quietcuff.analytics.quality.number_faults import Numbers, avoided_faults, copied_fault, rounded_fault
from quietcuff.analytics.quality.sets import SittingColumns, in_office
from quietcuff.analytics.quality.shapes import Thing, Worth
from quietcuff.analytics.quality.shift import Moved
from quietcuff.analytics.quality.words import QualityRules, listed, percent, short_code
from quietcuff.analytics.quality.worth import lost, of_avoiding, of_copying, of_effect, of_rounding, of_second_arm
from quietcuff.core.rulebook.rulebook import Guideline, Rulebook

MOST_THINGS, MOST_NAMED = 3, 4
DAYS_A_YEAR = 365.25
ALREADY_SEEN = {"equal-another": ("rounded", "copied"), "one-reading": ()}
NOT_RECORDED_SHARE = 0.5
RECORDED_FIGURES = (
    "rest-too-short", "cuff-too-small", "device-not-validated", "both-arms", "talking", "legs-crossed", "arm-unsupported",
    "back-unsupported", "feet-not-flat", "arm-below-heart-level",
)  # fmt: skip
RECORDED_NAMES = {
    "rest-too-short": "rest", "cuff-too-small": "fit of the cuff", "device-not-validated": "validation of the device",
    "both-arms": "arms measured", "talking": "talking", "legs-crossed": "legs", "arm-unsupported": "support of the arm",
    "back-unsupported": "support of the back", "feet-not-flat": "feet", "arm-below-heart-level": "height of the arm",
}  # fmt: skip


def find_faults(sittings: SittingColumns, shares: dict[str, Share], numbers: Numbers, rules: QualityRules) -> list[FoundFault]:
    """Every fault that the rules call, of the numbers first, then of the shares."""
    settings, n = rules.settings, len(sittings)
    found: list[FoundFault] = []
    for each in (rounded_fault(numbers, sittings.words["observer"].codes, settings), copied_fault(numbers, sittings, settings)):
        found += [each] if each is not None else []
    found += avoided_faults(numbers, n, settings)
    for code, rule in rules.faults.items():
        if rule.figure is None or any(each.code in ALREADY_SEEN.get(code, ()) for each in found):
            continue
        if any(each.code == rule.same_as for each in found):
            continue
        if rule.people and not people_return(sittings, settings.seen_again_share):
            continue
        fault = share_fault(code, rule, shares[rule.figure], sittings, settings) if rule.figure in shares else None
        found += [fault] if fault is not None else []
    return found


def people_return(sittings: SittingColumns, share: float) -> bool:
    """True where people come again in these data: in an extract with one sitting each, nobody could be seen to return."""
    person = sittings.person[sittings.person >= 0]
    visits = np.bincount(person) if len(person) else np.zeros(0, int)
    seen = visits[visits > 0]
    return len(seen) > 0 and float(np.mean(seen > 1)) >= share


def value_fault(
    found: FoundFault, sittings: SittingColumns, numbers: Numbers, rules: QualityRules, rulebook: Rulebook, guideline: Guideline
) -> Worth:
    """The worth of mending a fault, in a year."""
    rule, a_year = rules.faults[found.code], per_year(sittings, rules)
    if rule.people:
        return worth_of("people", float(np.count_nonzero(found.sittings)), a_year)
    moved: Moved | None = None
    if found.code == "rounded":
        moved = of_rounding(found, numbers, sittings, guideline)
    elif found.code == "copied":
        moved = of_copying(found, numbers, sittings, guideline)
    elif found.code == "avoided":
        moved = of_avoiding(found, numbers, sittings, guideline)
    elif found.code == "second-arm":
        moved = of_second_arm(found, sittings, guideline, rules.settings)
    elif rule.effect is not None:
        moved = of_effect(found, sittings, rulebook.effects[rule.effect], guideline)
    if moved is None or not in_office(sittings)[found.sittings].any():
        return worth_of("sittings", float(np.count_nonzero(found.sittings)), a_year)
    without_result = lost(found, sittings) if rule.effect is not None else 0.0
    either = moved.either
    return Worth(
        unit="labels",
        a_year=round(a_year * max(either.mean, without_result), 1),
        low=round(a_year * max(either.low, without_result), 1),
        high=round(a_year * max(either.high, without_result), 1),
    )


def worth_of(unit: str, number: float, a_year: float) -> Worth:
    """A worth that was counted."""
    yearly = round(number * a_year, 1)
    return Worth(unit="people" if unit == "people" else "sittings", a_year=yearly, low=yearly, high=yearly)


def per_year(sittings: SittingColumns, rules: QualityRules) -> float:
    """The factor from a number of the period to a year's; a short period counts as four weeks."""
    days = int(sittings.day.max() - sittings.day.min()) + 1
    return DAYS_A_YEAR / max(days, rules.settings.least_days_for_a_year)


def ordered(found: list[tuple[FoundFault, Worth]]) -> list[tuple[FoundFault, Worth]]:
    """Labels and people by their number a year, the largest first; what has only sittings to count comes after."""
    return sorted(found, key=lambda each: (each[1].unit == "sittings", -each[1].a_year, each[0].code))


def things_of(found: list[tuple[FoundFault, Worth]], sittings: SittingColumns, rules: QualityRules) -> list[Thing]:
    """The faults as things to mend, with their sentences."""
    return [_thing(fault, worth, sittings, rules) for fault, worth in ordered(found)]


def _thing(fault: FoundFault, worth: Worth, sittings: SittingColumns, rules: QualityRules) -> Thing:
    rule, names = rules.faults[fault.code], sittings.words["observer"].names
    observers = [names[code] for code in fault.observers]
    expected = "" if fault.expected is None else percent(fault.expected)
    what = rule.what.format(
        where=where_in_words(observers, rules.words), value=percent(fault.value), expected=expected, threshold=fault.threshold
    )
    return Thing(
        code=fault.code,
        observers=observers,
        value=round(fault.value, 4),
        low=round(fault.low, 4),
        high=round(fault.high, 4),
        eligible=fault.eligible,
        worth=worth,
        what=what,
        how=rule.how,
        source=rule.source,
    )


def where_in_words(observers: list[str], words: dict[str, str]) -> str:
    """The place of a fault in words: some observers, by code, or the whole clinic."""
    if not observers:
        return words["the-clinic"]
    short = [short_code(name) for name in observers]
    return words["one-observer" if len(short) == 1 else "several-observers"].format(list=listed(short, words["and"]))


def summary_of(things: list[Thing], shares: dict[str, Share], n: int, words: dict[str, str], least: int) -> list[str]:
    """The first paragraph, a sentence an entry."""
    if n < least:
        return [words["too-few"].format(sittings=n)]
    sentences = []
    shown = things[:MOST_THINGS]
    if not shown:
        sentences += [words["clean"].format(sittings=f"{n:,}")]
    else:
        count = words[("lead-one", "lead-two", "lead-three")[len(shown) - 1]]
        sentences.append(words["lead"].format(count=count))
    for thing in shown:
        sentences += [thing.what, words[f"worth-{thing.worth.unit}"].format(worth=f"{thing.worth.a_year:,.0f}"), thing.how]
    if len(things) > MOST_THINGS:
        sentences.append(words["more"])
    missing = not_recorded(shares)
    if missing:
        named = [*missing[:MOST_NAMED], words["others"]] if len(missing) > MOST_NAMED else missing
        sentences.append(words["not-recorded"].format(list=listed(named, words["and"])))
        sentences += [words["clean-doubt"]] if not shown else []
    return sentences


def not_recorded(shares: dict[str, Share]) -> list[str]:
    """Items that were not recorded in more than half of the sittings that they concern."""
    found = []
    for code in RECORDED_FIGURES:
        share = shares.get(code)
        if share is None:
            continue
        known = int(np.count_nonzero(share.eligible))
        if share.not_recorded > NOT_RECORDED_SHARE * (known + share.not_recorded):
            found.append(RECORDED_NAMES[code])
    return found
