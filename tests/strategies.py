"""Invented sittings of every kind that decode, for property tests.

``bodies()`` gives request bodies as plain values, ``reading_sets()`` the same as structs that went over the wire. Pressures
lean towards the edges of the tables; readings may share an instant, fail, be voided, lie in a restricted arm, or say next to
nothing. A body comes from a seed, a count of readings and how odd it may be: that is fast, and shrinks to few and plain.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import msgspec
from hypothesis import strategies as st

from quietcuff.core.model.readings import ReadingSet

ENCODER = msgspec.json.Encoder()
NOON = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
OFFSETS = [timedelta(hours=2), timedelta(0), timedelta(hours=5, minutes=30), timedelta(hours=-3)]
UPPER_ARMS = ["left-upper-arm", "right-upper-arm"]
SITES = [*UPPER_ARMS, "left-wrist", "right-wrist", "left-thigh", "right-thigh", "not-recorded"]
POSITIONS = ["sitting", "standing", "supine", "not-recorded"]
FLAGS = [
    "body-movement",
    "cuff-loose",
    "irregular-pulse",
    "pulse-too-high",
    "pulse-too-low",
    "improper-position",
    "measurement-failed",
]
YES_NO = ["yes", "no", "not-recorded"]
ANSWERS: dict[str, list[Any]] = {
    "rest_minutes": [0, 2, 4.5, 5, 10],
    "arm_height": ["at", "below", "above", "not-recorded"],
    "sleeve": ["bare", "thin", "thick", "not-recorded"],
    "pulse_palpated": ["regular", "irregular", "not-recorded"],
    "care": ["ordinary", "inpatient", "emergency", "dialysis", "procedure-day"],
} | {
    name: YES_NO
    for name in (
        "talking",
        "caffeine_within_30_min",
        "tobacco_within_30_min",
        "exercise_within_30_min",
        "full_bladder",
        "pain",
        "anxiety_or_stress",
        "back_supported",
        "feet_flat",
        "legs_crossed",
        "arm_supported",
        "cuff_fits_two_fingers",
        "quiet_room",
        "acute_symptoms",
        "auscultation_possible",
    )
}
OFFICE_PROTOCOLS = [
    "office-both-arms",
    "office-one-arm",
    "office-unattended",
    "office-aha-acc-2017",
    "office-aha-acc-2025",
    "office-esh-2023",
    "office-esc-2024",
    "office-ish-2020",
    "office-nice-2019",
    "office-jsh-2019",
    "office-canada-2025",
    "office-pregnancy",
    "office-aap-2017",
    "office-irregular-rhythm",
    "survey-steps",
    "survey-nhanes",
]
GUIDELINES = [
    "aha-acc-2017",
    "aha-acc-2025",
    "esh-2023",
    "esc-2024",
    "ish-2020",
    "nice-2019",
    "jsh-2019",
    "canada-2025",
    "acog-2020",
    "nice-ng133-2019",
    "aap-2017",
    "fourth-report-2004",
]
REASONS = ["dialysis-access", "lymph-nodes-removed", "lymphoedema", "line", "wound", "plegia", "absent", "refused", "other"]
BIRTHS = ["1971-01-15", "1940-02-29", "1995-01", "1983", "2008-05-04", "2008-05-05", "2013-05-04", "2013-05-05", "2026-04-20"]

SYSTOLIC_EDGES = [84, 89, 90, 119, 120, 129, 130, 139, 139.5, 140, 159, 160, 179, 180, 181, 299, 300, 305, 49]
DIASTOLIC_EDGES = [0, 19, 20, 38, 69, 70, 79, 80, 84, 85, 89, 89.5, 90, 99, 100, 109, 110, 120, 121, 201]
GAPS = [0, 10, 30, 59, 60, 61, 70, 70, 70, 90, 120, 300, 900, 1801]
DAYS_OF_BIRTH = ["2026-03-22", "2026-03-23", "2026-05-01", "2026-06-01"]
ARMS_CM = [21, 25, 26.5, 31.5, 34.5, 38, 53]


class Inventor:
    """Invents the parts of one body. ``oddity`` is how often, of ten times, something unusual may be said."""

    def __init__(self, seed: int, oddity: int) -> None:
        self.random = random.Random(seed)
        self.oddity = oddity

    def pick(self, values: list[Any]) -> Any:
        return self.random.choice(values)

    def odd(self, rarity: int = 1) -> bool:
        """Whether something unusual happens here; the rarer, the less often."""
        return self.random.random() * rarity < self.oddity / 10

    def maybe(self, values: list[Any], rarity: int = 2) -> Any:
        """One of the values, or nothing."""
        return self.pick(values) if self.odd(rarity) else None

    def some(self, fields: dict[str, list[Any]], share: float) -> dict[str, Any]:
        """About that share of the fields, each with one of its values."""
        return {name: self.pick(values) for name, values in fields.items() if self.random.random() < share}

    def pressure(self, edges: list[float], low: int, high: int) -> float:
        """An edge of a table, a whole number, or a number with decimals."""
        kind = self.random.randrange(10)
        if kind < 3:
            return float(self.pick(edges))
        if kind < 8:
            return self.random.randint(low, high)
        return self.random.randint(100 * low, 100 * high) / 100

    def pressures(self) -> dict[str, Any]:
        """Two pressures that go together, unless it is odd; none for a failed attempt."""
        if self.odd(6):
            return {}
        systolic = self.pressure(SYSTOLIC_EDGES, 80, 210)
        diastolic = self.pressure(DIASTOLIC_EDGES, 45, 125)
        if not self.odd(4):
            diastolic = max(min(diastolic, systolic - self.random.randint(10, 50)), 0)
        return {"systolic_mmhg": systolic, "diastolic_mmhg": round(diastolic, 2)}

    def cuff(self) -> dict[str, Any]:
        sizes = ["adult", "large adult", "small-adult", "thigh"]
        return self.some({"size": sizes, "range_cm": [[22, 26], [27, 34], [35, 44]], "mark_within_range": YES_NO}, 0.5)

    def device(self) -> dict[str, Any]:
        kinds = ["automatic", "automatic", "semi-automatic", "auscultatory", "cuffless"]
        sites = ["upper-arm", "upper-arm", "upper-arm", "wrist", "finger"]
        registry = {
            "validated_for": [["adults"], ["pregnancy", "large-arms"], ["children", "irregular-rhythm"]],
            "last_accuracy_check": ["2024-02-29", "2026-03-31"],
            "accuracy_check_interval_months": [1, 24],
            "clock_drift_seconds": [-7200, 59, 5400],
        }
        return self.some({"kind": kinds, "site": sites, "validated": YES_NO}, 0.6) | self.some(registry, 0.3)

    def reading(self, taken_at: datetime) -> dict[str, Any]:
        """One attempt."""
        return without_none(
            {
                "taken_at": taken_at.isoformat(),
                **self.pressures(),
                "pulse_per_min": self.maybe([45, 50, 72, 72.5, 100, 130]),
                "site": self.pick(SITES if self.odd(4) else UPPER_ARMS),
                "position": self.pick(POSITIONS) if self.odd(4) else "sitting",
                "method": self.pick(["auscultatory", None, "oscillometric"]) if self.odd(3) else "oscillometric",
                "rhythm": self.maybe(["regular", "irregular", "not-recorded"], 4),
                "device_flags": self.random.sample(FLAGS, self.random.randint(0, 2)) if self.odd(5) else None,
                "cuff": self.cuff() if self.odd(6) else None,
                "device": self.device() if self.odd(6) else None,
                "voided": self.maybe([True], 9),
            }
        )

    def subject(self) -> dict[str, Any]:
        """A person: known well, hardly, or in contradictions."""
        restriction = {"arm": ["left", "right"], "reason": REASONS}
        return without_none(
            {
                "identifier": {"system": "urn:example:mrn", "value": "invented"},
                "birth_date": self.pick([None, *BIRTHS]) if self.odd(2) else "1971-01-15",
                "sex": self.maybe(["female", "male", "other", "unknown"], 1),
                "pregnancy": self.maybe(["no", "pregnant", "postpartum", "not-recorded"]),
                "delivered_on": self.maybe(DAYS_OF_BIRTH, 4),
                "known_hypertension": self.maybe(YES_NO),
                "antihypertensive_treatment": self.maybe(YES_NO),
                "known_irregular_rhythm": self.maybe(YES_NO, 5),
                "arm_circumference_cm": self.maybe(ARMS_CM),
                "arm_restrictions": [
                    self.some(restriction, 1) | self.some({"until": ["2026-05-03", "2026-05-04", "2027-01-01"]}, 0.3)
                    for _ in range(self.random.randint(0, 2))
                ]
                if self.odd(3)
                else None,
            }
        )

    def difference(self) -> float:
        return self.random.randint(-2500, 2500) / 100

    def history(self) -> dict[str, Any]:
        """Up to three earlier comparisons and two earlier sittings."""
        pairs = [
            {
                "day": self.pick(["2026-01-10", "2026-02-10"]),
                "systolic_difference_mmhg": self.difference(),
                "diastolic_difference_mmhg": self.difference(),
            }
            for _ in range(self.random.randint(0, 3))
        ]
        sittings = [
            {
                "taken_from": "2026-01-10T09:00:00+01:00",
                "setting": "office",
                "systolic_mmhg": self.random.randint(100, 190),
                "diastolic_mmhg": self.random.randint(50, 99),
                "readings_counted": self.random.randint(1, 5),
                "value_rule": "last-two",
                **self.some({"site": UPPER_ARMS}, 0.8),
            }
            for _ in range(self.random.randint(0, 2))
        ]
        return {"as_of": "2026-05-04T09:00:00Z", "pairs": pairs, "sittings": sittings}

    def readings(self, count: int) -> list[dict[str, Any]]:
        """Readings in any order, over less than a day."""
        instant, rows = NOON, []
        for _ in range(count):
            rows.append(self.reading(instant.astimezone(timezone(self.pick(OFFSETS) if self.odd(4) else OFFSETS[0]))))
            instant += timedelta(seconds=self.pick(GAPS) if self.odd() else 70)
        self.random.shuffle(rows)
        return rows

    def body(self, count: int, closed: bool | None) -> dict[str, Any]:
        """A whole request body."""
        setting = "home" if self.odd(8) else "office"
        protocols = OFFICE_PROTOCOLS if setting == "office" else ["home-sitting"]
        named = self.random.random() < 0.6
        return without_none(
            {
                "subject": self.subject(),
                "setting": setting,
                "attendance": self.maybe(["attended", "unattended"], 5),
                "visit": self.pick(["first", "follow-up", None]),
                "protocol": self.pick(protocols) if named else None,
                "guidelines": self.random.sample(GUIDELINES, self.random.randint(1, 4)) if named else None,
                "context": self.some(ANSWERS, self.pick([0.1, 0.4, 0.9])) if self.odd() else None,
                "device": self.device() if self.odd(3) else None,
                "cuff": self.cuff() if self.odd(3) else None,
                "history": self.history() if self.odd(2) else None,
                "closed": self.pick([True, False]) if closed is None else closed,
                "readings": self.readings(count),
            }
        )


def without_none(fields: dict[str, Any]) -> dict[str, Any]:
    """The fields that say something."""
    return {name: value for name, value in fields.items() if value is not None}


inventors = st.builds(Inventor, st.integers(0, 2**32), st.integers(0, 10))


def bodies(closed: bool | None = None, most: int = 9) -> st.SearchStrategy[dict[str, Any]]:
    """Request bodies with up to ``most`` readings; ``closed`` fixes whether more will come."""
    return st.builds(lambda inventor, count: inventor.body(count, closed), inventors, st.integers(1, most))


def as_reading_set(body: dict[str, Any]) -> ReadingSet:
    """The struct of a body that went over the wire."""
    return msgspec.json.decode(ENCODER.encode(body), type=ReadingSet)


def reading_sets(closed: bool | None = None, most: int = 9) -> st.SearchStrategy[ReadingSet]:
    """Reading sets as ``bodies`` gives them."""
    return bodies(closed, most).map(as_reading_set)
