"""Categories of the reported value under each guideline, the row that decides, and reasons for a provisional label.

Among the reasons are faults of preparation that can have changed the label.
"""

from __future__ import annotations

from bisect import bisect_right
from itertools import accumulate
from math import inf, nextafter
from typing import Literal

import msgspec

from quietcuff.core.findings.findings import faults_of_preparation
from quietcuff.core.model.evaluation import Category, Result
from quietcuff.core.rulebook.remembered import remembered_alone
from quietcuff.core.rulebook.rulebook import Guideline, Row, Rulebook
from quietcuff.core.sitting.arms import OTHER, Comparison
from quietcuff.core.sitting.attempts import Attempt, far_apart, needs_muffling
from quietcuff.core.sitting.equipment import is_wrist
from quietcuff.core.sitting.person import Person
from quietcuff.core.sitting.selection import Selection, latest_stable_pair
from quietcuff.core.sitting.sitting import Sitting

DOUBTFUL_DIASTOLIC = "use-phase-four"
DOUBTS_OF_EQUIPMENT = ("device-wrist", "device-not-validated", "cuff-doubtful")


# Limits in rising order, and the rank below the first and from each on.
Steps = tuple[list[float], list[int]]


class Placing(msgspec.Struct, frozen=True, gc=False):
    """A pair of pressures in a guideline's table: the row of each and the one that decides, the higher."""

    row: Row
    systolic_row: Row
    rank: int
    systolic_rank: int
    diastolic_rank: int

    @property
    def decided_by(self) -> Literal["systolic", "diastolic", "both"]:
        """The pressure whose row is the higher one."""
        if self.systolic_rank == self.diastolic_rank:
            return "both"
        return "systolic" if self.systolic_rank > self.diastolic_rank else "diastolic"

    @property
    def systolic_is_raised(self) -> bool:
        """True where the systolic pressure alone reaches a row that is marked as raised."""
        return self.systolic_rank > 0 and self.systolic_row.raised


def place(guideline: Guideline, systolic_mmhg: float, diastolic_mmhg: float) -> Placing:
    """Find the rows of a guideline's table that the two pressures reach; the higher row decides."""
    return place_in_rows(guideline.rows, systolic_mmhg, diastolic_mmhg)


def place_in_rows(rows: list[Row], systolic_mmhg: float, diastolic_mmhg: float) -> Placing:
    """Find the rows that the two pressures reach; the higher row decides.

    Edges are inclusive unless the row says above. 128/84 under aha-acc-2025 gives stage-1, decided by the diastolic.
    Source: [PRACTICE] for the higher row deciding; edges from the guideline's own rows.
    """
    (systolic_from, systolic_ranks), (diastolic_from, diastolic_ranks) = steps_of_rows(rows)
    systolic_rank = systolic_ranks[bisect_right(systolic_from, systolic_mmhg)]
    diastolic_rank = diastolic_ranks[bisect_right(diastolic_from, diastolic_mmhg)]
    rank = systolic_rank if systolic_rank > diastolic_rank else diastolic_rank
    return Placing(rows[rank], rows[systolic_rank], rank, systolic_rank, diastolic_rank)


def rank_in_rows(rows: list[Row], systolic_mmhg: float, diastolic_mmhg: float) -> int:
    """The rank of the row that decides."""
    return rank_by_steps(steps_of_rows(rows), systolic_mmhg, diastolic_mmhg)


def rank_by_steps(steps: tuple[Steps, Steps], systolic_mmhg: float, diastolic_mmhg: float) -> int:
    """The rank of the row that decides, in a table by its steps."""
    (systolic_from, systolic_ranks), (diastolic_from, diastolic_ranks) = steps
    systolic = systolic_ranks[bisect_right(systolic_from, systolic_mmhg)]
    diastolic = diastolic_ranks[bisect_right(diastolic_from, diastolic_mmhg)]
    return systolic if systolic > diastolic else diastolic


def changes_row(rows: list[Row], one: tuple[float, float], other: tuple[float, float]) -> bool:
    """True where two pairs of pressures are in different rows."""
    steps = steps_of_rows(rows)
    return rank_by_steps(steps, *one) != rank_by_steps(steps, *other)


def read_steps(rows: list[Row]) -> tuple[Steps, Steps]:
    """The steps of a table in each pressure: the limits in rising order, and the rank below the first and from each on."""
    above = [row.edge == "above" for row in rows]
    return (
        steps_at([row.systolic_mmhg for row in rows], above),
        steps_at([row.diastolic_mmhg for row in rows], above),
    )


def steps_at(limits: list[float | None], above: list[bool]) -> Steps:
    """The steps of one pressure, whose rows have these limits or none, reached above them or from them on."""
    # Above a limit is from the next number on that there is.
    reached = sorted(
        (nextafter(limit, inf) if is_above else limit, rank)
        for rank, (limit, is_above) in enumerate(zip(limits, above, strict=True))
        if limit is not None
    )
    # The highest row decides, also where a higher one should have a lower limit.
    return [limit for limit, _ in reached], list(accumulate([0, *(rank for _, rank in reached)], max))


steps_of_rows = remembered_alone(read_steps)


def reaches_hypertension(guideline: Guideline, systolic_mmhg: float, diastolic_mmhg: float) -> bool:
    """True where a value is at or above the guideline's limit for hypertension in either pressure."""
    limit = guideline.hypertension
    return limit is not None and (systolic_mmhg >= limit.systolic_mmhg or diastolic_mmhg >= limit.diastolic_mmhg)


def classify(
    sitting: Sitting,
    guideline: Guideline,
    result: Result | None,
    provisional_because: list[str],
    *,
    confirmed: bool,
    withheld: bool,
) -> Category:
    """The category of the reported value; null without a result, outside the population, or where it is withheld."""
    digest = sitting.rulebook.digests[guideline.id]
    if result is None or guideline not in sitting.applicable:
        return no_category(guideline, digest)
    placing = place(guideline, result.systolic_mmhg, result.diastolic_mmhg)
    # In other than ordinary care a pressure is not the usual one; only a severe row is true of it all the same.
    if withheld or (sitting.reading_set.context.care != "ordinary" and not placing.row.severe):
        return no_category(guideline, digest)
    return label_placing(guideline, placing, sitting.person, sitting.rulebook, provisional_because, confirmed=confirmed)


def label_placing(
    guideline: Guideline,
    placing: Placing,
    person: Person,
    rulebook: Rulebook,
    provisional_because: list[str],
    *,
    confirmed: bool,
) -> Category:
    """The category of a placing, with the reasons that make it provisional.

    Where sounds go on to zero the diastolic is too low, and its true value could only raise the row. No category is given then
    where the systolic alone reaches no raised row. Source: [PRACTICE, DECISION].
    """
    if DOUBTFUL_DIASTOLIC in provisional_because and not placing.systolic_is_raised:
        return no_category(guideline, rulebook.digests[guideline.id])
    row = placing.row
    category, label = row.category, row.label
    reasons = list(provisional_because)
    if person.age_years is None and guideline.population.age_from_years > 0:
        reasons.append("age-not-recorded")
    if row.unconfirmed_category is not None and not confirmed:
        category, label = row.unconfirmed_category, row.unconfirmed_label or label
        reasons.append("severe-unconfirmed")
    if person.treated:
        label = f"{label}, on treatment"
    return Category(
        guideline=guideline.id,
        version=guideline.version,
        digest=rulebook.digests[guideline.id],
        category=category,
        label=label,
        decided_by=placing.decided_by,
        basis=row.basis,
        provisional=bool(reasons),
        provisional_because=reasons,
    )


def classify_each(
    sitting: Sitting, result: Result | None, provisional_because: list[str], *, confirmed: bool, withheld: bool
) -> list[Category]:
    """The category under each requested guideline, in the order of the request."""
    return [
        classify(sitting, guideline, result, provisional_because, confirmed=confirmed, withheld=withheld)
        for guideline in sitting.guidelines
    ]


def no_category(guideline: Guideline, digest: str) -> Category:
    """The entry of a guideline without a category."""
    return Category(
        guideline=guideline.id,
        version=guideline.version,
        digest=digest,
        category=None,
        label=None,
        decided_by=None,
        basis=None,
        provisional=False,
        provisional_because=[],
    )


class Reservations(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Reservations against a result.

    ``reasons`` are those for a provisional label, in a fixed order. Among them are ``faults``, the correctable ones that can
    have changed the label, and ``unsettled``, states in which to repeat once settled. A series is not measured again for
    either.
    """

    reasons: list[str]
    faults: list[str]
    unsettled: list[str]


def reserve(
    sitting: Sitting, comparison: Comparison, selection: Selection, result: Result | None, *, severe: bool
) -> Reservations:
    """The reservations that hold under every guideline. A single sitting is one of them."""
    if result is None:
        return Reservations(reasons=[], faults=[], unsettled=[])
    sides = sides_of(sitting, result)
    restless = [] if severe or "raises" not in sides else unsettled(sitting)
    faults = faults_that_matter(sitting, selection, sides)
    reasons = doubts_of_plan(sitting, comparison, selection)
    reasons += doubts_of_measuring(sitting, selection.counted, result, severe=severe) + restless + faults
    # Repeating a series would take days, so its faults stay among the reasons and ask for nothing.
    if not sitting.protocol.is_one_sitting:
        return Reservations(reasons=reasons, faults=[], unsettled=[])
    # Severe readings must not wait until the person has settled.
    return Reservations(reasons=reasons, faults=[] if severe else faults, unsettled=restless)


def doubts_of_plan(sitting: Sitting, comparison: Comparison, selection: Selection) -> list[str]:
    """Reasons in what was measured: too little, too uneven, or in another arm than the one to use."""
    reasons = ["single-sitting"] if sitting.protocol.is_one_sitting else []
    if selection.due is not None:
        reasons.append("further-reading-needed")
    if readings_vary(sitting, selection):
        reasons.append("readings-vary")
    if other_arm_missing(sitting, comparison):
        reasons.append("other-arm-not-measured")
    if not_arm_of_record(comparison):
        reasons.append("not-arm-of-record")
    return reasons


def doubts_of_measuring(sitting: Sitting, counted: list[Attempt], result: Result, *, severe: bool) -> list[str]:
    """Reasons in how it was measured."""
    kinds = doubts_of(sitting, counted)
    reasons = [DOUBTFUL_DIASTOLIC] if DOUBTFUL_DIASTOLIC in kinds else []
    if sitting.irregular and "not-by-ear" in kinds:
        reasons.append("irregular-rhythm")
    if sitting.has_gap and not severe:
        reasons.append("sitting-gap")
    if kinds and kinds != {"not-by-ear"}:
        reasons += [code for code in DOUBTS_OF_EQUIPMENT if code in kinds]
    if result.site == "not-recorded":
        reasons.append("site-not-recorded")
    if result.position == "not-recorded" and len(sitting.protocol.positions) == 1:
        reasons.append("position-not-recorded")
    return reasons


def doubts_of(sitting: Sitting, counted: list[Attempt]) -> set[str]:
    """What is doubtful about any of the counted readings by itself."""
    found: set[str] = set()
    for attempt in counted:
        if attempt.method != "auscultatory":
            found.add("not-by-ear")
        elif needs_muffling(attempt, sitting.limits):
            found.add(DOUBTFUL_DIASTOLIC)
        device = attempt.device
        if is_wrist(device, attempt.site):
            found.add("device-wrist")
        if device is not None and device.validated == "no":
            found.add("device-not-validated")
        if attempt.fit.code == "cuff-doubtful":
            found.add("cuff-doubtful")
    return found


def readings_vary(sitting: Sitting, selection: Selection) -> bool:
    """True where the readings still differ although the protocol takes no more."""
    extra, arm = sitting.protocol.extra, selection.arm
    if extra.kind == "none" or len(arm) < max(sitting.protocol.most, 2):
        return False
    if extra.kind == "stable-pair":
        return latest_stable_pair(arm, extra.mmhg) is None
    return far_apart(arm[-2], arm[-1], extra.mmhg)


def other_arm_missing(sitting: Sitting, comparison: Comparison) -> bool:
    """True where both arms are due and the other one was never measured although it may be used."""
    return sitting.compares_arms and comparison.other_due is not None


def not_arm_of_record(comparison: Comparison) -> bool:
    """True where the result is from an arm that earlier comparisons do not point to."""
    return (
        comparison.basis == "earlier-sittings"
        and comparison.result_site in OTHER
        and comparison.result_site != comparison.earlier
    )


def is_high(sitting: Sitting, result: Result) -> bool:
    """True where a result is at or above the hypertension limit of a requested guideline that is for this person.

    Only where the protocol classifies the mean itself.
    """
    value = (result.systolic_mmhg, result.diastolic_mmhg)
    return sitting.protocol.classifies_mean and any(reaches_hypertension(g, *value) for g in sitting.applicable)


def sides_of(sitting: Sitting, result: Result) -> set[str]:
    """Directions of a fault that can have changed a label.

    One that raises can where a result is at or above the hypertension limit of a requested guideline that is for this person,
    one that lowers where it is below one. Only where the protocol classifies the mean itself.
    """
    if not sitting.applicable or not sitting.protocol.classifies_mean:
        return set()
    systolic, diastolic = result.systolic_mmhg, result.diastolic_mmhg
    sides = {"either"}
    for each in sitting.applicable:
        sides.add("raises" if reaches_hypertension(each, systolic, diastolic) else "lowers")
    return sides


def unsettled(sitting: Sitting) -> list[str]:
    """Pain, anxiety or stress, with which a high result that is not severe is to be repeated. Source: [DECISION]."""
    context = sitting.reading_set.context
    states = (("pain", context.pain), ("anxiety-or-stress", context.anxiety_or_stress))
    return [code for code, answer in states if answer == "yes"]


def faults_that_matter(sitting: Sitting, selection: Selection, sides: set[str]) -> list[str]:
    """Correctable faults that raise a high result, or lower one below a threshold.

    A fault that may do either always matters. Source: [DECISION].
    """
    if not sides:
        return []
    effects, told = sitting.rulebook.effects, faults_of_preparation(sitting)
    worn = [attempt.fit.code for attempt in selection.counted if attempt.fit.code is not None]
    if not told and not worn:
        return []
    present = {*told, *worn}
    return [code for code, effect in effects.items() if code in present and effect.correctable and effect.direction in sides]
