"""Earlier sittings as an evaluation depends on them, and the prior that was fitted to a clinic's own people."""

from __future__ import annotations

from datetime import date
from typing import Annotated

import msgspec
from msgspec import Meta

from quietcuff.core.model.fields import (
    MAX_READINGS,
    Attendance,
    Care,
    Deviation,
    Difference,
    Instant,
    Position,
    Pressure,
    Setting,
    Site,
    Text,
    check_day,
    check_instant,
    keep_numbers_plain,
    keep_whole_numbers_whole,
)

MAX_PRIOR_PARTS = 3
SHARES_ADD_UP_TO = 1e-6
MAX_PAIRS = 240
MAX_SITTINGS = 60


class HistoryPair(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """One earlier comparison of the two arms: right minus left."""

    day: date
    systolic_difference_mmhg: Difference
    diastolic_difference_mmhg: Difference

    def __post_init__(self) -> None:
        check_day(self.day)
        keep_whole_numbers_whole(self, "systolic_difference_mmhg", "diastolic_difference_mmhg")


class HistorySitting(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """One earlier sitting that gave a result. Its pressures are the sitting's value, made of ``readings_counted`` readings as
    ``value_rule`` says: where readings were chosen by their values it is not the reported mean."""

    taken_from: Instant
    setting: Setting
    attendance: Attendance = "attended"
    care: Care = "ordinary"
    position: Position = "sitting"
    site: Site | None = None
    systolic_mmhg: Pressure
    diastolic_mmhg: Pressure
    readings_counted: Annotated[int, Meta(ge=1, le=MAX_READINGS)]
    value_rule: Text
    days: Annotated[int, Meta(ge=1, le=366)] = 1
    provisional_because: list[Text] = []

    def __post_init__(self) -> None:
        check_instant(self.taken_from)
        keep_numbers_plain(self, "systolic_mmhg", "diastolic_mmhg")


class History(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """The frozen snapshot of earlier sittings that an evaluation depends on; ``sittings`` newest last."""

    as_of: Instant
    pairs: Annotated[list[HistoryPair], Meta(max_length=MAX_PAIRS)] = []
    treatment_changed_on: date | None = None
    sittings: Annotated[list[HistorySitting], Meta(max_length=MAX_SITTINGS)] = []

    def __post_init__(self) -> None:
        check_instant(self.as_of)
        check_day(self.treatment_changed_on)


class ReferencePart(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """One part of a mixture: the share of people in it, and how their usual pressures are spread."""

    share: Annotated[float, Meta(gt=0, le=1)]
    systolic_mmhg: Pressure
    systolic_sd_mmhg: Deviation
    diastolic_mmhg: Pressure
    diastolic_sd_mmhg: Deviation
    correlation: Annotated[float, Meta(ge=-0.9, le=0.9)]

    def __post_init__(self) -> None:
        keep_numbers_plain(self, "systolic_mmhg", "diastolic_mmhg")
        keep_whole_numbers_whole(self, "share", "systolic_sd_mmhg", "diastolic_sd_mmhg", "correlation")


class VisitSpread(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """Variation of untreated people's visits around their usual pressures, as a clinic has measured it."""

    systolic_sd_mmhg: Deviation
    diastolic_sd_mmhg: Deviation
    correlation: Annotated[float, Meta(ge=-0.9, le=0.9)]

    def __post_init__(self) -> None:
        keep_whole_numbers_whole(self, "systolic_sd_mmhg", "diastolic_sd_mmhg", "correlation")


class ReferencePrior(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, gc=False):
    """Spread of usual office pressures among the people that a clinic sees, before any of them is measured.

    With ``parts`` it is their mixture, and the five figures above are its means and spread. It holds for people whose
    hypertension is neither known nor treated, and for those as well only with ``includes_treated``. ``visits`` is how visits
    vary there, in place of the rules' figures for untreated people.
    """

    systolic_mmhg: Pressure
    systolic_sd_mmhg: Deviation
    diastolic_mmhg: Pressure
    diastolic_sd_mmhg: Deviation
    correlation: Annotated[float, Meta(ge=-0.9, le=0.9)]
    parts: Annotated[list[ReferencePart], Meta(max_length=MAX_PRIOR_PARTS)] = []
    includes_treated: bool = False
    visits: VisitSpread | None = None

    def __post_init__(self) -> None:
        keep_numbers_plain(self, "systolic_mmhg", "diastolic_mmhg")
        keep_whole_numbers_whole(self, "systolic_sd_mmhg", "diastolic_sd_mmhg", "correlation")
        if self.parts and abs(sum(part.share for part in self.parts) - 1) > SHARES_ADD_UP_TO:
            raise ValueError("the shares of the parts must add up to 1")
