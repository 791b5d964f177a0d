"""The findings of each set, by code: those that the core tells of one sitting, but for what belongs to its certainty."""

from __future__ import annotations

import numpy as np

from quietcuff.analytics.columns.arms import ArmColumns, may_use
from quietcuff.analytics.columns.attempts import AttemptColumns
from quietcuff.analytics.columns.block import SetBlock
from quietcuff.analytics.columns.codes import (
    AUSCULTATORY,
    COMPLETE,
    EARLIER_SITTINGS,
    NO,
    NO_POSITION,
    NO_SITE,
    NOTHING,
    OFFICE,
    REASON,
    RIGHT,
    YES,
    Array,
    all_of,
    any_of,
)
from quietcuff.analytics.columns.columns import BatchColumns
from quietcuff.analytics.columns.equipment import (
    CUFFLESS,
    DEVICE_CODES,
    FINGER,
    FITS,
    GROUPS,
    NO_BLOCK,
    WRIST,
    DeviceTable,
    FitTable,
)
from quietcuff.analytics.columns.labels import answered, needs_muffling, not_arm_of_record, rest_too_short
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.means import MeanColumns
from quietcuff.analytics.columns.people import AMBULATORY, PREGNANT, InForceColumns, PersonColumns
from quietcuff.analytics.columns.selection import FURTHER, NOT_DUE, SelectionColumns

Found = dict[str, Array]
BLOCK_CODES = ((CUFFLESS, "device-cuffless"), (FINGER, "device-finger"))


def rhythm_findings(
    block: SetBlock, attempts: AttemptColumns, selection: SelectionColumns, people: PersonColumns, low: Array, made: BatchRules
) -> Found:
    """An irregular rhythm now or earlier, and low readings of somebody who may fall."""
    elder = people.age_known & (people.age >= made.limits.low_standing_advice_from_years)
    counted = selection.counted
    other = any_of(counted & (attempts.method != AUSCULTATORY)) | ~any_of(counted)
    return {
        "standing-pair-advised": (block.facts.treated | elder) & low,
        "irregular-rhythm": attempts.irregular,
        "auscultation-advised": attempts.irregular & other,
        "irregular-rhythm-earlier": ~attempts.irregular & (block.facts.earlier_irregular > 0),
    }


def arm_findings(comparison: ArmColumns, known_repeats: tuple[Array, ...], made: BatchRules) -> Found:
    """What the difference between the arms asks for."""
    pairs, limits = comparison.pairs, made.limits
    compared, count = pairs.count > 0, 100 * np.maximum(pairs.count, 1)
    systolic, diastolic = pairs.systolic_sum / count, pairs.diastolic_sum / count
    apart = np.abs(systolic)
    not_opposite = np.sign(systolic) * np.sign(diastolic) >= 0
    by_diastolic = (apart < limits.arm_difference_mmhg) & not_opposite
    apart = np.where(by_diastolic, np.maximum(apart, np.abs(diastolic)), apart)
    repeat_right, repeat_left, assess_right, assess_left = known_repeats
    repeated = (repeat_right + pairs.repeat_right >= 2) | (repeat_left + pairs.repeat_left >= 2)
    assessed = (assess_right + pairs.assess_right >= 2) | (assess_left + pairs.assess_left >= 2)
    once = (pairs.count == 1) & (pairs.repeat_right + pairs.repeat_left == 1)
    opposite = (pairs.points_right > 0) & (pairs.points_left > 0)
    return {
        "inter-arm-10": compared & (apart >= limits.arm_difference_mmhg),
        "inter-arm-15-confirmed": compared & repeated,
        "inter-arm-20-assess": compared & repeated & assessed,
        "inter-arm-15-repeat": compared & ~repeated & once,
        "inter-arm-inconsistent": opposite & (pairs.systolic_right + pairs.systolic_left > 0),
    }


def arm_state_findings(
    block: SetBlock,
    attempts: AttemptColumns,
    people: PersonColumns,
    rules: InForceColumns,
    comparison: ArmColumns,
    selection: SelectionColumns,
    made: BatchRules,
) -> Found:
    """What is not known, not measured or not usable of the arms and the site."""
    measured, table = block.measured, made.protocols
    site, no_pairs = comparison.result_site, comparison.pairs.count == 0
    on_arm = (site >= 0) & (site <= RIGHT)
    due = rules.compares & no_pairs
    looked_at = np.stack([np.where(on_arm, site != arm, site == NOTHING) for arm in (0, 1)])
    excluded = any_of(looked_at & (people.closed == 2))
    refused = any_of(looked_at & (people.closed == 1))
    missing = rules.compares & (comparison.other_due != NOTHING) & block.facts.closed
    never = ~due & no_pairs & (comparison.earlier == NOTHING) & (comparison.record == NOTHING) & ~people.restricted
    some = any_of(attempts.valid)
    wrong_so_far = (comparison.basis == EARLIER_SITTINGS) & some & (selection.chain.count == 0)
    preferred = table.preferred_arm[rules.protocol]
    other_than = (preferred != NOTHING) & on_arm & (site != preferred) & (site != comparison.earlier) & no_pairs
    no_position = any_of(attempts.valid & (measured.position == NO_POSITION))
    return {
        "other-arm-excluded": due & excluded,
        "other-arm-not-measured": due & ~excluded & (refused | missing),
        "arms-never-compared": never,
        "not-arm-of-record": not_arm_of_record(comparison) | wrong_so_far,
        "preferred-arm-not-measured": other_than & may_use(people, preferred),
        "site-not-recorded": any_of(attempts.valid & (measured.site == NO_SITE)),
        "position-not-recorded": no_position & table.one_position[rules.protocol],
    }


def selection_findings(attempts: AttemptColumns, selection: SelectionColumns) -> Found:
    """Too few, one more due, readings that vary, a gap in the sitting."""
    complete = any_of(selection.counted)
    closed_early = (selection.state == COMPLETE) & (selection.due != NOT_DUE)
    rising = (selection.chain.count == 2) & selection.still_differ & selection.chain.rises
    return {
        "too-few-readings": selection.too_few,
        "further-reading-needed": (selection.due == FURTHER) | closed_early,
        "first-reading-dropped": complete & selection.first_left_out,
        "readings-vary": selection.vary | rising,
        "sitting-gap": attempts.gap,
    }


def reading_findings(block: SetBlock, attempts: AttemptColumns, made: BatchRules) -> Found:
    """What is odd about single readings: a row a place."""
    measured, limits, live = block.measured, made.limits, block.live
    implausible = attempts.fault == REASON["implausible"]
    inside = np.ones_like(live)
    for value, usual in ((measured.systolic, limits.usual_systolic), (measured.diastolic, limits.usual_diastolic)):
        inside &= (100 * usual.lowest <= value) & (value <= 100 * usual.highest)
    columns = np.arange(block.size)
    before = np.maximum(attempts.before, 0)
    same = (attempts.before >= 0) & attempts.has_pressures & attempts.has_pressures[before, columns]
    for value in (measured.systolic, measured.diastolic):
        same &= value == value[before, columns]
    found = {
        "device-error": attempts.fault == REASON["device-error"],
        "implausible-reading": implausible,
        "unusual-value": ~implausible & attempts.has_pressures & ~inside,
        "use-phase-four": needs_muffling(block, attempts, made),
        "pulse-high": measured.pulse_high | (measured.pulse > limits.usual_pulse.highest),
        "pulse-low": measured.pulse_low | (measured.pulse < limits.usual_pulse.lowest),
        "identical-values": same,
        "interval-too-short": attempts.too_soon,
        "taken-in-future": taken_in_future(block, made),
    }
    return {code: live & holds for code, holds in found.items()}


def taken_in_future(block: SetBlock, made: BatchRules) -> Array:
    """Readings later than the set came in."""
    received = block.facts.received_at
    known = received != np.iinfo(np.int64).min
    latest = np.where(known, received, 0) + 60_000_000 * made.limits.future_minutes
    return known & (block.measured.taken_at > latest)


def cuff_findings(block: SetBlock, attempts: AttemptColumns, cuffs: FitTable) -> tuple[Found, Found]:
    """The fit of each cuff: of the set where all attempts share it, else of single readings; what is missing to tell."""
    live = block.live
    last = np.where(live, attempts.fit, np.int8(-128)).max(axis=0)
    shared = all_of((attempts.fit == last) | ~live)
    of_sets: Found = {
        "cuff-not-recorded": any_of(live & attempts.fit_lacks),
        "arm-outside-cuff-table": cuffs.outside_table[block.places],
    }
    of_readings: Found = {}
    for code, name in enumerate(FITS):
        fits = live & (attempts.fit == code)
        of_sets[name] = any_of(fits)
        of_readings[name] = fits & ~shared
    return of_sets, of_readings


def device_findings(
    block: SetBlock, attempts: AttemptColumns, people: PersonColumns, devices: DeviceTable, made: BatchRules
) -> Found:
    """What is known of the devices, and what speaks against them."""
    live, facts, device = block.live, block.facts, attempts.device

    def some(holds: Array) -> Array:
        return any_of(live & holds)

    groups = groups_of(block, people, attempts, made)
    gap = devices.gaps[device, (facts.registered == YES).astype(np.int8), groups]
    validated = attempts.validated
    found = {name: some(attempts.block == code) for code, name in BLOCK_CODES}
    found |= {
        "device-wrist": some((attempts.block == WRIST) | ((attempts.block == NO_BLOCK) & attempts.at_wrist)),
        "device-not-validated": some(validated == NO),
        "validation-not-recorded": some((validated != NO) & (validated != YES)),
        "device-not-registered": facts.registered == NO,
        "device-average-recorded": facts.average_readings > 0,
        DEVICE_CODES[0]: some(gap == 1),
        DEVICE_CODES[1]: some(gap == 2),
        DEVICE_CODES[2]: some(devices.check_lacks[device]),
        "accuracy-check-overdue": some(block.measured.day > devices.check_due[device]),
        DEVICE_CODES[3]: some(devices.clock_off[device]),
    }
    return found


def groups_of(block: SetBlock, people: PersonColumns, attempts: AttemptColumns, made: BatchRules) -> Array:
    """The groups of each adult, as bits, as studies of accuracy divide people."""
    facts, bit = block.facts, {group: 1 << place for place, group in enumerate(GROUPS)}
    large = facts.arm_cm > made.limits.validation_large_arm_above_cm
    groups = np.where(facts.pregnancy == PREGNANT, bit["pregnancy"], 0)
    groups |= np.where(attempts.irregular, bit["irregular-rhythm"], 0) | np.where(large, bit["large-arms"], 0)
    return np.where((groups == 0) & people.age_known, bit["adults"], groups)


def preparation_findings(block: SetBlock, columns: BatchColumns, rules: InForceColumns, made: BatchRules) -> Found:
    """What the context says of the preparation, and what was not recorded."""
    found: Found = {}
    for code, effect in made.rules.rulebook.effects.items():
        if code == "rest-too-short":
            found[code] = rest_too_short(block, rules, made)
        elif effect.field is not None:
            found[code] = answered(block, columns, effect.field, effect.answers)
    found["context-not-recorded"] = block.facts.lacks_answers & (block.facts.setting != AMBULATORY)
    found["care-not-ordinary"] = ~block.facts.ordinary_care
    return found


def intake_findings(block: SetBlock, columns: BatchColumns) -> Found:
    """What the service knew beyond the caller's words."""
    found: Found = {"subject-facts-differ": block.facts.facts_differ, "closed-by-timeout": block.facts.closed_by_timeout}
    counts = np.diff(columns.notes)[block.places]
    noted = np.flatnonzero(counts)
    if not len(noted):
        return found
    sets = np.repeat(noted, counts[noted])
    first = columns.notes[block.places[noted]]
    ends = np.cumsum(counts[noted])
    entries = np.arange(ends[-1]) - np.repeat(ends - counts[noted], counts[noted]) + np.repeat(first, counts[noted])
    place = columns.note_places[entries]
    voided = (block.there & ~block.live)[:, sets] & (block.measured.index[:, sets] == place)
    told = ~any_of(voided)
    for code, word in enumerate(columns.note_words):
        holds = np.zeros(block.size, dtype=np.bool_)
        holds[sets[told & (columns.note_codes[entries] == code)]] = True
        found[word] = holds
    return found


def lower_reads(block: SetBlock, means: MeanColumns, made: BatchRules) -> Found:
    """Whether an unattended office value is one of those that the published differences are of."""
    alone = block.facts.unattended & (block.facts.setting == OFFICE)
    reads_lower = alone & means.has & (means.reported[0] >= made.limits.unattended_lower_from_mmhg)
    return {"unattended-reads-lower": reads_lower}
