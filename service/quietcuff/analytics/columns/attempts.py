"""Every attempt of a block, and whether it is valid: the core's own order of reasons, over rectangles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.block import SetBlock
from quietcuff.analytics.columns.codes import (
    LEFT,
    NO_METHOD,
    NO_POSITION,
    NOTHING,
    OFFICE,
    REASON,
    RHYTHMS,
    RIGHT,
    SITES,
    WRISTS,
    YES,
    Array,
    any_of,
    is_in,
)
from quietcuff.analytics.columns.equipment import CUFFLESS, NO_BLOCK, WRIST, DeviceTable, FitTable
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.people import InForceColumns, PersonColumns
from quietcuff.core.rulebook.rulebook import Limits
from quietcuff.core.sitting.attempts import SITE_CLASSES, site_class
from quietcuff.core.sitting.person import SIDES

FAULTS = ("voided", "device-error", "implausible", "set-blocked", "restricted-arm", "wrong-cuff", "other-position", "too-soon")
CLASS_OF_SITE = np.array([SITE_CLASSES.index(site_class(site)) for site in SITES], dtype=np.int8)
IRREGULAR = RHYTHMS.index("irregular")
ARM_OF_SIDE = {"left": LEFT, "right": RIGHT}
SIDE_OF_SITE = np.array([ARM_OF_SIDE.get(SIDES.get(site, ""), NOTHING) for site in SITES], dtype=np.int8)


@dataclass(frozen=True, slots=True)
class AttemptColumns:
    """A number an attempt: ``fault`` is a reason, -1 where it is valid; ``sound`` may be set aside for its position or site
    alone. ``gap`` and ``over`` are of sets: neighbours too far apart for one mean, and for one sitting."""

    before: Array
    too_soon: Array
    fault: Array
    sound: Array
    valid: Array
    has_pressures: Array
    method: Array
    device: Array
    validated: Array
    block: Array
    at_wrist: Array
    fit: Array
    fit_lacks: Array
    irregular: Array
    gap: Array
    over: Array


def judge_attempts(
    block: SetBlock, people: PersonColumns, rules: InForceColumns, devices: DeviceTable, cuffs: FitTable, made: BatchRules
) -> AttemptColumns:
    """The attempts in order of time, each with its fault or none."""
    measured, facts = block.measured, block.facts
    before, too_soon, gap, over = look_back(block, rules, made)
    device = np.where(measured.device < 0, facts.device[None, :], measured.device)
    at_wrist = is_in(measured.site, WRISTS) | devices.at_wrist[device]
    blocked = find_block(block, devices, device, at_wrist, rules, made)
    method = np.where(measured.method < 0, devices.method[device], measured.method)
    cuff = np.where(measured.cuff < 0, facts.cuff[None, :], measured.cuff)
    worn = np.where(cuff < 0, len(cuffs.code) // cuffs.arms - 1, cuff) * cuffs.arms + cuffs.arm[block.places][None, :]
    has_pressures = measured.has_systolic & measured.has_diastolic
    right_position = made.protocols.positions[rules.protocol[None, :], measured.position]
    reasons = (
        ~block.live,
        ~has_pressures | measured.excluding,
        ~is_plausible(block, made.limits),
        blocked != NO_BLOCK,
        is_restricted(measured.site, people),
        cuffs.known_wrong[worn],
        ~right_position,
        too_soon & made.protocols.interval_excludes[rules.protocol],
    )
    fault = np.full(block.live.shape, NOTHING, dtype=np.int8)
    for reason, name in reversed(list(zip(reasons, FAULTS, strict=True))):
        fault[reason] = REASON[name]
    sound = fault == NOTHING
    keep_one_position(fault, measured.position, made.protocols.one_position[rules.protocol])
    keep_one_site_class(fault, measured.site)
    return AttemptColumns(
        before=before,
        too_soon=too_soon,
        fault=fault,
        sound=sound,
        valid=fault == NOTHING,
        has_pressures=has_pressures,
        method=np.where(method < 0, NO_METHOD, method).astype(np.int8),
        device=device,
        validated=devices.validated[device],
        block=blocked,
        at_wrist=at_wrist,
        fit=cuffs.code[worn],
        fit_lacks=cuffs.lacks[worn],
        irregular=sees_irregular(block),
        gap=gap & (facts.setting == OFFICE),
        over=over & (facts.setting == OFFICE),
    )


def look_back(block: SetBlock, rules: InForceColumns, made: BatchRules) -> tuple[Array, Array, Array, Array]:
    """For each attempt the place of the one before it, and whether it came too soon after; for each set whether neighbours are
    too far apart."""
    measured, live = block.measured, block.live
    limits = made.limits
    interval = made.protocols.interval_us[rules.protocol]
    longest_gap, longest = 60_000_000 * limits.sitting_gap_minutes, 3_600_000_000 * limits.sitting_over_hours
    before, too_soon = np.full(live.shape, NOTHING, dtype=np.int8), np.zeros_like(live)
    gap, over = np.zeros(block.size, dtype=np.bool_), np.zeros(block.size, dtype=np.bool_)
    some = np.zeros(block.size, dtype=np.bool_)
    last = np.full(block.size, NOTHING, dtype=np.int8)
    taken_at, day = np.zeros(block.size, dtype=np.int64), np.zeros(block.size, dtype=np.int64)
    site = np.zeros(block.size, dtype=np.int8)
    for place in range(block.most):
        here = live[place]
        both = here & some
        apart = measured.taken_at[place] - taken_at
        at_once = (apart == 0) & (site != measured.site[place]) & (site <= RIGHT) & (measured.site[place] <= RIGHT)
        too_soon[place] = both & (apart < interval) & ~at_once
        before[place] = np.where(both, last, NOTHING)
        gap |= both & (apart > longest_gap)
        over |= both & ((apart > longest) | (measured.day[place] != day))
        taken_at = np.where(here, measured.taken_at[place], taken_at)
        site, day = np.where(here, measured.site[place], site), np.where(here, measured.day[place], day)
        last = np.where(here, np.int8(place), last)
        some |= here
    return before, too_soon, gap, over


def find_block(
    block: SetBlock, devices: DeviceTable, device: Array, at_wrist: Array, rules: InForceColumns, made: BatchRules
) -> Array:
    """Why no reading of a device can count."""
    wrist = at_wrist & (~made.protocols.wrist_counts[rules.protocol] | (devices.validated[device] != YES))
    own = devices.block[device]
    return np.where(own >= CUFFLESS, own, np.where(wrist, WRIST, NO_BLOCK))


def is_plausible(block: SetBlock, limits: Limits) -> Array:
    """Whether two numbers can be a pressure, in the core's own arithmetic."""
    systolic, diastolic = block.measured.systolic / 100, block.measured.diastolic / 100
    return (
        (limits.plausible_systolic.lowest <= systolic)
        & (systolic <= limits.plausible_systolic.highest)
        & (limits.plausible_diastolic.lowest <= diastolic)
        & (diastolic <= limits.plausible_diastolic.highest)
        & (systolic - diastolic >= limits.least_pulse_pressure_mmhg)
    )


def is_restricted(site: Array, people: PersonColumns) -> Array:
    """Whether a site is of an arm that must not be used."""
    side = SIDE_OF_SITE[site]
    return ((side == LEFT) & ~people.may_use[LEFT]) | ((side == RIGHT) & ~people.may_use[RIGHT])


def keep_one_position(fault: Array, position: Array, one_position: Array) -> None:
    """Where a right position is recorded, set aside the readings whose position is not."""
    valid = fault == NOTHING
    unrecorded = position == NO_POSITION
    mixed = any_of(valid & unrecorded) & any_of(valid & ~unrecorded) & one_position
    if mixed.any():
        fault[valid & unrecorded & mixed] = REASON["other-position"]


def keep_one_site_class(fault: Array, site: Array) -> None:
    """Set aside all but the first kind of site that is there: upper arms, sites not recorded, wrists, thighs."""
    valid = fault == NOTHING
    kind = np.where(valid, CLASS_OF_SITE[site], np.int8(len(SITE_CLASSES)))
    fault[valid & (kind != kind.min(axis=0))] = REASON["other-arm"]


def sees_irregular(block: SetBlock) -> Array:
    """An irregular rhythm by a reading, a flag, a palpated pulse or what is known of the person."""
    facts = block.facts
    return facts.irregular_known | (facts.palpated == IRREGULAR) | any_of(block.live & block.measured.irregular)
