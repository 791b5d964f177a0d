"""A year of an invented clinic group: who comes to which room, what is measured there, and the habits planted in it.

Everything is invented from a seed: the same seed and day give the same year. Nobody in it exists, and no number was measured.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from typing import Any

import msgspec

Json = dict[str, Any]
SYSTEM = "urn:example:quietcuff-demo"
GROUP = "The clinic group of Ostermill, an invented town"
TENANT = "ostermill-group"
OBSERVERS = ("N-11", "N-12", "N-13", "N-14", "N-15", "N-16")
ROOMS = ("room-1", "room-2", "room-3")
ROUNDS_TO_ZERO, SHARE_ROUNDED = "N-14", 0.8
WITHOUT_SECOND_ARM = "room-3"
NEVER_RESTS, SHARE_WITHOUT_REST = "N-16", 0.6
PLANTED = (
    f"Observer {ROUNDS_TO_ZERO} writes most pressures to the nearest ten.",
    f"In {WITHOUT_SECOND_ARM} nobody measures the second arm at a first visit.",
    f"Observer {NEVER_RESTS} mostly measures after two minutes of rest, where five are asked for.",
)
DAYS = 364
# A group as many practices are: half of the people come once, the others again within weeks. All of it is made up.
VISITS_A_PERSON, VISIT_WEIGHTS = (1, 2, 3, 4), (45, 30, 15, 10)
WEEKS_TO_NEXT_VISIT = (2, 4, 8, 12)
BETWEEN_VISITS_MMHG, WITHIN_SITTING_MMHG = 8.0, 4.0
GOOD_ANSWERS = {
    "talking": "no",
    "caffeine_within_30_min": "no",
    "tobacco_within_30_min": "no",
    "exercise_within_30_min": "no",
    "full_bladder": "no",
    "pain": "no",
    "anxiety_or_stress": "no",
    "back_supported": "yes",
    "feet_flat": "yes",
    "legs_crossed": "no",
    "arm_supported": "yes",
    "cuff_fits_two_fingers": "yes",
    "quiet_room": "yes",
}
SHARE_RECORDED, SHARE_GOOD = 0.92, 0.98
SEED = 20_261


class InventedPerson(msgspec.Struct, frozen=True, kw_only=True):
    """One person who does not exist: the usual pressures, the arm, and by how much the right arm reads higher."""

    number: int
    sex: str
    birth_year: int
    systolic: float
    diastolic: float
    arm_cm: int
    right_higher: float


def invent_year(sittings: int, last_day: date, seed: int = SEED) -> list[Json]:
    """So many sittings over a year that ends on a day, in the order in which they were taken."""
    draws = Random(seed)  # noqa: S311 - an invention, not a secret
    first_day = last_day - timedelta(days=DAYS - 1)
    visits: list[tuple[int, InventedPerson, bool]] = []
    number = 0
    while len(visits) < sittings:
        number += 1
        person = invent_person(draws, number)
        visits += [(day, person, place == 0) for place, day in enumerate(days_of(draws))]
    visits = sorted(visits[:sittings], key=lambda visit: (visit[0], visit[1].number))
    return [
        invent_sitting(draws, place, person, first_day + timedelta(days=day), is_first=is_first)
        for place, (day, person, is_first) in enumerate(visits)
    ]


def invent_person(draws: Random, number: int) -> InventedPerson:
    """The next person."""
    systolic = draws.gauss(132, 15)
    return InventedPerson(
        number=number,
        sex=draws.choice(("female", "male")),
        birth_year=draws.randint(1940, 1990),
        systolic=systolic,
        diastolic=80 + 0.3 * (systolic - 132) + draws.gauss(0, 7),
        arm_cm=min(44, max(24, round(draws.gauss(31, 3.5)))),
        right_higher=draws.gauss(0, 4),
    )


def days_of(draws: Random) -> Iterator[int]:
    """The days of the year on which a person comes, as far as the year goes."""
    day = draws.randrange(DAYS)
    for _ in range(draws.choices(VISITS_A_PERSON, VISIT_WEIGHTS)[0]):
        if day >= DAYS:
            return
        yield day
        day += 7 * draws.choice(WEEKS_TO_NEXT_VISIT)


def invent_sitting(draws: Random, place: int, person: InventedPerson, day: date, *, is_first: bool) -> Json:
    """One sitting as a client would send it."""
    observer, room = draws.choice(OBSERVERS), draws.choice(ROOMS)
    rests = not (observer == NEVER_RESTS and draws.random() < SHARE_WITHOUT_REST)
    begins = datetime.combine(day, time(8, 30), UTC) + timedelta(minutes=draws.randrange(480))
    both_arms = is_first and room != WITHOUT_SECOND_ARM
    return {
        "identifier": {"system": f"{SYSTEM}:visit", "value": f"invented-{place + 1}"},
        "subject": {
            "identifier": {"system": f"{SYSTEM}:person", "value": f"invented-{person.number}"},
            "birth_date": f"{person.birth_year}-07-01",
            "sex": person.sex,
            "arm_circumference_cm": person.arm_cm,
        },
        "setting": "office",
        "visit": "first" if is_first else "follow-up",
        "observer": {"system": f"{SYSTEM}:staff", "value": observer},
        "location": {"system": f"{SYSTEM}:room", "value": room},
        "context": answers(draws) | {"rest_minutes": draws.randint(5, 8) if rests else 2},
        "cuff": {"range_cm": [person.arm_cm - 5, person.arm_cm + 5]},
        "closed": True,
        "readings": readings(draws, person, begins, observer, both_arms=both_arms, extra_mmhg=0 if rests else 6),
    }


def answers(draws: Random) -> Json:
    """The questions of the context, answered as in a well-run clinic: not all of them, and mostly as they should be."""
    other = {"yes": "no", "no": "yes"}
    return {
        name: good if draws.random() < SHARE_GOOD else other[good]
        for name, good in GOOD_ANSWERS.items()
        if draws.random() < SHARE_RECORDED
    }


def readings(
    draws: Random, person: InventedPerson, begins: datetime, observer: str, *, both_arms: bool, extra_mmhg: float
) -> list[Json]:
    """The readings of a sitting: one in each arm and two more in the higher one, or three in one arm."""
    visit, low_visit = (draws.gauss(0, BETWEEN_VISITS_MMHG * part) for part in (1, 0.6))
    rounds = observer == ROUNDS_TO_ZERO and draws.random() < SHARE_ROUNDED
    arms = ["left", "right", "right" if person.right_higher > 0 else "left"] if both_arms else ["right"] * 3
    if both_arms:
        arms.append(arms[-1])
    made, at = [], begins
    for place, arm in enumerate(arms):
        side = person.right_higher if arm == "right" else 0
        systolic = person.systolic + visit + side + extra_mmhg + draws.gauss(2 if place == 0 else 0, WITHIN_SITTING_MMHG)
        diastolic = person.diastolic + low_visit + 0.5 * (side + extra_mmhg) + draws.gauss(0, 0.6 * WITHIN_SITTING_MMHG)
        pair = written_down(systolic, diastolic, to_tens=rounds)
        made.append(
            {
                "taken_at": at.isoformat(),
                "systolic_mmhg": pair[0],
                "diastolic_mmhg": pair[1],
                "pulse_per_min": round(min(100, max(52, draws.gauss(72, 8)))),
                "site": f"{arm}-upper-arm",
                "position": "sitting",
                "method": "oscillometric",
            }
        )
        at += timedelta(seconds=draws.randint(62, 95))
    return made


def written_down(systolic: float, diastolic: float, *, to_tens: bool) -> tuple[int, int]:
    """The pressures as they are written down."""
    digits = -1 if to_tens else 0
    high = int(round(min(230, max(95, systolic)), digits))
    return high, int(round(min(high - 20, max(50, diastolic)), digits))
