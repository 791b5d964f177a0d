"""What earlier sittings tell: the arm of record, the higher arm of the last comparison, and the snapshot's digest."""

from __future__ import annotations

import hashlib

import msgspec

from quietcuff.core.model.readings import History, HistoryPair, Site, hundredths
from quietcuff.core.rulebook.rulebook import Limits

ENCODER = msgspec.json.Encoder()
LEFT: Site = "left-upper-arm"
RIGHT: Site = "right-upper-arm"


def digest_history(history: History | None) -> str:
    """The SHA-256 of the snapshot as it is encoded in answers; of nothing where there is none."""
    raw = b"" if history is None else ENCODER.encode(history)
    return "sha256:" + hashlib.sha256(raw).hexdigest()


def irregular_before(history: History | None) -> int:
    """In how many earlier sittings an irregular rhythm stood against the result."""
    earlier = history.sittings if history is not None else []
    return sum("irregular-rhythm" in sitting.provisional_because for sitting in earlier)


def arm_of_record(pairs: list[HistoryPair], limits: Limits) -> Site | None:
    """The arm that stays the one to use: two pairs or more at least 10 apart the same way, and the mean of all at least 10.

    Systolic decides; diastolic only when the systolic difference is below 10 and not opposite.
    Source: [ISH20] for the limit, [PRACTICE] for two pairs.
    """
    if len(pairs) < limits.record_pairs:
        return None
    limit = 100 * limits.arm_difference_mmhg
    systolic = [hundredths(pair.systolic_difference_mmhg) for pair in pairs]
    diastolic = [hundredths(pair.diastolic_difference_mmhg) for pair in pairs]
    by_systolic = settled_side(systolic, limit, limits.record_pairs)
    if by_systolic or abs(sum(systolic)) >= limit * len(systolic):
        return side_of(by_systolic)
    by_diastolic = settled_side(diastolic, limit, limits.record_pairs)
    return None if by_diastolic * sum(systolic) < 0 else side_of(by_diastolic)


def settled_side(differences: list[int], limit: float, needed: int) -> int:
    """1 for right, -1 for left, 0 where it is not settled."""
    for sign in (1, -1):
        agreeing = sum(sign * difference >= limit for difference in differences)
        if agreeing >= needed and sign * sum(differences) >= limit * len(differences):
            return sign
    return 0


def higher_arm_of_last_comparison(pairs: list[HistoryPair]) -> Site | None:
    """The higher arm of the newest day's pairs: by systolic, then by diastolic; None where they are equal or there is none."""
    if not pairs:
        return None
    newest = max(pair.day for pair in pairs)
    today = [pair for pair in pairs if pair.day == newest]
    systolic = sum(hundredths(pair.systolic_difference_mmhg) for pair in today)
    diastolic = sum(hundredths(pair.diastolic_difference_mmhg) for pair in today)
    return side_of(systolic or diastolic)


def side_of(difference: int) -> Site | None:
    """Right minus left: positive means right."""
    if difference == 0:
        return None
    return RIGHT if difference > 0 else LEFT
