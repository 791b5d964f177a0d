"""Selection: the readings of each set that count, the one still due, and the reason why each other one does not count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.arms import ArmColumns, repeat_due
from quietcuff.analytics.columns.attempts import AttemptColumns
from quietcuff.analytics.columns.block import SetBlock, at_place
from quietcuff.analytics.columns.chain import ReadingChain, follow
from quietcuff.analytics.columns.codes import (
    AUSCULTATORY,
    COMPLETE,
    IN_PROGRESS,
    METHODS,
    NEVER,
    NO_METHOD,
    NOT_USABLE,
    NOTHING,
    REASON,
    Array,
    all_of,
    any_of,
    is_in,
)
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.people import InForceColumns, PersonColumns
from quietcuff.analytics.columns.protocols import COUNTS, EXTRAS
from quietcuff.analytics.columns.severity import SevereColumns

NOT_DUE, FIRST_READING, ARM_OF_RECORD, ONE_MORE, FURTHER = range(5)
NO_EXTRA, STABLE = EXTRAS.index("none"), EXTRAS.index("stable-pair")
LAST_TWO_DIFFER, FIRST_TWO_DIFFER = EXTRAS.index("last-two-differ"), EXTRAS.index("first-two-differ")
ALL, STABLE_PAIR, LOWER = COUNTS.index("all"), COUNTS.index("stable-pair"), COUNTS.index("lower-of-last-two")


@dataclass(frozen=True, slots=True)
class SelectionColumns:
    """The selection. ``arm`` are the valid readings of the result arm and of one method."""

    state: Array
    arm: Array
    counted: Array
    reason: Array
    chain: ReadingChain
    due: Array
    method: Array
    minimum: Array
    too_few: Array
    vary: Array
    still_differ: Array
    first_left_out: Array


def select(
    block: SetBlock,
    attempts: AttemptColumns,
    people: PersonColumns,
    rules: InForceColumns,
    comparison: ArmColumns,
    severe: SevereColumns,
    made: BatchRules,
) -> SelectionColumns:
    """Fold each set's valid readings through its protocol."""
    table, protocol = made.protocols, rules.protocol
    here = attempts.valid & (block.measured.site == comparison.result_site)
    method = choose_method(block, attempts, rules, here, made)
    arm = here & (attempts.method == method)
    chain = follow(block, arm, protocol, attempts, made)
    by_ear = (table.auscultated[protocol] < NEVER) & (chain.count > 0) & (method == AUSCULTATORY)
    by_ear &= any_of(here & (attempts.method != AUSCULTATORY))
    low = first_reading_ends(block, chain, protocol, made) & ~by_ear
    irregular = attempts.irregular
    due = reading_due(attempts, chain, protocol, irregular, low, by_ear, made)
    extra = table.extra[protocol]
    still_differ = (extra != NO_EXTRA) & (extra != STABLE) & (chain.count > 1) & chain.last_two_far
    repeat = np.where((due != NOT_DUE) | still_differ, NOTHING, repeat_due(rules, comparison, people, made))
    other_arm = np.where(comparison.other_due != NOTHING, comparison.other_due, repeat)
    valid = attempts.valid.sum(axis=0)
    ends = (valid >= made.limits.most_readings_asked) | ~((valid > 0) | any_of(people.may_use))
    due, other_arm = np.where(ends, NOT_DUE, due), np.where(ends, NOTHING, other_arm)
    minimum = minimum_readings(protocol, irregular, by_ear, low & (chain.count > 0), made)
    alone = people.expecting & (chain.count == 1) & at_place(severe.severe, chain.first)
    waits = ~block.facts.closed & ((due != NOT_DUE) | (other_arm != NOTHING))
    enough = (chain.count >= minimum) | alone
    state = np.where(waits, IN_PROGRESS, np.where(enough, COMPLETE, NOT_USABLE))
    counted = choose_counted(block, arm, chain, rules, irregular, made) & (state == COMPLETE)
    reason, left_out = explain(attempts, here, arm, counted, chain, rules, state, made)
    return SelectionColumns(
        state=state,
        arm=arm,
        counted=counted,
        reason=reason,
        chain=chain,
        due=due,
        method=method,
        minimum=minimum,
        too_few=(state == NOT_USABLE) & ((chain.count > 0) | all_of(is_in(attempts.fault, (NOTHING, REASON["voided"])))),
        vary=readings_vary(chain, protocol, made),
        still_differ=still_differ,
        first_left_out=left_out,
    )


def choose_method(block: SetBlock, attempts: AttemptColumns, rules: InForceColumns, here: Array, made: BatchRules) -> Array:
    """The one method of each set whose readings may share a mean: the one with most, the later one when equal."""
    limits, order = made.limits, np.arange(1, block.most + 1)[:, None]
    counts, scores = [], []
    for method in range(len(METHODS)):
        of_it = here & (attempts.method == method)
        count = of_it.sum(axis=0)
        counts.append(count)
        scores.append(np.where(count > 0, (block.most + 1) * count + (of_it * order).max(axis=0), 0))
    by_ear, total = counts[AUSCULTATORY], sum(counts)
    latest = (here * order).argmax(axis=0)
    irregular = attempts.irregular & (by_ear > 0)
    goes_on = ~block.facts.closed & (attempts.valid.sum(axis=0) < limits.most_readings_asked)
    doing = goes_on & (at_place(attempts.method, latest) == AUSCULTATORY)
    surely = irregular & ((by_ear >= limits.irregular_readings) | doing)
    set_aside = irregular & ~surely & (by_ear < total)
    scores[AUSCULTATORY] = np.where(set_aside, 0, scores[AUSCULTATORY])
    decides = ~set_aside & (by_ear >= made.protocols.auscultated[rules.protocol])
    most = np.argmax(np.stack(scores), axis=0)
    return np.where(total == 0, NO_METHOD, np.where(surely | decides, AUSCULTATORY, most))


def first_reading_ends(block: SetBlock, chain: ReadingChain, protocol: Array, made: BatchRules) -> Array:
    """True where the first reading is so low that it ends the measurement."""
    table = made.protocols
    systolic, diastolic = at_place(block.measured.systolic, chain.first), at_place(block.measured.diastolic, chain.first)
    low = (systolic < table.one_systolic[protocol]) & (diastolic < table.one_diastolic[protocol])
    return (chain.count > 0) & low


def extra_due(chain: ReadingChain, protocol: Array, made: BatchRules) -> Array:
    """True where the readings so far ask for one more than planned, by the protocol's own kind of rule."""
    table = made.protocols
    kind, planned, count = table.extra[protocol], table.planned[protocol], chain.count
    open_ended = (kind != NO_EXTRA) & (count >= 2) & (count < table.most[protocol])
    last_differ = (count >= planned) & chain.last_two_far
    once_more = count <= planned
    by_kind = np.where(
        kind == STABLE,
        chain.stable_one == NOTHING,
        np.where(
            kind == LAST_TWO_DIFFER,
            last_differ,
            np.where(kind == FIRST_TWO_DIFFER, once_more & chain.first_two_far, last_differ | (once_more & chain.planned_far)),
        ),
    )
    return open_ended & by_kind


def reading_due(
    attempts: AttemptColumns,
    chain: ReadingChain,
    protocol: Array,
    irregular: Array,
    low: Array,
    by_ear: Array,
    made: BatchRules,
) -> Array:
    """The reason why another reading is due in the result arm."""
    table = made.protocols
    needed = np.where(irregular, made.limits.irregular_readings, 0)
    planned = np.where(by_ear & ~irregular, table.auscultated[protocol], np.maximum(table.planned[protocol], needed))
    further = extra_due(chain, protocol, made)
    more = np.where(further, FURTHER, np.where(chain.count < planned, ONE_MORE, NOT_DUE))
    more = np.where(~irregular & low, NOT_DUE, more)
    return np.where(~any_of(attempts.valid), FIRST_READING, np.where(chain.count == 0, ARM_OF_RECORD, more))


def minimum_readings(protocol: Array, irregular: Array, by_ear: Array, low: Array, made: BatchRules) -> Array:
    """The fewest readings that give a result."""
    table = made.protocols
    usual = np.where(low, 1, table.minimum[protocol])
    usual = np.where(by_ear, table.auscultated[protocol], usual)
    return np.where(irregular, np.maximum(table.minimum[protocol], made.limits.irregular_readings), usual)


def choose_counted(
    block: SetBlock, arm: Array, chain: ReadingChain, rules: InForceColumns, irregular: Array, made: BatchRules
) -> Array:
    """The readings that count: all of them in irregular rhythm, else by the protocol's own kind of rule."""
    kind = made.protocols.counts[rules.protocol]
    place = np.arange(block.most)[:, None]
    last_two = (place == chain.last) | (place == chain.last_but_one)
    dropped = (rules.first_dropped & (chain.count > 1)) | chain.stands_out
    every = ~(dropped & (place == chain.first))
    pair = np.where(chain.stable_one == NOTHING, last_two, (place == chain.stable_one) | (place == chain.stable_other))
    counted = np.where(kind == ALL, every, np.where(kind == STABLE_PAIR, pair, last_two))
    if (kind == LOWER).any():
        counted = np.where(kind == LOWER, place == lower_of_last_two(block, chain), counted)
    return arm & (counted | irregular)


def lower_of_last_two(block: SetBlock, chain: ReadingChain) -> Array:
    """The place of the lower of the last two readings: by systolic, then by diastolic; the earlier one where they are equal."""
    one, other = (
        (at_place(block.measured.systolic, place), at_place(block.measured.diastolic, place))
        for place in (chain.last_but_one, chain.last)
    )
    later_is_lower = (other[0] < one[0]) | ((other[0] == one[0]) & (other[1] < one[1]))
    return np.where(later_is_lower | (chain.last_but_one == NOTHING), chain.last, chain.last_but_one)


def readings_vary(chain: ReadingChain, protocol: Array, made: BatchRules) -> Array:
    """True where as many readings as the protocol takes still differ."""
    table = made.protocols
    kind = table.extra[protocol]
    taken = (kind != NO_EXTRA) & (chain.count >= np.maximum(table.most[protocol], 2))
    return taken & np.where(kind == STABLE, chain.stable_one == NOTHING, chain.last_two_far)


def explain(
    attempts: AttemptColumns,
    here: Array,
    arm: Array,
    counted: Array,
    chain: ReadingChain,
    rules: InForceColumns,
    state: Array,
    made: BatchRules,
) -> tuple[Array, Array]:
    """The reason why each reading does not count, -1 where it does; and whether the first one of the arm
    was left out for its value."""
    kind = made.protocols.counts[rules.protocol]
    place = np.arange(len(arm))[:, None]
    first = (place == chain.first) & (chain.count > 0)
    first_counts = any_of(counted & first)
    for_value = chain.stands_out & ~first_counts
    discarded = for_value | (rules.first_dropped & (chain.count > 0) & ~first_counts)
    of_last_two = (kind == LOWER) & ((place == chain.last) | (place == chain.last_but_one))
    chosen = np.where(of_last_two, REASON["other-of-last-two"], REASON["earlier-than-last-two"])
    chosen = np.where(first & discarded, REASON["first-discarded"], chosen)
    chosen = np.where(counted, NOTHING, np.where(state == NOT_USABLE, REASON["too-few"], chosen))
    reason = np.where(here, REASON["other-method"], np.where(attempts.valid, REASON["other-arm"], attempts.fault))
    reason = np.where(arm, chosen, reason)
    return np.where(attempts.valid & (state == IN_PROGRESS), REASON["pending"], reason), for_value
