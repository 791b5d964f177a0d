"""Invented clinics, clean or with planted faults, as the tables that the report reads; and how often it finds them.

Everything here is invented. Usual pressures vary between people as a normal distribution of adults in an office; how they
vary between visits and within a sitting is of ``variability.toml``; sizes, habits of recording and base rates are drawn anew
for each clinic. Run as ``cd tests; python -m outside.planted_clinics [CLINICS]``: the table of docs/quality.md.
"""

from __future__ import annotations

import sys
from datetime import date
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa

from quietcuff.analytics.quality.report import report_on
from quietcuff.analytics.quality.shapes import Filters, Report
from quietcuff.analytics.quality.words import load_quality_rules
from quietcuff.rules.catalog import load_rulebook

FAULTS = ("rounded", "copied", "cuff-too-small", "avoided", "second-arm", "rest-too-short")
FIRST_DAY = date(2025, 1, 1).toordinal() - date(1970, 1, 1).toordinal()
CONTEXT = {
    "talking": False, "caffeine_within_30_min": False, "tobacco_within_30_min": False, "exercise_within_30_min": False,
    "full_bladder": False, "pain": False, "anxiety_or_stress": False, "back_supported": True, "feet_flat": True,
    "legs_crossed": False, "arm_supported": True, "cuff_fits_two_fingers": True, "quiet_room": True,
}  # fmt: skip
LARGE_ARM_CM = 34


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """What is planted, how strongly (the share of the sittings concerned), and in how many of the observers (0: in all)."""

    fault: str | None = None
    strength: float = 1.0
    observers: int = 0
    sittings: int = 2000
    size: int = 6
    even_scale: bool | None = None


# Strengths as somebody would plant them, not as strong as could be.
PLANTED = {
    "rounded": Plan(fault="rounded", strength=0.8, observers=1),
    "copied": Plan(fault="copied", strength=0.5),
    "cuff-too-small": Plan(fault="cuff-too-small", strength=0.8),
    "avoided": Plan(fault="avoided", strength=0.6),
    "second-arm": Plan(fault="second-arm", strength=0.8),
    "rest-too-short": Plan(fault="rest-too-short", strength=0.7),
}


class Clinic:
    """One clinic as it is being made: columns of sittings, and readings as arrays of sittings by places, NaN where none."""

    def __init__(self, plan: Plan, seed: int) -> None:
        self.plan, self.draws = plan, np.random.default_rng([seed, 8128])
        self.within = load_rulebook().variability.within
        self.n = plan.sittings
        self.columns: dict[str, Any] = {}
        self._people()
        self._readings()
        self._context()

    def chance(self, share: float) -> Any:
        return self.draws.random(self.n) < share

    def planted(self, fault: str) -> Any:
        """The sittings in which this fault happens."""
        if self.plan.fault is None or fault not in self.plan.fault.split("+"):
            return np.zeros(self.n, bool)
        theirs = self.observer < self.plan.observers if self.plan.observers else np.ones(self.n, bool)
        return theirs & self.chance(self.plan.strength)

    def _people(self) -> None:
        draws, n = self.draws, self.n
        people = max(10, int(n * draws.uniform(0.4, 0.8)))
        self.person = draws.integers(0, people, n)
        self.day = np.sort(draws.integers(0, 365, n))
        order = np.lexsort((self.day, self.person))
        first = np.zeros(n, bool)
        first[order[np.flatnonzero(np.diff(self.person[order], prepend=-1))]] = True
        self.first = first
        self.observer = draws.choice(self.plan.size, n, p=draws.dirichlet(np.full(self.plan.size, 20)))
        usual = draws.multivariate_normal([draws.uniform(126, 138), draws.uniform(76, 84)], [[289, 95], [95, 100]], people)
        treated = draws.random(people) < 0.4
        spread = np.where(treated[:, None], [11.0, 6.0], [7.5, 4.2])[self.person]
        visit = draws.multivariate_normal([0, 0], [[1, 0.6], [0.6, 1]], n) * spread
        self.level = usual[self.person] + visit
        self.arm_cm = np.clip(draws.normal(31, 4.2, people), 20, 50).round()[self.person]
        self.between_arms = draws.normal(0, 5.0, people)[self.person]

    def _readings(self) -> None:
        draws, n, within = self.draws, self.n, self.within
        places = 3
        noise = np.empty((n, places, 2))
        sds = np.array([within.systolic_sd_mmhg, within.diastolic_sd_mmhg])
        follows = np.array([within.systolic_autocorrelation, within.diastolic_autocorrelation])
        shock = draws.multivariate_normal([0, 0], [[1, within.correlation], [within.correlation, 1]], (n, places))
        noise[:, 0] = shock[:, 0]
        for place in range(1, places):
            noise[:, place] = follows * noise[:, place - 1] + np.sqrt(1 - follows**2) * shock[:, place]
        true = self.level[:, None, :] + noise * sds
        true[:, 0] += [2.0, 1.0]
        short = self.planted("rest-too-short")
        base_short = self.chance(draws.uniform(0.0, 0.06))
        self.short_rest = short | base_short
        true += np.where(self.short_rest, 1.0, 0.0)[:, None, None] * [7.0, 3.0]
        large = self.arm_cm > LARGE_ARM_CM
        self.too_small = (self.planted("cuff-too-small") & large) | self.chance(draws.uniform(0.0, 0.02))
        true += np.where(self.too_small, 1.0, 0.0)[:, None, None] * [8.0, 4.0]
        even = draws.random() < 0.25 if self.plan.even_scale is None else self.plan.even_scale
        step = 2 if even else 1
        self.method = "auscultatory" if even else "oscillometric"
        shown = step * np.rint(true / step)
        rounds = (self.planted("rounded")[:, None, None]) & np.ones((n, places, 2), bool)
        shown = np.where(rounds, 10 * np.rint(true / 10), shown)
        copies = self.planted("copied")
        shown[copies] = shown[copies][:, :1]
        avoids = self.planted("avoided")[:, None] & (shown[:, :, 0] >= 140) & (shown[:, :, 0] <= 144)
        written = 138 - step * draws.integers(0, 2, avoids.shape)
        shown[:, :, 0] = np.where(avoids, written, shown[:, :, 0])
        extra = self.first | (np.abs(shown[:, 1, 0] - shown[:, 0, 0]) > 10)
        self.sizes = np.where(extra, 3, 2)
        self.shown = shown

    def _context(self) -> None:
        draws, n = self.draws, self.n
        recorded = draws.uniform(0.7, 1.0)
        for name, good in CONTEXT.items():
            fine = self.chance(draws.uniform(0.95, 1.0))
            self.columns[name] = pa.array(fine == good, mask=~self.chance(recorded))
        rest = np.where(self.short_rest, draws.integers(60, 240, n), draws.integers(300, 600, n))
        self.columns["rest_seconds"] = pa.array(rest, mask=~self.chance(recorded))
        known = self.chance(draws.uniform(0.7, 1.0))
        self.columns["arm_circumference_cm"] = pa.array(self.arm_cm, mask=~known)
        self.columns["cuff_fit"] = pa.array(np.where(self.too_small, "too-small", "fits"), mask=~known)
        both = self.first & self.chance(draws.uniform(0.93, 1.0)) & ~self.planted("second-arm")
        self.columns["both_arms_due"] = pa.array(self.first)
        self.columns["arms_measured"] = pa.array(np.where(both, "both", np.where(self.chance(0.7), "left", "right")))
        self.columns["device_validated"] = pa.array(np.ones(n, bool), mask=~self.chance(0.95))
        self.columns["accuracy_check_in_date"] = pa.array(self.chance(0.95), mask=~self.chance(0.9))

    def tables(self) -> tuple[pa.Table, pa.Table]:
        """The tables ``sets`` and ``readings``."""
        n, places = self.n, np.arange(3)
        held = places[None, :] < self.sizes[:, None]
        counted = held & (places[None, :] >= self.sizes[:, None] - 2)
        mean = (self.shown * counted[:, :, None]).sum(axis=1) / 2
        rounded = np.floor(mean + 0.5)
        high = (rounded[:, 0] >= 140) | (rounded[:, 1] >= 90)
        days = pa.array((FIRST_DAY + self.day).astype(np.int32)).cast(pa.date32())
        due = pa.array((FIRST_DAY + self.day + 28).astype(np.int32), mask=~high).cast(pa.date32())
        ids = pa.array([f"s{place}" for place in range(n)])
        sets = {
            "set_id": ids,
            "person_key": pa.array([f"p{place}" for place in self.person]),
            "local_date": days,
            "confirm_by": due,
            "observer": pa.array([f"N{place + 1}" for place in self.observer]),
            "location": pa.array([f"room-{place}" for place in self.draws.integers(0, 3, n)]),
            "device": pa.array([f"device-{place}" for place in self.draws.integers(0, 4, n)]),
            "protocol": pa.array(np.where(self.first, "office-both-arms", "office-one-arm")),
            "setting": pa.array(["office"] * n),
            "visit": pa.array(np.where(self.first, "first", "follow-up")),
            "state": pa.array(np.where(self.chance(0.97), "complete", "not-usable")),
            "readings": pa.array(self.sizes),
            "counted": pa.array(np.full(n, 2)),
            **{name: pa.array(rounded[:, place]) for place, name in enumerate(("systolic_mmhg", "diastolic_mmhg"))},
            **{name: pa.array(mean[:, place]) for place, name in enumerate(("systolic_mean_mmhg", "diastolic_mean_mmhg"))},
            "interval_asked_seconds": pa.array(np.full(n, 60)),
            "first_reading_dropped": pa.array(self.sizes == 3),
            "settled": pa.array(self.chance(0.5)),
            **self.columns,
        }
        at, place = np.nonzero(held)
        seconds = self.draws.integers(60, 100, len(at))
        seconds = np.where(self.draws.random(len(at)) < 0.02, 40, seconds)
        readings = {
            "set_id": ids.take(pa.array(at)),
            "place": pa.array(place + 1),
            "seconds_since_previous": pa.array(seconds, mask=place == 0),
            "systolic_mmhg": pa.array(self.shown[held][:, 0]),
            "diastolic_mmhg": pa.array(self.shown[held][:, 1]),
            "method": pa.array([self.method] * len(at)),
            "counts": pa.array(counted[held]),
        }
        return pa.table(sets), pa.table(readings)


def report_of(plan: Plan, seed: int) -> Report:
    """The report on one invented clinic."""
    book = load_rulebook()
    sets, readings = Clinic(plan, seed).tables()
    return report_on(sets, readings, Filters(), load_quality_rules(book), book)


def called(report: Report) -> list[str]:
    """The codes of the things to mend, the two about small cuffs as one."""
    return [thing.code.removesuffix("-large-arms") for thing in report.things]


def main(clinics: int) -> None:
    """Print how often each planted fault is the first thing, and how often a clean clinic is blamed."""
    book = load_rulebook()
    rules = load_quality_rules(book)
    for name, plan in {"clean": Plan(), **PLANTED}.items():
        first = others = 0
        blamed: dict[str, int] = {}
        for seed in range(clinics):
            sets, readings = Clinic(plan, seed).tables()
            codes = called(report_on(sets, readings, Filters(), rules, book))
            first += codes[:1] == ([plan.fault] if plan.fault else [])
            others += any(code != plan.fault for code in codes)
            for code in codes:
                blamed[code] = blamed.get(code, 0) + 1
        print(f"{name}: first in {first} of {clinics}, others called in {others}; {blamed}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
