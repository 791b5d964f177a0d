"""The two arms: pairs, the higher arm, the arm that gives the result, earlier comparisons, and what the difference asks for.

Pairs are neighbours in time in different arms, each reading used once; differences are right minus left. Earlier sittings give
the arm of record, the higher arm of the last comparison and the snapshot's digest.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from datetime import date
from typing import Protocol

import msgspec

from quietcuff.core.model.evaluation import Arms, Basis
from quietcuff.core.model.fields import Site, four_decimals_half_even, whole_number
from quietcuff.core.model.history import History, HistoryPair
from quietcuff.core.rulebook.rulebook import Limits
from quietcuff.core.sitting.attempts import SITE_OF
from quietcuff.core.sitting.sitting import Sitting

ENCODER = msgspec.json.Encoder()
LEFT: Site = "left-upper-arm"
RIGHT: Site = "right-upper-arm"


def digest_history(history: History | None) -> str:
    """The SHA-256 of the snapshot as it is encoded in answers; of nothing where there is none."""
    return DIGEST_OF_NOTHING if history is None else digest_of(ENCODER.encode(history))


def digest_of(raw: bytes) -> str:
    """The SHA-256 of bytes, with its name."""
    return "sha256:" + hashlib.sha256(raw).hexdigest()


DIGEST_OF_NOTHING = digest_of(b"")


def irregular_before(history: History | None) -> int:
    """Number of earlier sittings with irregular rhythm as a reservation against the result."""
    if history is None:
        return 0
    return sum(["irregular-rhythm" in sitting.provisional_because for sitting in history.sittings])


class Differences(msgspec.Struct, frozen=True, gc=False):
    """The differences of some comparisons in hundredths of mmHg, right minus left, in one order."""

    systolic: list[int]
    diastolic: list[int]


def differences_of(pairs: list[HistoryPair]) -> Differences:
    """The differences that earlier sittings left."""
    return Differences(
        [round(pair.systolic_difference_mmhg * 100) for pair in pairs],
        [round(pair.diastolic_difference_mmhg * 100) for pair in pairs],
    )


def arm_of_record(pairs: list[HistoryPair], limits: Limits) -> Site | None:
    """The arm that stays the one to use by earlier comparisons."""
    return settled_arm(differences_of(pairs), limits)


def settled_arm(differences: Differences, limits: Limits) -> Site | None:
    """The arm that stays the one to use: two pairs or more at least 10 apart the same way, and the mean of all at least 10.

    Systolic decides; diastolic only when the systolic difference is below 10 and not opposite.
    Source: [ISH20] for the limit, [PRACTICE] for two pairs.
    """
    systolic, diastolic = differences.systolic, differences.diastolic
    if len(systolic) < limits.record_pairs:
        return None
    limit = 100 * limits.arm_difference_mmhg
    by_systolic = settled_side(systolic, limit, limits.record_pairs)
    if by_systolic or abs(sum(systolic)) >= limit * len(systolic):
        return side_of(by_systolic)
    by_diastolic = settled_side(diastolic, limit, limits.record_pairs)
    return None if by_diastolic * sum(systolic) < 0 else side_of(by_diastolic)


def settled_side(differences: list[int], limit: float, needed: int) -> int:
    """1 for right, -1 for left, 0 where it is not settled."""
    total, least = sum(differences), limit * len(differences)
    for sign in (1, -1):
        # Mostly the arms differ too little altogether, so that none is counted.
        if sign * total >= least and sum([sign * difference >= limit for difference in differences]) >= needed:
            return sign
    return 0


def higher_arm_of_last_comparison(pairs: list[HistoryPair]) -> Site | None:
    """The higher arm of the newest day's pairs: by systolic, then by diastolic; None where they are equal or there is none."""
    if not pairs:
        return None
    newest = max([pair.day for pair in pairs])
    today = differences_of([pair for pair in pairs if pair.day == newest])
    return side_of(sum(today.systolic) or sum(today.diastolic))


def side_of(difference: int) -> Site | None:
    """Right minus left: positive means right."""
    if difference == 0:
        return None
    return RIGHT if difference > 0 else LEFT


OTHER: dict[Site, Site] = {LEFT: RIGHT, RIGHT: LEFT}


class Pair(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One comparison, in hundredths of mmHg, right minus left; ``first`` is the site measured first."""

    systolic: int
    diastolic: int
    first: Site


class Comparison(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Facts about the arms. ``result_site`` is the site of the result, None while that is open.

    Differences are the means of the pairs in mmHg; ``all_differences`` are those of earlier sittings, then of this one.
    ``earlier`` is the arm to use by earlier sittings; ``other_due`` an arm that must still be measured for the comparison.
    """

    pairs: list[Pair]
    all_differences: Differences
    systolic_difference_mmhg: float | None
    diastolic_difference_mmhg: float | None
    higher: Site | None
    record: Site | None
    earlier: Site | None
    result_site: Site | None
    basis: Basis | None
    other_due: Site | None


def compare_arms(sitting: Sitting) -> Comparison:
    """Compare the arms and choose the one that gives the result. Source: [ISH20, NICE, ACC17]; ties are project decisions."""
    pairs = find_pairs(sitting.valid) if sitting.protocol.is_one_sitting else []
    higher = higher_arm(pairs)
    earlier_pairs = sitting.history.pairs if sitting.history is not None else []
    before = differences_of(earlier_pairs)
    altogether = with_pairs(before, pairs)
    earlier: Site | None = None
    if earlier_pairs:
        earlier = settled_arm(before, sitting.limits) or higher_arm_of_last_comparison(earlier_pairs)
    # An arm may have become unusable since then, by dialysis access for example.
    if earlier is not None and not sitting.person.may_use(earlier):
        earlier = None
    site, basis = choose_result_site(sitting, preferred_over(sitting, pairs, higher), earlier)
    systolic, diastolic = mean_difference(pairs) if pairs else (None, None)
    return Comparison(
        pairs=pairs,
        all_differences=altogether,
        systolic_difference_mmhg=systolic,
        diastolic_difference_mmhg=diastolic,
        higher=higher,
        record=settled_arm(altogether, sitting.limits),
        earlier=earlier,
        result_site=site,
        basis=basis,
        other_due=other_arm_due(sitting, higher),
    )


def with_pairs(before: Differences, pairs: list[Pair]) -> Differences:
    """The differences of earlier sittings, then those of this one."""
    return Differences(
        before.systolic + [pair.systolic for pair in pairs],
        before.diastolic + [pair.diastolic for pair in pairs],
    )


class OnArm(Protocol):
    """A reading in the terms of the comparison: hundredths of mmHg at a site."""

    @property
    def site(self) -> Site: ...
    @property
    def systolic(self) -> int: ...
    @property
    def diastolic(self) -> int: ...


def find_pairs(valid: Sequence[OnArm]) -> list[Pair]:
    """Neighbours in time in different arms, each reading used once: L R R R L gives two pairs."""
    pairs: list[Pair] = []
    one: OnArm | None = None
    for other in valid:
        if other.site not in OTHER:
            continue
        if one is None or one.site == other.site:
            one = other
            continue
        right, left = (one, other) if one.site == RIGHT else (other, one)
        pairs.append(
            Pair(
                systolic=right.systolic - left.systolic,
                diastolic=right.diastolic - left.diastolic,
                first=one.site,
            )
        )
        # Past both readings: one reading in two pairs would weigh twice in the mean difference.
        one = None
    return pairs


def higher_arm(pairs: list[Pair]) -> Site | None:
    """The higher arm by the first pair: higher systolic, then higher diastolic, then the arm measured first."""
    if not pairs:
        return None
    return side_of(pairs[0].systolic or pairs[0].diastolic) or pairs[0].first


def preferred_over(sitting: Sitting, pairs: list[Pair], higher: Site | None) -> Site | None:
    """The arm to use of those compared: the higher one, or the preferred one where the first pair differs little.

    The preferred arm is the protocol's. Source: [AAP17-ARM, DECISION].
    """
    preferred = sitting.protocol.preferred_arm
    if preferred is None or not pairs:
        return higher
    return preferred if abs(pairs[0].systolic) < 100 * sitting.limits.arm_difference_mmhg else higher


def choose_result_site(sitting: Sitting, higher: Site | None, earlier: Site | None) -> tuple[Site | None, Basis | None]:
    """The site of the result, and the ground for it; in a series the site with most readings."""
    if sitting.compares_arms and higher is not None:
        return higher, "this-sitting"
    sites = list(dict.fromkeys(map(SITE_OF, sitting.valid)))
    if sitting.protocol.series is not None:
        sites = [site for site, _ in Counter(attempt.site for attempt in sitting.valid).most_common()]
    no_arms = bool(sites) and sites[0] not in OTHER
    if not sitting.compares_arms and earlier is not None and not no_arms:
        waits = earlier in sites or not sitting.reading_set.closed
        return (earlier if waits or not sites else sites[0]), "earlier-sittings"
    if higher is not None:
        return higher, "this-sitting"
    if not sites:
        return None, None
    return sites[0], ("only-arm-measured" if sites[0] in OTHER else None)


def other_arm_due(sitting: Sitting, higher: Site | None) -> Site | None:
    """The arm still to be measured for the comparison, where both are due and it may be used."""
    if not sitting.compares_arms or higher is not None:
        return None
    measured = next((attempt.site for attempt in sitting.valid if attempt.site in OTHER), None)
    other = OTHER.get(measured) if measured is not None else None
    return other if other is not None and sitting.person.may_use(other) else None


def repeat_due(sitting: Sitting, comparison: Comparison) -> Site | None:
    """The arm to measure once more where the first pair differs by more than the protocol's limit. Source: [NICE]."""
    limit = sitting.protocol.repeat_pair_above_mmhg
    if limit is None or len(comparison.pairs) != 1 or abs(comparison.pairs[0].systolic) <= 100 * limit:
        return None
    last = next(attempt.site for attempt in reversed(sitting.valid) if attempt.site in OTHER)
    return OTHER[last] if sitting.person.may_use(OTHER[last]) else None


def as_history(pairs: list[Pair], day: date) -> list[HistoryPair]:
    """A sitting's pairs in the form in which later sittings will know them."""
    return [
        HistoryPair(
            day=day,
            systolic_difference_mmhg=pair.systolic / 100,
            diastolic_difference_mmhg=pair.diastolic / 100,
        )
        for pair in pairs
    ]


def mean_difference(pairs: list[Pair]) -> tuple[float, float]:
    """The mean of the pairs in mmHg, systolic and diastolic, rounded to four decimals."""
    if len(pairs) == 1:
        # Hundredths have no third decimal to be rounded.
        return whole_number(pairs[0].systolic / 100), whole_number(pairs[0].diastolic / 100)
    count, systolic, diastolic = 100 * len(pairs), 0, 0
    for pair in pairs:
        systolic += pair.systolic
        diastolic += pair.diastolic
    return four_decimals_half_even(systolic / count), four_decimals_half_even(diastolic / count)


def report_arms(sitting: Sitting, comparison: Comparison) -> Arms:
    """The comparison in the form of the answer.

    The arm to use is the arm of record, else by this comparison, else by earlier ones, else the one the protocol prefers, else
    the one measured; never one that must not be used.
    """
    measured = comparison.result_site if comparison.result_site in OTHER else None
    higher = preferred_over(sitting, comparison.pairs, comparison.higher)
    candidates = (comparison.record, higher, comparison.earlier, sitting.protocol.preferred_arm, measured)
    to_use: Site | None = None
    for arm in candidates:
        if arm is not None and sitting.person.may_use(arm):
            to_use = arm
            break
    return Arms(
        compared=bool(comparison.pairs),
        pairs=len(comparison.pairs),
        systolic_difference_mmhg=comparison.systolic_difference_mmhg,
        diastolic_difference_mmhg=comparison.diastolic_difference_mmhg,
        higher=comparison.higher,
        arm_to_use=to_use,
        arm_of_record=comparison.record,
        basis=comparison.basis,
    )


def arm_findings(sitting: Sitting, comparison: Comparison) -> list[tuple[str, float | None]]:
    """Findings of the difference between the arms, with its size (mmHg) where it is shown. Source: [ISH20, NICE, CLARK16]."""
    systolic, diastolic = comparison.systolic_difference_mmhg, comparison.diastolic_difference_mmhg
    if systolic is None or diastolic is None:
        return []
    limits = sitting.limits
    findings: list[tuple[str, float | None]] = []
    apart = abs(systolic)
    if apart < limits.arm_difference_mmhg and systolic * diastolic >= 0:
        apart = max(apart, abs(diastolic))
    if apart >= limits.arm_difference_mmhg:
        findings.append(("inter-arm-10", four_decimals_half_even(apart)))
    all_systolic = comparison.all_differences.systolic
    if repeated_above(all_systolic, limits.arm_repeat_above_mmhg):
        findings.append(("inter-arm-15-confirmed", None))
        if repeated_above(all_systolic, limits.arm_assess_above_mmhg):
            findings.append(("inter-arm-20-assess", None))
    elif len(comparison.pairs) == 1 and abs(comparison.pairs[0].systolic) > 100 * limits.arm_repeat_above_mmhg:
        findings.append(("inter-arm-15-repeat", None))
    if is_inconsistent(comparison.pairs, 100 * limits.arm_difference_mmhg):
        findings.append(("inter-arm-inconsistent", None))
    return findings


def repeated_above(differences: list[int], mmhg: float) -> bool:
    """True where two pairs or more differ by more than ``mmhg`` the same way."""
    if len(differences) < 2:
        return False
    limit, ordered = 100 * mmhg, sorted(differences)
    return ordered[-2] > limit or ordered[1] < -limit


def is_inconsistent(pairs: list[Pair], limit: float) -> bool:
    """True where pairs of this sitting point in opposite directions, one of them by the limit or more."""
    if len(pairs) < 2:
        return False
    signs = {pair.systolic > 0 for pair in pairs if pair.systolic != 0}
    return len(signs) == 2 and any(abs(pair.systolic) >= limit for pair in pairs)
