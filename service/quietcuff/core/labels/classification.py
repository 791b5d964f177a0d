"""Categories of the reported value under each guideline, the row that decides, and reasons for a provisional label.

Among the reasons are faults of preparation that can have changed the label.
"""

from __future__ import annotations

from math import inf
from typing import Literal

import msgspec

from quietcuff.core.findings.findings import faults_of_preparation
from quietcuff.core.model.evaluation import Category, Result
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.rulebook import Guideline, Row, Rulebook
from quietcuff.core.sitting.arms import OTHER, Comparison
from quietcuff.core.sitting.attempts import Attempt, far_apart
from quietcuff.core.sitting.equipment import is_wrist
from quietcuff.core.sitting.person import Person
from quietcuff.core.sitting.selection import Selection, latest_stable_pair
from quietcuff.core.sitting.sitting import Sitting
from quietcuff.core.sitting.trouble import needs_muffling

DOUBTFUL_DIASTOLIC = "use-phase-four"


class Placing(msgspec.Struct, frozen=True, kw_only=True, gc=False):
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
    systolic_rank = diastolic_rank = 0
    for rank, above, systolic_edge, diastolic_edge in limits_of_rows(rows):
        if systolic_mmhg > systolic_edge or (systolic_mmhg == systolic_edge and not above):
            systolic_rank = rank
        if diastolic_mmhg > diastolic_edge or (diastolic_mmhg == diastolic_edge and not above):
            diastolic_rank = rank
    rank = systolic_rank if systolic_rank > diastolic_rank else diastolic_rank
    return Placing(
        row=rows[rank],
        systolic_row=rows[systolic_rank],
        rank=rank,
        systolic_rank=systolic_rank,
        diastolic_rank=diastolic_rank,
    )


def read_limits(rows: list[Row]) -> list[tuple[int, bool, float, float]]:
    """Rank, whether the edge is above, and both limits of each row that has one; infinity where there is no limit."""
    return [
        (
            rank,
            row.edge == "above",
            inf if row.systolic_mmhg is None else row.systolic_mmhg,
            inf if row.diastolic_mmhg is None else row.diastolic_mmhg,
        )
        for rank, row in enumerate(rows)
        if row.systolic_mmhg is not None or row.diastolic_mmhg is not None
    ]


limits_of_rows = remembered(read_limits)


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
    kinds = doubts_of(sitting, selection.counted)
    applies = {
        "single-sitting": sitting.protocol.is_one_sitting,
        "further-reading-needed": selection.due is not None,
        "readings-vary": readings_vary(sitting, selection),
        "other-arm-not-measured": other_arm_missing(sitting, comparison),
        "not-arm-of-record": not_arm_of_record(comparison),
        DOUBTFUL_DIASTOLIC: DOUBTFUL_DIASTOLIC in kinds,
        "irregular-rhythm": sitting.irregular and "not-by-ear" in kinds,
        "sitting-gap": sitting.has_gap and not severe,
        "device-wrist": "device-wrist" in kinds,
        "device-not-validated": "device-not-validated" in kinds,
        "cuff-doubtful": "cuff-doubtful" in kinds,
        "site-not-recorded": result.site == "not-recorded",
        "position-not-recorded": result.position == "not-recorded" and len(sitting.protocol.positions) == 1,
    }
    sides = sides_of(sitting, result)
    restless = [] if severe or "raises" not in sides else unsettled(sitting)
    faults = faults_that_matter(sitting, selection, sides)
    reasons = [code for code, holds in applies.items() if holds] + restless + faults
    # Repeating a series would take days, so its faults stay among the reasons and ask for nothing.
    if not sitting.protocol.is_one_sitting:
        return Reservations(reasons=reasons, faults=[], unsettled=[])
    # Severe readings must not wait until the person has settled.
    return Reservations(reasons=reasons, faults=[] if severe else faults, unsettled=restless)


def doubts_of(sitting: Sitting, counted: list[Attempt]) -> set[str]:
    """What is doubtful about any of the counted readings by itself."""
    found = set()
    for attempt in counted:
        if attempt.method != "auscultatory":
            found.add("not-by-ear")
        elif needs_muffling(sitting, attempt):
            found.add(DOUBTFUL_DIASTOLIC)
        if is_wrist(attempt.device, attempt.site):
            found.add("device-wrist")
        if attempt.device is not None and attempt.device.validated == "no":
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
    sides: set[str] = set()
    if sitting.protocol.classifies_mean:
        for guideline in sitting.applicable:
            high = reaches_hypertension(guideline, result.systolic_mmhg, result.diastolic_mmhg)
            sides.update(("raises" if high else "lowers", "either"))
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
    present = {*faults_of_preparation(sitting), *(attempt.fit.code for attempt in selection.counted)}
    effects = sitting.rulebook.effects
    if present.isdisjoint(effects):
        return []
    return [code for code, effect in effects.items() if code in present and effect.correctable and effect.direction in sides]
