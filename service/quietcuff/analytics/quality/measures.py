"""Shares of sittings or people: who is eligible, who is counted, and of whom it was not recorded."""

from __future__ import annotations

import msgspec
import numpy as np

from quietcuff.analytics.quality.arrays import Array
from quietcuff.analytics.quality.repeats import Pairs, equal_another, never_vary
from quietcuff.analytics.quality.sets import NO_DAY, SittingColumns, values_of
from quietcuff.core.rulebook.rulebook import CuffTable, Effect, Rulebook

CONTROL_MMHG = (140, 90)


class Share(msgspec.Struct, frozen=True, kw_only=True):
    """Of each sitting, whether it is eligible, whether it counts, and whether it was not recorded (None: it is of all)."""

    eligible: Array
    counted: Array
    missing: Array | None = None

    @property
    def not_recorded(self) -> int:
        return 0 if self.missing is None else int(np.count_nonzero(self.missing))

    def among(self, part: Array) -> Share:
        """The same of some sittings only; a person is where one of theirs stands for them."""
        missing = None if self.missing is None else self.missing & part
        return Share(eligible=self.eligible & part, counted=self.counted & part, missing=missing)


def answered(sittings: SittingColumns, name: str, *, yes: bool = True, among: Array | None = None) -> Share:
    """The share of yes, or of no, among the sittings where one of the two was recorded."""
    answers = sittings.answers[name]
    within = np.ones(len(sittings), bool) if among is None else among
    eligible = within & (answers >= 0)
    return Share(
        eligible=eligible,
        counted=eligible & (answers == (1 if yes else 0)),
        missing=within & (answers < 0),
    )


def worded(sittings: SittingColumns, name: str, *words: str, among: Array | None = None) -> Share:
    """The share of sittings with one of these words, among those where one was recorded."""
    column = sittings.words[name]
    within = np.ones(len(sittings), bool) if among is None else among
    eligible = within & (column.codes >= 0)
    return Share(
        eligible=eligible,
        counted=eligible & column.are(*words),
        missing=within & (column.codes < 0),
    )


def of_effect(sittings: SittingColumns, effect: Effect) -> Share | None:
    """The share of sittings with the answer that an effect is of, None where no question tells it."""
    if effect.field is None:
        return None
    among = ~sittings.words["setting"].are("ambulatory")
    if effect.field in sittings.answers:
        return answered(sittings, effect.field, yes=effect.answers == ["yes"], among=among)
    return worded(sittings, effect.field, *effect.answers, among=among) if effect.field in sittings.words else None


def rest_too_short(sittings: SittingColumns, rulebook: Rulebook, default_seconds: float) -> Share:
    """Rest below what the protocol asks; protocols that are not known ask for the default."""
    protocol = sittings.words["protocol"]
    asked = [
        60 * rulebook.protocols[name].rest_minutes if name in rulebook.protocols else default_seconds for name in protocol.names
    ]
    needed = np.array([*asked, default_seconds])[protocol.codes]
    rested, among = sittings.numbers["rest_seconds"], ~sittings.words["setting"].are("ambulatory")
    eligible = among & ~np.isnan(rested)
    return Share(
        eligible=eligible,
        counted=eligible & (rested < needed),
        missing=among & np.isnan(rested),
    )


def both_arms(sittings: SittingColumns) -> Share:
    """Both arms, where the protocol asks for both; where that is not said, at first visits in the office."""
    due = sittings.answers["both_arms_due"]
    asked = due == 1
    if not (due >= 0).any():
        asked = sittings.words["visit"].are("first") & ~sittings.words["setting"].are("home", "ambulatory")
    return worded(sittings, "arms_measured", "both", among=asked)


def cuff_fit(sittings: SittingColumns, table: CuffTable) -> tuple[Array, Array, Array]:
    """Of each sitting, whether the fit of the cuff is known, whether it is too small, and too large.

    Where the table does not say, the arm against the range of the cuff does, printed on it or of its size in words.
    """
    fit, size = sittings.words["cuff_fit"], sittings.words["cuff"]
    arm, low, high = (sittings.numbers[name] for name in ("arm_circumference_cm", "cuff_low_cm", "cuff_high_cm"))
    for each in table.sizes:
        unprinted = size.are(each.size, each.title) & np.isnan(low + high)
        # Sizes are of whole centimetres: an arm of 34.4 cm is one of 34.
        low = np.where(unprinted, each.from_cm - 0.5, low)
        high = np.where(unprinted, each.to_cm + 0.5, high)
    silent = fit.codes < 0
    with np.errstate(invalid="ignore"):
        told = silent & ~np.isnan(arm + low + high)
        small = fit.are("too-small") | (told & (arm > high))
        large = fit.are("too-large") | (told & (arm < low))
    return (~silent & ~fit.are("doubtful")) | told, small, large


def cuff_shares(sittings: SittingColumns, rulebook: Rulebook) -> dict[str, Share]:
    """Shares of sittings with the cuff recorded, and with a cuff that fits the arm."""
    table = rulebook.cuffs[rulebook.defaults.cuffs]
    known, small, large = cuff_fit(sittings, table)
    sizes = {size.size: size for size in table.sizes}
    with np.errstate(invalid="ignore"):
        is_large_arm = sittings.numbers["arm_circumference_cm"] > sizes["adult"].to_cm
    everyone = np.ones(len(sittings), bool)
    return {
        "cuff-recorded": Share(eligible=everyone, counted=known),
        "cuff-too-small": Share(eligible=known, counted=known & small, missing=~known),
        "cuff-too-small-large-arms": Share(
            eligible=known & is_large_arm,
            counted=known & is_large_arm & small,
            missing=is_large_arm & ~known,
        ),
        "cuff-too-large": Share(eligible=known, counted=known & large, missing=~known),
    }


def shortest_interval(sittings: SittingColumns) -> Share:
    """Sittings with two readings closer together than the protocol asks."""
    seconds, sets = sittings.readings.seconds, sittings.readings.sets
    asked = sittings.numbers["interval_asked_seconds"]
    timed = ~np.isnan(seconds) & ~np.isnan(asked[sets])
    n = len(sittings)
    with np.errstate(invalid="ignore"):
        short = timed & (seconds < asked[sets])
    return Share(eligible=np.bincount(sets, timed, n) > 0, counted=np.bincount(sets, short, n) > 0)


def repeat_shares(sittings: SittingColumns, pairs: Pairs) -> dict[str, Share]:
    """Sittings whose readings never vary, and those that equal another one of the same observer and day."""
    readings, n = sittings.readings, len(sittings)
    compared, constant = never_vary(pairs, n)
    several, twice = equal_another(
        readings.sets, readings.systolic, readings.diastolic, sittings.day, sittings.words["observer"].codes
    )
    return {
        "never-vary": Share(eligible=compared, counted=constant),
        "equal-another": Share(eligible=several, counted=twice),
    }


def method_shares(sittings: SittingColumns) -> dict[str, Share]:
    """Shares of sittings that followed the method."""
    everyone = np.ones(len(sittings), bool)
    office = ~sittings.words["setting"].are("ambulatory")
    state = sittings.words["state"]
    readings = sittings.numbers["readings"]
    if np.isnan(readings).all():
        readings = np.bincount(sittings.readings.sets, minlength=len(sittings)).astype(float)
    return {
        "sittings-complete": Share(eligible=state.codes >= 0, counted=state.are("complete")),
        "both-arms": both_arms(sittings),
        "arm-of-record": answered(sittings, "arm_of_record_used"),
        "two-readings": Share(eligible=office, counted=office & (readings >= 2)),
        "interval-too-short": shortest_interval(sittings),
        "first-dropped": answered(sittings, "first_reading_dropped", among=everyone),
        "irregular-answered": answered(sittings, "irregular_rhythm_answered", among=sittings.is_yes("irregular_rhythm")),
        "severe-repeated": answered(sittings, "severe_repeated_in_time", among=sittings.is_yes("severe_reading")),
    }


def certainty_shares(sittings: SittingColumns) -> dict[str, Share]:
    """Shares of labels by how sure they are, and by what would settle the others."""
    by = sittings.words["settled_by"]
    open_labels = sittings.answers["settled"] == 0
    missing = open_labels & (by.codes < 0)
    open_labels &= by.codes >= 0
    found = {
        "settled": answered(sittings, "settled", among=sittings.answers["settled"] >= 0),
        "too-close": answered(sittings, "too_close_to_call", among=sittings.answers["settled"] >= 0),
    }
    for code, word in (
        ("settled-by-readings", "more-readings-now"),
        ("settled-by-visit", "another-visit"),
        ("settled-outside", "home-or-ambulatory"),
    ):
        found[code] = Share(eligible=open_labels, counted=open_labels & by.are(word), missing=missing)
    return found


def per_person(sittings: SittingColumns, eligible: Array, counted: Array) -> Share:
    """People instead of sittings: each eligible person once, at one of their sittings; counted if any of theirs is."""
    person = sittings.person
    size = int(person.max(initial=-1)) + 1
    is_eligible, is_counted = np.zeros(size, bool), np.zeros(size, bool)
    is_eligible[person[eligible & (person >= 0)]] = True
    is_counted[person[counted & (person >= 0)]] = True
    first = np.full(size, -1)
    places = np.flatnonzero(eligible & (person >= 0))[::-1]
    first[person[places]] = places
    mask, hit = np.zeros(len(sittings), bool), np.zeros(len(sittings), bool)
    mask[first[is_eligible]] = True
    hit[first[is_eligible & is_counted]] = True
    return Share(eligible=mask, counted=hit)


def first_of_person(sittings: SittingColumns, held: Array) -> Array:
    """The sittings held that are on the earliest such day of their person."""
    person = sittings.person
    earliest = np.full(int(person.max(initial=0)) + 1, np.iinfo(np.int64).max)
    at = held & (person >= 0)
    order = np.flatnonzero(at)[np.argsort(-sittings.day[at], kind="stable")]
    earliest[person[order]] = sittings.day[order]
    return np.asarray(at & (sittings.day == earliest[person]))


def follow_up_shares(sittings: SittingColumns, as_of: int, seen_again_days: int) -> dict[str, Share]:
    """People who had to be seen by ``as_of``, and were not: their newest sitting of all is the one that asks for it.

    A label to be confirmed is looked at where it was first given: a later sitting, high or not, is what was asked for.
    """
    due = (sittings.confirm_by != NO_DAY) & (sittings.confirm_by < as_of)
    due &= first_of_person(sittings, sittings.confirm_by != NO_DAY)
    earlier = sittings.day <= as_of - seen_again_days
    severe = sittings.is_yes("severe_reading") & earlier
    with np.errstate(invalid="ignore"):
        low = (sittings.numbers["systolic_mmhg"] < 90) & sittings.is_yes("acute_symptoms") & earlier
    blocked = sittings.words["state"].are("not-usable") & earlier
    return {
        code: per_person(sittings, asks, asks & sittings.newest)
        for code, asks in (
            ("unconfirmed-overdue", due),
            ("severe-not-seen", severe),
            ("low-with-symptoms", low),
            ("blocked-not-repeated", blocked),
        )
    }


def control_shares(sittings: SittingColumns) -> dict[str, Share]:
    """People with known hypertension, on their newest day: the lowest systolic and diastolic below 140/90, and the result.

    Strictly below, the two lowest maybe of different readings. Source: [CMS165].
    """
    office = ~sittings.words["setting"].are("ambulatory")
    known = sittings.is_yes("known_hypertension") & sittings.newest & office
    readings = sittings.readings
    lowest = []
    for measured in (readings.systolic, readings.diastolic):
        least = np.full(len(sittings), np.inf)
        starts = np.flatnonzero(np.diff(readings.sets, prepend=-1))
        if len(starts):
            least[readings.sets[starts]] = np.fmin.reduceat(np.where(np.isnan(measured), np.inf, measured), starts)
        lowest.append(least)
    measured_at_all = known & np.isfinite(lowest[0]) & np.isfinite(lowest[1])
    people: list[Array] = [_lowest_of_person(sittings, measured_at_all, least) for least in lowest]
    below = measured_at_all & (people[0] < CONTROL_MMHG[0]) & (people[1] < CONTROL_MMHG[1])
    values = values_of(sittings)
    with np.errstate(invalid="ignore"):
        result = measured_at_all & (values[0] < CONTROL_MMHG[0]) & (values[1] < CONTROL_MMHG[1])
    asked = sittings.newest & office
    answered_of = per_person(sittings, asked, asked & (sittings.answers["known_hypertension"] >= 0))
    missing = answered_of.eligible & ~answered_of.counted
    found = {}
    for code, met in (("control-measure", below), ("clinical-control", result)):
        share = per_person(sittings, measured_at_all, met)
        found[code] = msgspec.structs.replace(share, missing=missing)
    return found


def _lowest_of_person(sittings: SittingColumns, held: Array, least: Array) -> Array:
    """The lowest over a person's sittings of the newest day, at each of them."""
    person = sittings.person
    lowest = np.full(int(person.max(initial=0)) + 1, np.inf)
    np.minimum.at(lowest, person[held], least[held])
    return np.asarray(lowest[person])


def all_shares(
    sittings: SittingColumns, rulebook: Rulebook, pairs: Pairs, *, rest_seconds: float, as_of: int, seen_again_days: int
) -> dict[str, Share]:
    """Every share, by the code of its figure."""
    found = method_shares(sittings)
    found["rest-too-short"] = rest_too_short(sittings, rulebook, rest_seconds)
    for code, effect in rulebook.effects.items():
        share = of_effect(sittings, effect)
        if share is not None and code not in ("arm-above-heart-level",):
            found[code] = share
    found |= cuff_shares(sittings, rulebook)
    office = ~sittings.words["setting"].are("ambulatory")
    found["device-not-validated"] = answered(sittings, "device_validated", yes=False, among=office)
    found["accuracy-check-overdue"] = answered(sittings, "accuracy_check_in_date", yes=False, among=office)
    found |= repeat_shares(sittings, pairs)
    found |= certainty_shares(sittings)
    found |= follow_up_shares(sittings, as_of, seen_again_days)
    found |= control_shares(sittings)
    return found
