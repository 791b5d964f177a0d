"""The two default plans once more, written from the table of a sitting and from nothing else, for plain readings only.

Plain: seated, upper arm, one method, regular, neither severe nor low, a minute and more apart, no history, no restriction.
"""

from __future__ import annotations

from typing import NamedTuple

FAR = 10
OTHER = {"L": "R", "R": "L"}


class Plain(NamedTuple):
    """One plain reading."""

    arm: str
    systolic: float
    diastolic: float


class Told(NamedTuple):
    """What the plan makes of the readings; ``reasons`` by place, None where a reading counts."""

    state: str
    action: str
    arm: str | None
    reasons: list[str | None]
    due: bool


def far(one: Plain, other: Plain) -> bool:
    """More than 10 apart in either pressure."""
    return abs(one.systolic - other.systolic) > FAR or abs(one.diastolic - other.diastolic) > FAR


def high(one: Plain, other: Plain) -> bool:
    """Above the other by more than 10 in either pressure."""
    return one.systolic - other.systolic > FAR or one.diastolic - other.diastolic > FAR


def stands_out(own: list[Plain]) -> bool:
    """The first is high above the second, and none after that rises from the second to within reach of the first."""
    first, second, rest = own[0], own[1], own[2:]
    back = [reading for reading in rest if high(reading, second) and not high(first, reading)]
    return high(first, second) and not back


def pairs_of(readings: list[Plain]) -> list[tuple[Plain, Plain]]:
    """Neighbours in time in different arms, each reading used once."""
    found, left = [], list(readings)
    while len(left) > 1:
        if left[0].arm != left[1].arm:
            found.append((left.pop(0), left.pop(0)))
        else:
            left.pop(0)
    return found


def higher_of(pair: tuple[Plain, Plain]) -> str:
    """Higher systolic, then higher diastolic, then the arm measured first."""
    first, second = pair
    return second.arm if (second.systolic, second.diastolic) > (first.systolic, first.diastolic) else first.arm


def fold(readings: list[Plain], first_visit: bool, closed: bool) -> Told:
    """The state, the plan's own step and every reading's reason."""
    pairs = pairs_of(readings)
    arm = higher_of(pairs[0]) if pairs else readings[0].arm
    places = [place for place, reading in enumerate(readings) if reading.arm == arm]
    own = [readings[place] for place in places]
    due = own_reading_due(own, first_visit)
    action, where = own_step(readings, pairs, own, arm, due, first_visit)
    if not closed and action != "close":
        return Told("in-progress", action, where, ["pending"] * len(readings), due)
    if len(own) < 2:
        reasons: list[str | None] = ["too-few" if reading.arm == arm else "other-arm" for reading in readings]
        return Told("not-usable", action, where, reasons, due)
    reasons = ["other-arm"] * len(readings)
    for place in places[:-2]:
        reasons[place] = "earlier-than-last-two"
    if not first_visit and len(own) > 2 and stands_out(own):
        reasons[places[0]] = "first-discarded"
    for place in places[-2:]:
        reasons[place] = None
    return Told("complete", action, where, reasons, due)


def own_reading_due(own: list[Plain], first_visit: bool) -> bool:
    """Whether the result arm is to be measured once more."""
    enough = 3 if first_visit else 2
    return len(own) < enough or (len(own) < 5 and far(own[-2], own[-1]))


def own_step(
    readings: list[Plain], pairs: list[tuple[Plain, Plain]], own: list[Plain], arm: str, due: bool, first_visit: bool
) -> tuple[str, str | None]:
    """The plan's step while the sitting is open."""
    if first_visit and not pairs:
        return "measure-other-arm", OTHER[arm]
    if due:
        return "take-reading", arm
    wide = first_visit and len(pairs) == 1 and abs(pairs[0][0].systolic - pairs[0][1].systolic) > 15
    if wide and not far(own[-2], own[-1]):
        return "measure-other-arm", OTHER[readings[-1].arm]
    return "close", None
