"""Selection: the readings that count, whether another is due, the reason for each other one, and the mean of those that count.

One function per rule kind of the protocols; the irregular-rhythm overlay applies on top of any of them. Sums are of whole
hundredths, so every figure is exact: means to four decimals, half to even; reported to whole mmHg, half up.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import msgspec

from quietcuff.core.model.evaluation import ReadingOutcome, Reason, Result, State
from quietcuff.core.model.fields import Site, exact_mean, hundredths, mean_half_up, sample_deviation
from quietcuff.core.rulebook.rulebook import Edge, Protocol
from quietcuff.core.sitting.arms import OTHER, Comparison, repeat_due
from quietcuff.core.sitting.attempts import METHOD_OF, Attempt, far_apart, much_above
from quietcuff.core.sitting.sitting import Sitting, gave_up_for

Due = Literal["first-reading", "arm-of-record", "one-more", "further-reading"]


class Selection(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The counted readings and what is still due. ``arm`` are the valid readings of the result arm and of one method.

    ``due`` says why another reading is due in the result arm, ``other_arm`` which other arm is to be measured next.
    ``overlay_changed`` is true where irregular rhythm made other readings count than the plan would.
    """

    state: State
    arm: list[Attempt]
    counted: list[Attempt]
    outcomes: list[ReadingOutcome]
    blocked_by: list[str]
    due: Due | None
    other_arm: Site | None
    remaining: int
    method: str
    overlay_changed: bool


def select(sitting: Sitting, comparison: Comparison, severe: frozenset[int]) -> Selection:
    """Fold the sitting's valid readings through its protocol. Source: the protocol's own, [BIHS19] for irregular rhythm."""
    here = [attempt for attempt in sitting.valid if attempt.site == comparison.result_site]
    method = choose_method(sitting, here)
    arm = [attempt for attempt in here if attempt.method == method]
    due = reading_due(sitting, arm)
    # A pair is repeated only once the readings agree: unsteady readings would make it differ again.
    repeat = None if due is not None or still_differ(sitting.protocol, arm) else repeat_due(sitting, comparison)
    other_arm = comparison.other_due or repeat
    if len(sitting.valid) >= sitting.limits.most_readings_asked or not can_measure(sitting) or gave_up_for(sitting):
        due, other_arm = None, None
    state = judge_state(sitting, arm, due, other_arm, severe)
    counted = choose_counted(sitting, arm) if state == "complete" else []
    plain = plan_counted(sitting.protocol, arm) if counted and sitting.irregular else counted
    return Selection(
        state=state,
        arm=arm,
        counted=counted,
        outcomes=explain(sitting, here, arm, counted, state),
        blocked_by=blocked_by(sitting, arm) if state == "not-usable" else [],
        due=due,
        other_arm=other_arm,
        remaining=0 if sitting.reading_set.closed else count_remaining(sitting, comparison, arm, due, other_arm),
        method=method,
        overlay_changed=plain is not counted and [a.index for a in plain] != [a.index for a in counted],
    )


def can_measure(sitting: Sitting) -> bool:
    """True where a reading could ever count: the person is no newborn, and at least one arm may be used."""
    usable = bool(sitting.valid) or any(sitting.person.may_use(arm) for arm in OTHER)
    return usable and not sitting.person.neonate


def choose_method(sitting: Sitting, here: list[Attempt]) -> str:
    """The one method whose readings may share a mean: the one with most readings, the later one where equal.

    In irregular rhythm it is auscultation, once there are three such readings or while it is being done. Otherwise it is
    auscultation once there are as many readings as the protocol lets decide. Source: [BIHS19], the protocol's own.
    """
    methods: list[str] = list(map(METHOD_OF, here))
    if not methods:
        return "not-recorded"
    # Most sittings are of one method, so that nothing is to be chosen.
    if methods.count(methods[0]) == len(methods):
        return methods[0]
    if sitting.irregular and "auscultatory" in methods:
        enough = methods.count("auscultatory") >= sitting.limits.irregular_readings
        goes_on = not sitting.reading_set.closed and len(sitting.valid) < sitting.limits.most_readings_asked
        doing = goes_on and methods[-1] == "auscultatory"
        if enough or doing:
            return "auscultatory"
        methods = [method for method in methods if method != "auscultatory"] or methods
    decide = sitting.protocol.auscultated_decide_from
    if decide is not None and methods.count("auscultatory") >= decide:
        return "auscultatory"
    return max(reversed(methods), key=methods.count)


def confirms_by_ear(sitting: Sitting, arm: list[Attempt]) -> bool:
    """True where auscultation was added to other readings, under a protocol that then lets it decide."""
    return (
        sitting.protocol.auscultated_decide_from is not None
        and bool(arm)
        and arm[0].method == "auscultatory"
        and any(attempt.site == arm[0].site and attempt.method != "auscultatory" for attempt in sitting.valid)
    )


def planned_readings(sitting: Sitting, arm: list[Attempt]) -> int:
    """The number of readings that the result arm is to have, before any extra ones."""
    if confirms_by_ear(sitting, arm) and not sitting.irregular:
        return sitting.protocol.auscultated_decide_from or 0
    return max(sitting.protocol.planned, sitting.limits.irregular_readings if sitting.irregular else 0)


def reading_due(sitting: Sitting, arm: list[Attempt]) -> Due | None:
    """The reason why another reading is due in the result arm, or None."""
    protocol = sitting.protocol
    if not sitting.valid:
        return "first-reading"
    if not arm:
        return "arm-of-record"
    if not sitting.irregular and one_reading_is_enough(sitting, arm):
        return None
    if len(arm) < planned_readings(sitting, arm):
        return "further-reading" if extra_due(protocol, arm) else "one-more"
    return "further-reading" if extra_due(protocol, arm) else None


def first_reading_ends(edge: Edge | None, arm: list[Attempt]) -> bool:
    """True where the first reading is below the limit in both pressures, so that it ends the measurement."""
    return edge is not None and arm[0].systolic < 100 * edge.systolic_mmhg and arm[0].diastolic < 100 * edge.diastolic_mmhg


def one_reading_is_enough(sitting: Sitting, arm: list[Attempt]) -> bool:
    """True where the first reading alone is enough: it is low, and does not serve to confirm a higher one."""
    return first_reading_ends(sitting.protocol.one_may_do_below, arm) and not confirms_by_ear(sitting, arm)


def extra_due(protocol: Protocol, arm: list[Attempt]) -> bool:
    """True where the readings so far ask for one more than planned, by the protocol's own kind of rule."""
    extra, count = protocol.extra, len(arm)
    if extra.kind == "none" or count < 2 or count >= protocol.most:
        return False
    if extra.kind == "stable-pair":
        return latest_stable_pair(arm, extra.mmhg) is None
    last_differ = count >= protocol.planned and far_apart(arm[-2], arm[-1], extra.mmhg)
    if extra.kind == "last-two-differ":
        return last_differ
    once_more = count <= protocol.planned
    if extra.kind == "first-two-differ":
        return once_more and far_apart(arm[0], arm[1], extra.mmhg)
    neighbours = zip(arm[: protocol.planned], arm[1 : protocol.planned], strict=False)
    return last_differ or (once_more and any(far_apart(one, other, extra.mmhg) for one, other in neighbours))


def still_differ(protocol: Protocol, arm: list[Attempt]) -> bool:
    """True where the last two are further apart than the protocol allows, whether or not more can be done about it."""
    kind = protocol.extra.kind
    return kind not in ("none", "stable-pair") and len(arm) > 1 and far_apart(arm[-2], arm[-1], protocol.extra.mmhg)


def latest_stable_pair(arm: list[Attempt], mmhg: float) -> list[Attempt] | None:
    """The latest two neighbours that are less than ``mmhg`` apart in both pressures, or None."""
    for place in range(len(arm) - 1, 0, -1):
        one, other = arm[place - 1], arm[place]
        limit = 100 * mmhg
        if abs(one.systolic - other.systolic) < limit and abs(one.diastolic - other.diastolic) < limit:
            return [one, other]
    return None


def judge_state(sitting: Sitting, arm: list[Attempt], due: Due | None, other_arm: Site | None, severe: frozenset[int]) -> State:
    """The state: in progress while open with something due; else complete where the minimum is met."""
    if not sitting.reading_set.closed and (due is not None or other_arm is not None):
        return "in-progress"
    enough = len(arm) >= minimum_readings(sitting, arm)
    # Severe in pregnancy, one reading must not end as no result.
    alone = sitting.person.expecting and len(arm) == 1
    counts_alone = alone and arm[0].index in severe
    return "complete" if enough or counts_alone else "not-usable"


def minimum_readings(sitting: Sitting, arm: list[Attempt]) -> int:
    """The fewest readings that give a result."""
    if sitting.irregular:
        return max(sitting.protocol.minimum, sitting.limits.irregular_readings)
    if confirms_by_ear(sitting, arm):
        return sitting.protocol.auscultated_decide_from or 0
    return 1 if arm and one_reading_is_enough(sitting, arm) else sitting.protocol.minimum


def choose_counted(sitting: Sitting, arm: list[Attempt]) -> list[Attempt]:
    """The readings that count: all of them in irregular rhythm, else as the plan says."""
    return arm if sitting.irregular else plan_counted(sitting.protocol, arm)


def plan_counted(protocol: Protocol, arm: list[Attempt]) -> list[Attempt]:
    """The readings that count by the protocol's own kind of rule; ``arm`` is not empty."""
    if protocol.counts == "all":
        dropped = (protocol.first_dropped and len(arm) > 1) or first_stands_out(protocol, arm)
        return arm[1:] if dropped else arm
    if protocol.counts == "stable-pair":
        return latest_stable_pair(arm, protocol.extra.mmhg) or arm[-2:]
    if protocol.counts == "lower-of-last-two":
        return [min(arm[-2:], key=lambda attempt: (attempt.systolic, attempt.diastolic))]
    return arm[-2:]


def first_is_dropped(sitting: Sitting, arm: list[Attempt], counted: list[Attempt]) -> bool:
    """True where the first reading is left out for its value."""
    return first_stands_out(sitting.protocol, arm) and arm[0] not in counted


def first_stands_out(protocol: Protocol, arm: list[Attempt]) -> bool:
    """True where the first reading is high and much above the second, and there is a third.

    False where a later reading comes back to it: 160, 140, 158 is unsteady and no alerting effect.
    Source: [PRACTICE, DECISION].
    """
    limit, methods = protocol.first_dropped_above_second_by_mmhg, protocol.first_dropped_methods
    if limit is None or len(arm) < 3 or (methods and arm[0].method not in methods):
        return False
    if first_reading_ends(protocol.one_may_do_below, arm):
        return False
    first, second, *later = arm
    return much_above(first, second, limit) and not any(
        much_above(again, second, limit) and not much_above(first, again, limit) for again in later
    )


def explain(
    sitting: Sitting, here: list[Attempt], arm: list[Attempt], counted: list[Attempt], state: State
) -> list[ReadingOutcome]:
    """Each reading in the order sent: it counts, or why it does not."""
    if state == "not-usable":
        return outcomes_of(sitting, here, state, {attempt.index: "too-few" for attempt in arm})
    reasons: dict[int, Reason | None] = {}
    for attempt in arm:
        reasons[attempt.index] = "earlier-than-last-two"
    if sitting.protocol.counts == "lower-of-last-two":
        reasons |= {attempt.index: "other-of-last-two" for attempt in arm[-2:]}
    if first_is_dropped(sitting, arm, counted) or (sitting.protocol.first_dropped and arm and arm[0] not in counted):
        reasons[arm[0].index] = "first-discarded"
    for attempt in counted:
        reasons[attempt.index] = None
    return outcomes_of(sitting, here, state, reasons)


def outcomes_of(
    sitting: Sitting, here: list[Attempt], state: State, reasons: Mapping[int, Reason | None]
) -> list[ReadingOutcome]:
    """Each reading in the order sent, with its reason.

    It is the reading's own fault, another arm or method, pending while the sitting is open, else the one in ``reasons``.
    """
    outcomes: dict[int, ReadingOutcome] = {}
    for attempt in sitting.attempts:
        index, reason = attempt.index, attempt.fault
        if state != "in-progress" and index in reasons:
            reason = reasons[index]
        elif reason is None:
            unused: Reason = "other-method" if attempt in here else "other-arm"
            reason = "pending" if state == "in-progress" else unused
        outcomes[index] = ReadingOutcome(index, reason is None, reason)
    return [*map(outcomes.__getitem__, range(len(outcomes)))]


def blocked_by(sitting: Sitting, arm: list[Attempt]) -> list[str]:
    """Codes of why there is no result: too few readings, and what made the others unusable."""
    reasons = ["too-few-readings"]
    if arm:
        return reasons
    faults = {attempt.fault for attempt in sitting.attempts}
    blocks = {attempt.device_block for attempt in sitting.attempts if attempt.fault == "set-blocked"}
    causes = [str(fault) for fault in sorted(fault for fault in faults if fault not in (None, "voided", "set-blocked"))]
    return [*sorted(str(block) for block in blocks), *causes] or reasons


def count_remaining(
    sitting: Sitting, comparison: Comparison, arm: list[Attempt], due: Due | None, other_arm: Site | None
) -> int:
    """The fewest valid readings still to take."""
    if comparison.other_due is not None:
        return 1 + max(planned_readings(sitting, arm) - 1, 0)
    if due is None:
        return 1 if other_arm is not None else 0
    return max(planned_readings(sitting, arm) - len(arm), 1) + (sitting.compares_arms and both_free(sitting))


def both_free(sitting: Sitting) -> bool:
    """True where nothing valid is measured yet and both arms may be used."""
    return not sitting.valid and all(sitting.person.may_use(arm) for arm in OTHER)


def estimate(counted: list[Attempt], *, rounds: bool = True) -> Result:
    """The result of the readings that count, in order of time; there is at least one.

    Rounded once, at the mean, halves up: 129.5/79.5 is reported as 130/80; where a protocol does not round, the exact mean is
    reported. The spread is the sample standard deviation, None for one reading: 146 and 144 give 1.4142. A position
    is told where all share it. Source: [DECISION].
    """
    systolic: list[int] = []
    diastolic: list[int] = []
    pulses: list[int] = []
    position = counted[0].reading.position
    for attempt in counted:
        systolic.append(attempt.systolic)
        diastolic.append(attempt.diastolic)
        reading = attempt.reading
        if reading.pulse_per_min is not None:
            pulses.append(hundredths(reading.pulse_per_min))
        if reading.position != position:
            position = "not-recorded"
    across, down = exact_mean(systolic), exact_mean(diastolic)
    return Result(
        systolic_mmhg=mean_half_up(systolic) if rounds else across,
        diastolic_mmhg=mean_half_up(diastolic) if rounds else down,
        systolic_mean_mmhg=across,
        diastolic_mean_mmhg=down,
        systolic_sd_mmhg=sample_deviation(systolic),
        diastolic_sd_mmhg=sample_deviation(diastolic),
        pulse_per_min=mean_half_up(pulses) if pulses else None,
        readings_counted=len(counted),
        site=counted[0].site,
        position=position,
        taken_from=counted[0].taken_at,
        taken_to=counted[-1].taken_at,
    )
