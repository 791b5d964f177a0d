"""Devices and cuffs of a batch: each distinct one is judged once, by the core's own functions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import get_args

import msgspec
import numpy as np
import pyarrow as pa

from quietcuff.analytics.columns.codes import METHODS, NO_METHOD, NOTHING, YES_NO, Array
from quietcuff.analytics.columns.columns import BatchColumns
from quietcuff.core.findings.findings import accuracy_check, clock_off, months_after, validation_gap
from quietcuff.core.model.fields import PopulationGroup
from quietcuff.core.model.readings import Cuff, Device
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.equipment import METHOD_OF_KIND, FitCode, judge_fit

FITS = get_args(FitCode)
GROUPS: tuple[PopulationGroup, ...] = get_args(PopulationGroup)
DEVICE_CODES = (
    "validation-groups-not-recorded",
    "device-not-validated-for-group",
    "accuracy-check-not-recorded",
    "device-clock-off",
)
NO_BLOCK, CUFFLESS, FINGER, WRIST = range(4)
ANY_DAY = date(2000, 1, 1)
FAR_OFF = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class DeviceTable:
    """Each distinct device; the last entry stands for none. ``gaps`` are of its groups: by registered or not, then by the
    groups of the person as bits; 0 none, 1 groups not recorded, 2 not validated for one."""

    method: Array
    block: Array
    at_wrist: Array
    validated: Array
    gaps: Array
    check_due: Array
    check_lacks: Array
    clock_off: Array


@dataclass(frozen=True, slots=True)
class FitTable:
    """Each distinct pair of cuff and arm: ``arm`` is a number a set, and ``code`` the fit at ``cuff * arms + arm``, -1 where
    there is nothing to say."""

    arm: Array
    arms: int
    code: Array
    known_wrong: Array
    lacks: Array
    outside_table: Array


def judge_devices(columns: BatchColumns, rulebook: Rulebook) -> DeviceTable:
    """The verdict of the rules on each device."""
    known = [msgspec.json.decode(text, type=Device) for text in columns.devices]
    every: list[Device | None] = [*known, None]
    due = [None if each is None else check_day(each) for each in every]
    return DeviceTable(
        method=np.array([method_code(each) for each in every], dtype=np.int8),
        block=np.array([block_code(each) for each in every], dtype=np.int8),
        at_wrist=np.array([each is not None and each.site == "wrist" for each in every]),
        validated=np.array([NOTHING if each is None else YES_NO.index(each.validated) for each in every], dtype=np.int8),
        gaps=np.array([gaps_of(each) for each in every], dtype=np.int8),
        check_due=np.array([FAR_OFF if day is None else day for day in due]),
        check_lacks=np.array([each is not None and lacks_check(each) for each in every]),
        clock_off=np.array(
            [each is not None and clock_off(each, rulebook.limits.clock_off_minutes)[0] is not None for each in every]
        ),
    )


def method_code(device: Device | None) -> int:
    """The method that the kind of device tells."""
    kind = None if device is None else device.kind
    return NO_METHOD if kind is None else METHODS.index(METHOD_OF_KIND.get(kind, "not-recorded"))


def block_code(device: Device | None) -> int:
    """The reason why no reading of the device counts, whatever the site."""
    if device is None:
        return NO_BLOCK
    return CUFFLESS if device.kind == "cuffless" else (FINGER if device.site == "finger" else NO_BLOCK)


def gaps_of(device: Device | None) -> list[list[int]]:
    """The groups without a validation of the device, for every set of groups that a person may be in."""
    codes = {None: 0, DEVICE_CODES[0]: 1, DEVICE_CODES[1]: 2}
    if device is None:
        return [[0] * (1 << len(GROUPS))] * 2
    return [
        [codes[validation_gap(device, groups_in(bits), registered=registered)[0]] for bits in range(1 << len(GROUPS))]
        for registered in (False, True)
    ]


def groups_in(bits: int) -> list[PopulationGroup]:
    """The groups of a number of bits."""
    return [group for place, group in enumerate(GROUPS) if bits & 1 << place]


def check_day(device: Device) -> int | None:
    """The last day, since 1970, on which the accuracy check is in date; None where it cannot be overdue."""
    last, months = device.last_accuracy_check, device.accuracy_check_interval_months
    if months is None or last is None:
        return None
    return int(np.datetime64(months_after(last, months), "D").astype(np.int64))


def lacks_check(device: Device) -> bool:
    """True where a check is asked for and none is recorded."""
    if device.accuracy_check_interval_months is None or device.last_accuracy_check is not None:
        return False
    return accuracy_check(device, ANY_DAY)[0] is not None


def judge_cuffs(columns: BatchColumns, rulebook: Rulebook) -> FitTable:
    """The fit of each cuff on each arm that wore it."""
    table = rulebook.cuffs[rulebook.defaults.cuffs]
    encoded = pa.array(columns.facts.arm_cm, from_pandas=True).dictionary_encode()
    arms = [*encoded.dictionary.to_pylist(), None]
    arm = encoded.indices.fill_null(len(arms) - 1).to_numpy(zero_copy_only=False).astype(np.int64)
    worn: list[Cuff | None] = [*(msgspec.json.decode(text, type=Cuff) for text in columns.cuffs), None]
    met = np.zeros(len(worn) * len(arms), dtype=np.bool_)
    own = columns.facts.cuff
    met[np.where(own < 0, len(worn) - 1, own) * len(arms) + arm] = True
    changed = columns.measured.cuff >= 0
    if changed.any():
        met[columns.measured.cuff[changed] * len(arms) + np.repeat(arm, columns.facts.counts)[changed]] = True
    code = np.full(len(met), NOTHING, dtype=np.int8)
    known_wrong, lacks = np.zeros_like(met), np.zeros_like(met)
    for place in np.flatnonzero(met):
        fit = judge_fit(worn[place // len(arms)], arms[place % len(arms)], table)
        code[place] = NOTHING if fit.code is None else FITS.index(fit.code)
        known_wrong[place], lacks[place] = fit.known_wrong, bool(fit.not_recorded)
    sizes = table.sizes
    outside = [each is not None and not sizes[0].from_cm <= each <= sizes[-1].to_cm for each in arms]
    return FitTable(
        arm=arm, arms=len(arms), code=code, known_wrong=known_wrong, lacks=lacks, outside_table=np.array(outside)[arm]
    )
