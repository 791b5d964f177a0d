"""How and by when the guidelines want the result confirmed."""

from __future__ import annotations

from datetime import timedelta

import msgspec

from quietcuff.core.outcome import Category, ConfirmBy
from quietcuff.core.rules import Row
from quietcuff.core.sitting import Sitting


class Advice(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """How the guidelines want the result confirmed, and the codes of the findings that say so."""

    confirm_by: ConfirmBy | None
    codes: list[str]


def advise(sitting: Sitting, categories: list[Category]) -> Advice:
    """What follows from the categories. Known or treated hypertension is compared with its target instead of confirmed; no
    target is invented. Source: the rows' own; [DECISION] for known hypertension."""
    if sitting.protocol.standing is not None:
        return Advice(confirm_by=None, codes=[])
    rows = [row for row in map_rows(sitting, categories) if row.confirm is not None]
    if sitting.person.treated:
        codes = ["compare-with-target"] if any(entry.category is not None for entry in categories) else []
    else:
        also = ["confirm-out-of-office" for row in rows if row.also_out_of_office]
        codes = list(dict.fromkeys([*(f"confirm-{row.confirm}" for row in rows), *also]))
    confirm_by = None
    if rows and not sitting.person.treated:
        confirm_by = ConfirmBy(
            date=sitting.day + timedelta(days=rows[0].confirm_within_days or 0),
            way="office" if rows[0].confirm == "another-day" else "home",
        )
    return Advice(confirm_by=confirm_by, codes=codes)


def map_rows(sitting: Sitting, categories: list[Category]) -> list[Row]:
    """The rows behind the categories that were given, in the order of the request."""
    rows = []
    for guideline, entry in zip(sitting.guidelines, categories, strict=True):
        if entry.category is not None:
            rows.append(next(row for row in guideline.rows if entry.category in (row.category, row.unconfirmed_category)))
    return rows
