"""Every attempt of the sitting in order of time, and its fault where it is not valid.

Valid: not voided, plausible, no excluding flag, right position, a usable site, arm not restricted, cuff not known wrong.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from operator import attrgetter

import msgspec

from quietcuff.core.model.evaluation import Reason
from quietcuff.core.model.fields import Site
from quietcuff.core.model.readings import Device, Reading, ReadingSet
from quietcuff.core.rulebook.remembered import remembered_alone
from quietcuff.core.rulebook.rulebook import CuffTable, Limits, Protocol
from quietcuff.core.sitting.equipment import Block, Fit, device_block, judge_fit, method_of
from quietcuff.core.sitting.person import Person

EXCLUDING_FLAGS = frozenset({"body-movement", "cuff-loose", "improper-position", "measurement-failed"})
SITE_CLASSES = ("upper-arm", "not-recorded", "wrist", "thigh")
# One field of many attempts, without a loop over them.
SITE_OF, POSITION_OF, METHOD_OF = attrgetter("site"), attrgetter("reading.position"), attrgetter("method")
# The lowest and the highest systolic, the same of the diastolic, and the least between the two, in mmHg.
Plausible = tuple[float, float, float, float, float]
ARM_SITES = frozenset({"left-upper-arm", "right-upper-arm"})


class Attempt(msgspec.Struct, frozen=True, gc=False):
    """One attempt. Pressures are hundredths of mmHg, 0 where it gave none; ``fault`` is the reason why it is not valid.

    ``sound`` is true of a valid attempt, and of one set aside only because a right position or site is recorded elsewhere: that
    one cannot count, but it still counts as a sign of severity.
    """

    index: int
    taken_at: datetime
    site: Site
    reading: Reading
    has_pressures: bool
    systolic: int
    diastolic: int
    method: str
    device: Device | None
    device_block: Block | None
    fit: Fit
    too_soon: bool
    sound: bool
    fault: Reason | None


def judge_attempts(
    reading_set: ReadingSet,
    order: list[tuple[int, Reading]],
    person: Person,
    protocol: Protocol,
    limits: Limits,
    cuffs: CuffTable,
) -> list[Attempt]:
    """The attempts sorted by time, each with its fault or none; ``order`` are the set's readings by ``in_order``.

    Readings of one moment are ordered by their content, then by their place, so that the order of arrival changes nothing.
    Positions and kinds of site are never mixed: where the right one is recorded, readings without it are set aside.
    """
    set_fit = judge_fit(reading_set.cuff, person.arm_cm, cuffs)
    interval = timedelta(seconds=protocol.interval_seconds)
    plausible, positions = plausible_pressures(limits), protocol.positions
    attempts: list[Attempt] = []
    before: Reading | None = None
    block: Block | None = None
    for index, reading in order:
        site, systolic, diastolic = reading.site, reading.systolic_mmhg, reading.diastolic_mmhg
        device = reading.device or reading_set.device
        fit = set_fit if reading.cuff is None else judge_fit(reading.cuff, person.arm_cm, cuffs)
        # The same device, at either arm, is judged as it was the reading before.
        if not attempts or device is not attempts[-1].device or not {site, attempts[-1].site} <= ARM_SITES:
            block = device_block(device, site, wrist_counts=protocol.wrist_counts) or ("neonate" if person.neonate else None)
        too_soon = before is not None and not reading.voided and is_too_soon(reading, before, interval)
        fault = find_fault(reading, person, fit, block, plausible)
        if fault is None and (too_soon or reading.position not in positions):
            fault = fault_in_plan(reading, protocol, too_soon=too_soon)
        # By place: with this many names a call takes twice as long, and there is one for every reading.
        attempts.append(
            Attempt(
                index,
                reading.taken_at,
                site,
                reading,
                systolic is not None and diastolic is not None,
                round((systolic or 0) * 100),
                round((diastolic or 0) * 100),
                reading.method or method_of(reading, device),
                device,
                block,
                fit,
                too_soon,
                fault is None or (fault == "set-blocked" and block == "neonate"),
                fault,
            )
        )
        # A voided reading never happened, so the interval is measured from the one before it.
        before = before if reading.voided else reading
    is_one_kind = ARM_SITES.issuperset(map(SITE_OF, attempts)) and len(set(map(POSITION_OF, attempts))) < 2
    return attempts if is_one_kind else keep_one_kind(attempts, protocol)


def is_too_soon(reading: Reading, before: Reading, interval: timedelta) -> bool:
    """True where the interval had not passed. Both arms at the same instant compare best, and are not too soon.

    Source: [PRACTICE].
    """
    apart = reading.taken_at - before.taken_at
    if apart >= interval:
        return False
    at_once = not apart and {reading.site, before.site} == ARM_SITES
    return not at_once


def in_order(readings: list[Reading]) -> list[tuple[int, Reading]]:
    """The readings with their places, sorted by time; their content is compared only where times are equal."""
    placed = list(enumerate(readings))
    before: datetime | None = None
    for reading in readings:
        if before is not None and reading.taken_at <= before:
            break
        before = reading.taken_at
    else:
        # Most sets come in order of time, which is seen sooner than sorted.
        return placed
    # Encoding every reading to compare contents is costly, and equal times are rare.
    if len({reading.taken_at for reading in readings}) == len(readings):
        return sorted(placed, key=lambda item: item[1].taken_at)
    return sorted(placed, key=lambda item: order_key(*item))


def order_key(index: int, reading: Reading) -> tuple[datetime, bool, str, bytes, int]:
    """Key for sorting: time, then content, so that the order of arrival decides nothing, then place."""
    return reading.taken_at, reading.voided, reading.site, msgspec.json.encode(reading), index


def find_fault(reading: Reading, person: Person, fit: Fit, block: Block | None, plausible: Plausible) -> Reason | None:
    """The first reason why a reading can never count, or None."""
    # The order matters: a failed or impossible measurement must not be blamed on the arm or the cuff.
    if reading.voided:
        return "voided"
    systolic, diastolic = reading.systolic_mmhg, reading.diastolic_mmhg
    if systolic is None or diastolic is None:
        return "device-error"
    if reading.device_flags and not EXCLUDING_FLAGS.isdisjoint(reading.device_flags):
        return "device-error"
    low, high, low_diastolic, high_diastolic, least_pulse = plausible
    # Two numbers that can be a pressure: 84/138 cannot. Source: [PRACTICE].
    in_range = low <= systolic <= high and low_diastolic <= diastolic <= high_diastolic
    if not in_range or systolic - diastolic < least_pulse:
        return "implausible"
    if block is not None:
        return "set-blocked"
    if person.restrictions and not person.may_use(reading.site):
        return "restricted-arm"
    if fit.known_wrong:
        return "wrong-cuff"
    return None


def fault_in_plan(reading: Reading, protocol: Protocol, *, too_soon: bool) -> Reason | None:
    """The reason why a reading that is sound cannot count under a protocol, or None."""
    if reading.position not in protocol.positions and reading.position != "not-recorded":
        return "other-position"
    return "too-soon" if too_soon and protocol.interval_excludes else None


def read_plausible(limits: Limits) -> Plausible:
    """The pressures that are plausible."""
    across, down = limits.plausible_systolic, limits.plausible_diastolic
    return across.lowest, across.highest, down.lowest, down.highest, limits.least_pulse_pressure_mmhg


plausible_pressures = remembered_alone(read_plausible)


def keep_one_kind(attempts: list[Attempt], protocol: Protocol) -> list[Attempt]:
    """Set aside what must not be mixed: positions, where the protocol has only one, and kinds of site."""
    return keep_one_site_class(keep_one_position(attempts) if len(protocol.positions) == 1 else attempts)


def keep_one_position(attempts: list[Attempt]) -> list[Attempt]:
    """Set aside the readings without a position where a right position is recorded."""
    positions = {attempt.reading.position for attempt in attempts if attempt.fault is None}
    if len(positions) < 2:
        return attempts
    return [set_aside(attempt, "other-position", attempt.reading.position == "not-recorded") for attempt in attempts]


def keep_one_site_class(attempts: list[Attempt]) -> list[Attempt]:
    """Upper arms first, then sites not recorded, then wrists, then thighs: only one kind can count."""
    present = {site_class(attempt.site) for attempt in attempts if attempt.fault is None}
    if len(present) < 2:
        return attempts
    kept = next(kind for kind in SITE_CLASSES if kind in present)
    return [set_aside(attempt, "other-arm", site_class(attempt.site) != kept) for attempt in attempts]


def set_aside(attempt: Attempt, reason: Reason, applies: bool) -> Attempt:
    """The attempt with a reason, where it applies and the attempt has no fault already."""
    if attempt.fault is not None or not applies:
        return attempt
    return msgspec.structs.replace(attempt, fault=reason)


def site_class(site: str) -> str:
    """left-upper-arm and right-upper-arm are both upper-arm."""
    return site if site == "not-recorded" else site.partition("-")[2]


def far_apart(one: Attempt, other: Attempt, mmhg: float) -> bool:
    """True where either pressure differs by more than ``mmhg``, strictly: 150/88 and 140/86 are not more than 10 apart."""
    return max(abs(one.systolic - other.systolic), abs(one.diastolic - other.diastolic)) > 100 * mmhg


def much_above(one: Attempt, other: Attempt, mmhg: float) -> bool:
    """True where either pressure of ``one`` is above that of ``other`` by more than ``mmhg``, strictly."""
    return max(one.systolic - other.systolic, one.diastolic - other.diastolic) > 100 * mmhg


def needs_muffling(attempt: Attempt, limits: Limits) -> bool:
    """An auscultated diastolic below 40 with a plausible systolic: the fourth phase is to be used. Source: [PRACTICE]."""
    return (
        attempt.method == "auscultatory"
        and attempt.has_pressures
        and attempt.diastolic < 100 * limits.muffling_diastolic_below_mmhg
        and 100 * limits.plausible_systolic.lowest <= attempt.systolic <= 100 * limits.plausible_systolic.highest
    )


def days_of(readings: list[Attempt]) -> int:
    """The number of local days on which readings were taken."""
    return len({attempt.taken_at.date() for attempt in readings})
