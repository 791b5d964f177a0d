"""Judgement of the valid readings, the same for any kind of protocol: sitting, series, recording, test of standing."""

from __future__ import annotations

import msgspec

from quietcuff.core.labels.provisional import Reservations
from quietcuff.core.model.evaluation import Category, Finding, FollowingStep, Orthostatic, Plan, Result, Series
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.person import low_systolic
from quietcuff.core.sitting.selection import Selection
from quietcuff.core.sitting.sitting import Sitting


class Judgement(msgspec.Struct, frozen=True, kw_only=True):
    """The counted readings, the result with its categories, and their findings.

    ``step`` and ``line`` are the protocol's own next step and sentence for the note; None where the ordinary ones apply.
    """

    selection: Selection
    result: Result | None
    reservations: Reservations
    categories: list[Category]
    selection_findings: list[Finding]
    label_findings: list[Finding]
    plan: Plan
    step: FollowingStep | None = None
    line: str | None = None
    series: Series | None = None
    orthostatic: Orthostatic | None = None


def is_withheld(sitting: Sitting, counted: list[Attempt]) -> bool:
    """True where no category may be given although there is a result.

    A single home sitting, a reading at a leg, or a low pressure with symptoms. Source: [PRACTICE, DECISION].
    """
    low = 100 * low_systolic(sitting.person, sitting.limits)
    symptoms = sitting.reading_set.context.acute_symptoms == "yes"
    return (
        not sitting.protocol.classifies
        or any(attempt.site.endswith("thigh") for attempt in counted)
        or (symptoms and any(attempt.systolic < low for attempt in counted))
    )
