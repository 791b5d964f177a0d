"""Invented sittings for the kernel: those of ``strategies`` and what they lack, from one seed, without a search for small ones.

Everything that decides varies: settings, protocols, guidelines, visits, arms, cuffs, devices, rhythm, symptoms, pregnancy, ages
(children too), gaps and equal times, failed and voided readings, open sets, earlier comparisons, what the service noted. Some
are refused: one pressure alone, a birth after the readings, four hours between readings.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any, get_args

import msgspec

from quietcuff.core.model.fields import IntakeCode
from quietcuff.core.model.history import History
from quietcuff.core.model.readings import ReadingSet
from strategies import ANSWERS, NOON, OFFICE_PROTOCOLS, UPPER_ARMS, Inventor, without_none

PROTOCOLS = [*OFFICE_PROTOCOLS, "office-unattended-thirty-minutes"]
NOTES = list(get_args(IntakeCode))
ODD_GAPS = [0, 1, 59, 60, 61, 180, 239, 240, 300, 899, 900, 901, 1800, 1801, 3600, 14_000, 14_500]
Case = tuple[str, ReadingSet, History | None]


class Clinic(Inventor):
    """Sets as a clinic might send them on a bad day."""

    def set_body(self, count: int) -> dict[str, Any]:
        """A whole set, with what the service adds."""
        body = self.body(count, closed=None if self.odd(2) else True)
        if self.odd(2) and body["setting"] == "office":
            body["protocol"] = self.pick(PROTOCOLS)
        if self.odd(3):
            body["attendance"] = "unattended"
        if self.odd(4):
            body["subject"]["birth_date"] = self.birth()
        if self.odd(3):
            body["context"] = self.some(ANSWERS, 1)
        if self.odd(5):
            body["device_average"] = self.average(count)
        if self.odd(3):
            body["intake"] = self.intake(count)
        if self.odd(2):
            body["readings"] = self.regular(count)
        if self.odd(12):
            self.pick(body["readings"]).pop("diastolic_mmhg", None)
        return body

    def history(self) -> dict[str, Any]:
        """Earlier sittings, of some of which irregular rhythm was said."""
        known = super().history()
        for sitting in known["sittings"]:
            sitting["provisional_because"] = self.pick([[], ["irregular-rhythm"], ["single-sitting", "irregular-rhythm"]])
        return known

    def birth(self) -> str:
        """A day, a month or a year of birth, near the limits of ages too."""
        day = date(self.random.choice([2026, 2008, 2013, 1961, 1971, 2014, 1926]), 5, self.random.randint(1, 28))
        text = (day + timedelta(days=self.random.randint(-40, 10))).isoformat()
        return text[: self.pick([4, 7, 10, 10])]

    def average(self, count: int) -> dict[str, Any]:
        """What the device showed as its mean."""
        shown = {"systolic_mmhg": 131, "diastolic_mmhg": 82, "readings": max(count - self.random.randint(0, 1), 1)}
        return without_none({**shown, "first_dropped": self.pick([True, True, False, None])})

    def intake(self, count: int) -> dict[str, Any]:
        """What the service noted."""
        return without_none(
            {
                "received_at": (NOON + timedelta(minutes=self.random.randint(-2, 40))).isoformat(),
                "closed_by_timeout": self.maybe([True]),
                "device_registered": self.pick(["yes", "no", "not-recorded"]),
                "facts_differ": self.maybe([["birth_date"]]),
                "notes": self.maybe(
                    [
                        [
                            {"reading": self.random.randrange(count), "code": self.pick(NOTES)}
                            for _ in range(self.random.randint(1, 3))
                        ]
                    ]
                ),
                "default_guidelines": self.maybe([["esh-2023"], ["nice-2019", "acog-2020"]]),
            }
        )

    def regular(self, count: int) -> list[dict[str, Any]]:
        """Readings near each other, as most are, with odd gaps and arms that change."""
        systolic, diastolic = self.random.choice([(122, 76), (138, 88), (178, 108), (92, 58), (160, 104)])
        instant, rows, arm = NOON, [], self.pick(UPPER_ARMS)
        for _ in range(count):
            arm = self.pick(UPPER_ARMS) if self.odd(3) else arm
            row = self.reading(instant.astimezone()) if self.odd(6) else {"site": arm, "position": "sitting"}
            row |= {
                "taken_at": instant.isoformat(),
                "systolic_mmhg": systolic + self.random.randint(-12, 12),
                "diastolic_mmhg": diastolic + self.random.choice([-6, -5, -4, -1, 0, 0.5, 1, 5, 10.25]),
            }
            rows.append(row)
            instant += timedelta(seconds=self.pick(ODD_GAPS) if self.odd(3) else self.pick([60, 70, 90]))
        return rows


def sittings(count: int, seed: int) -> Iterator[Case]:
    """So many sets, each with what was known of earlier ones; the same for the same seed."""
    seeds = random.Random(seed)
    for number in range(count):
        clinic = Clinic(seeds.getrandbits(32), seeds.choice([0, 1, 3, 5, 8, 10]))
        body = clinic.set_body(seeds.choice([1, 2, 2, 3, 3, 3, 4, 4, 5, 6, 7, 9, 12]))
        reading_set = msgspec.convert(body, ReadingSet)
        history = reading_set.history
        yield f"set-{number}", msgspec.structs.replace(reading_set, history=None), history
