"""Confirmation of the result: by when and how the guidelines ask for it."""

from __future__ import annotations

from datetime import timedelta

import msgspec

from quietcuff.core.labels.judgement import Judgement
from quietcuff.core.model.evaluation import Category, ConfirmBy, Way
from quietcuff.core.rulebook.rulebook import Row
from quietcuff.core.sitting.severity import reaches
from quietcuff.core.sitting.sitting import Sitting

WAYS: dict[str, Way] = {"another-day": "office", "hours-apart": "office", "out-of-office": "home"}


class Advice(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Confirmation as the guidelines ask for it, and the codes of its findings."""

    confirm_by: ConfirmBy | None
    codes: list[str]


def advise(sitting: Sitting, judged: Judgement, *, confirmed: bool) -> Advice:
    """Confirmation asked for by the categories: the soonest day that any guideline asks for, whichever was named first.

    Known or treated hypertension is compared with its target instead of confirmed; no target is invented. In pregnancy and
    after birth nothing is left to confirm once severe readings are. Source: the rows' own; [DECISION] for known hypertension.
    """
    if sitting.protocol.standing is not None:
        return Advice(confirm_by=None, codes=[])
    if sitting.person.treated:
        given = any(entry.category is not None for entry in judged.categories)
        return Advice(confirm_by=None, codes=["compare-with-target"] if given else [])
    rows = [row for row in map_rows(sitting, judged.categories) if row.confirm is not None]
    if not rows or (sitting.person.expecting and confirmed):
        return Advice(confirm_by=None, codes=[])
    also = ["confirm-out-of-office" for row in rows if row.also_out_of_office]
    soonest = min(rows, key=lambda row: days_left(sitting, judged, row))
    return Advice(
        confirm_by=ConfirmBy(
            date=sitting.day + timedelta(days=days_left(sitting, judged, soonest)),
            way=WAYS[soonest.confirm or "another-day"],
        ),
        codes=list(dict.fromkeys([*(f"confirm-{row.confirm}" for row in rows), *also])),
    )


def days_left(sitting: Sitting, judged: Judgement, row: Row) -> int:
    """Days within which a row asks for confirmation; a week at the most from 180/110 on. Source: [SEVERE-DAYS]."""
    days = row.confirm_within_days or 0
    limits, result = sitting.limits, judged.result
    if result is not None and reaches(limits.severe, result.systolic_mmhg, result.diastolic_mmhg):
        return min(days, limits.confirm_from_severe_within_days)
    return days


def map_rows(sitting: Sitting, categories: list[Category]) -> list[Row]:
    """The rows behind the categories that were given, in the order of the request."""
    rows = []
    for guideline, entry in zip(sitting.guidelines, categories, strict=True):
        if entry.category is not None:
            rows.append(next(row for row in guideline.rows if entry.category in (row.category, row.unconfirmed_category)))
    return rows
