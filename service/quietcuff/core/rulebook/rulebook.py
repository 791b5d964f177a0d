"""The types of the rule files: protocols, guidelines, cuff tables, effects, limits, wording and their sources.

Rules are data. Each kind named here is tested by one function of the core; a file that asks for another kind does not load.
Pressures are mmHg, as whole or decimal numbers.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from quietcuff.core.model.evaluation import Severity
from quietcuff.core.model.fields import Method, Position, Setting, Site
from quietcuff.core.rulebook.base import Edge as Edge
from quietcuff.core.rulebook.base import RuleFile, RuleStruct
from quietcuff.core.rulebook.protocols import HomeSeries, Recording, StandingTest
from quietcuff.core.rulebook.references import HeightReference, PressureReference, ScreeningReference
from quietcuff.core.rulebook.variability import ChangeTest, Variability

Mark = Literal["published", "secondary", "memory", "common-practice", "project-decision", "computed"]


class Source(RuleStruct, frozen=True, kw_only=True):
    """The source of a rule, and how it was read: at the source, in a page that restates it, or from memory."""

    citation: str
    mark: Mark


class Extra(RuleStruct, frozen=True, kw_only=True):
    """The rule for a further reading after the planned ones.

    ``last-two-differ``: while the last two are more than ``mmhg`` apart. ``first-two-differ``: one more where the first two
    were. ``neighbours-differ``: one more where any two neighbours were, then while the last two are. ``stable-pair``: until two
    neighbours are less than ``mmhg`` apart.
    """

    kind: Literal["none", "last-two-differ", "first-two-differ", "neighbours-differ", "stable-pair"]
    mmhg: float = 0
    source: list[str]


class PercentileEdge(RuleStruct, frozen=True, kw_only=True):
    """A limit that moves with a child's sex, age and height: a percentile, as its standard normal ``z``, and ``plus_mmhg``.

    ``or_from`` is a fixed limit, reached too where it is lower.
    """

    percentile: float
    z: float
    plus_mmhg: float = 0
    or_from: Edge | None = None


class Protocol(RuleFile, frozen=True, kw_only=True):
    """The way a sitting is measured, and the rule for its counted readings. Counts are of valid readings in the result arm.

    ``guidelines`` apply where the caller names none; without any, the defaults. ``first_dropped_as_recorded`` drops the first
    reading where the device's own average did so. ``first_dropped_above_second_by_mmhg`` drops it where it stands out; only
    under ``first_dropped_methods``, where those are named. As many auscultated readings as ``auscultated_decide_from`` give the
    result, whatever else was measured. ``preferred_arm`` is the one to use where no comparison says otherwise. ``rounds`` is
    false where the exact mean is reported and classified.
    """

    note: str = ""
    family: str | None = None
    settings: list[Setting]
    arms: Literal["both", "both-at-first-visit", "one"]
    planned: int
    minimum: int
    most: int
    interval_seconds: int
    interval_excludes: bool = False
    rest_minutes: float
    positions: tuple[Position, ...] = ("sitting",)
    one_may_do_below: Edge | None = None
    one_may_do_below_percentile: PercentileEdge | None = None
    guidelines: list[str] = []
    extra: Extra
    counts: Literal["all", "last-two", "lower-of-last-two", "stable-pair", "series", "baseline"]
    first_dropped: bool = False
    first_dropped_as_recorded: bool = False
    first_dropped_above_second_by_mmhg: float | None = None
    first_dropped_methods: list[Method] = []
    auscultated_decide_from: int | None = None
    preferred_arm: Site | None = None
    wrist_counts: bool = True
    repeat_pair_above_mmhg: float | None = None
    classifies: bool = True
    rounds: bool = True
    series: HomeSeries | Recording | None = None
    standing: StandingTest | None = None
    source: list[str]

    @property
    def is_one_sitting(self) -> bool:
        """True where its readings are of one sitting in one position, so that two arms among them can be compared."""
        return self.series is None and self.standing is None

    @property
    def classifies_mean(self) -> bool:
        """True where the mean itself is classified; else the parts of a recording are, or the fall on standing."""
        return self.standing is None and not isinstance(self.series, Recording)


class Row(RuleStruct, frozen=True, kw_only=True):
    """One category of a guideline, reached when either pressure passes its own edge.

    The lowest row has no edge, and is never ``raised``. With ``also_out_of_office``, measurement out of the office is asked for
    beside another day.
    """

    category: str
    label: str
    basis: str
    systolic_mmhg: float | None = None
    diastolic_mmhg: float | None = None
    edge: Literal["at-or-above", "above"] = "at-or-above"
    percentile: PercentileEdge | None = None
    raised: bool = True
    severe: bool = False
    unconfirmed_category: str | None = None
    unconfirmed_label: str | None = None
    confirm: Literal["another-day", "out-of-office", "hours-apart"] | None = None
    confirm_within_days: int | None = None
    also_out_of_office: bool = False
    confirm_source: list[str] = []
    source: list[str]


class Isolated(RuleStruct, frozen=True, kw_only=True):
    """A pattern in which one pressure is high and the other is not."""

    code: Literal["isolated-systolic", "isolated-diastolic"]
    at_or_above_mmhg: float
    other_below_mmhg: float
    source: list[str]


class Population(RuleStruct, frozen=True, kw_only=True):
    """The people a guideline is for. ``age_below_years`` is exclusive; ``age_unknown`` says what an unknown age means."""

    age_from_years: int
    age_below_years: int | None = None
    pregnancy: Literal["never", "only", "either"]
    settings: list[Setting]
    age_unknown: Literal["provisional", "not-accepted"]
    source: list[str]


class Bands(RuleStruct, frozen=True, kw_only=True):
    """A guideline's table for home values, or for a part of an ambulatory recording.

    Every part has the same categories in the same order. Where several parts of a recording have ``decides``, the highest
    category is given.
    """

    setting: Literal["home", "ambulatory"]
    part: Literal["home", "day", "night", "hours-24"]
    decides: bool
    hypertension: Edge
    rows: list[Row]
    source: list[str]


class Guideline(RuleFile, frozen=True, kw_only=True):
    """A classification table: rows from the lowest to the highest; the higher of the two pressures' rows decides.

    ``measures`` names the measured quantity: a pressure; a pressure against a child's percentiles, by the ``reference`` named
    and with hypertension from the category named; or the fall on standing. ``rows`` are for the office; ``out_of_office`` has
    the tables for home and ambulatory values.
    """

    note: str = ""
    family: str
    measures: Literal["pressure", "percentile", "fall-on-standing"] = "pressure"
    reference: str | None = None
    hypertension_from: str | None = None
    population: Population
    hypertension: Edge | None = None
    rows: list[Row]
    out_of_office: list[Bands] = []
    isolated: list[Isolated] = []
    source: list[str]

    @property
    def places_pressures(self) -> bool:
        """True where its rows are limits on pressures: not the fall on standing, nor percentiles before they are a child's."""
        return self.measures == "pressure" or (self.measures == "percentile" and self.hypertension is not None)


class CuffSize(RuleStruct, frozen=True, kw_only=True):
    """A cuff by the mid-arm circumferences it is for, both ends included."""

    size: str
    title: str
    from_cm: float
    to_cm: float


class CuffTable(RuleFile, frozen=True, kw_only=True):
    """A table of cuff sizes, used where the cuff's own printed range is not known."""

    sizes: list[CuffSize]
    source: list[str]


class Effect(RuleStruct, frozen=True, kw_only=True):
    """The effect of a condition on the measured pressure, by published figures (ranges in mmHg, either may be absent).

    ``field`` and ``answers`` name the question of the context that tells it. ``correctable`` conditions are settled, after
    ``settle_minutes``, before measuring again.
    """

    field: str | None = None
    answers: list[str] = []
    direction: Literal["raises", "lowers", "either"]
    systolic_mmhg: tuple[float, float] | None = None
    diastolic_mmhg: tuple[float, float] | None = None
    correctable: bool = False
    settle_minutes: float = 0
    source: list[str]


class LimitRange(RuleStruct, frozen=True, kw_only=True):
    """From lowest to highest, both included."""

    lowest: float
    highest: float


class Limits(RuleStruct, frozen=True, kw_only=True):
    """The thresholds that hold under every protocol and guideline."""

    plausible_systolic: LimitRange
    plausible_diastolic: LimitRange
    least_pulse_pressure_mmhg: float
    usual_systolic: LimitRange
    usual_diastolic: LimitRange
    usual_pulse: LimitRange
    severe: Edge
    severe_expecting: Edge
    hypertension_expecting: Edge
    severe_child_z: float
    severe_child_above_mmhg: float
    severe_adolescent: Edge
    severe_adolescent_from_years: int
    severe_mean_readings: int
    postpartum_days: int
    possible_pregnancy_years: LimitRange
    confirm_severe_within_minutes: int
    confirm_severe_expecting_within_minutes: int
    confirm_severe_apart_minutes: int
    confirm_severe_apart_series_minutes: int
    confirm_from_severe_within_days: int
    severe_persistent_minutes: int
    low_systolic_mmhg: float
    low_systolic_child_mmhg: float
    low_systolic_child_per_year_mmhg: float
    low_systolic_child_below_years: int
    low_standing_advice_from_years: int
    muffling_diastolic_below_mmhg: float
    sitting_gap_minutes: int
    sitting_over_hours: int
    arm_difference_mmhg: float
    arm_repeat_above_mmhg: float
    arm_assess_above_mmhg: float
    record_pairs: int
    label_days: int
    label_days_under_18: int
    pattern_within_days: int
    unattended_lower_from_mmhg: float
    irregular_readings: int
    most_readings_asked: int
    most_attempts_asked: int
    failed_attempts_one_cause: int
    settle_now_minutes: float
    future_minutes: int
    idle_minutes: int
    join_minutes: int
    reopen_hours: int
    same_value_minutes: int
    device_clock_past_days: int
    device_clock_future_hours: int
    message_past_days: int
    neonate_days: int
    validation_adult_from_years: int
    validation_large_arm_above_cm: float
    clock_off_minutes: int
    source: dict[str, list[str]]


class Situation(RuleStruct, frozen=True, kw_only=True):
    """The protocol and guidelines that rule where the caller names none."""

    protocol: str
    guidelines: list[str]


class Defaults(RuleStruct, frozen=True, kw_only=True):
    """The rules in each situation where nobody chose."""

    first_visit: Situation
    follow_up: Situation
    unattended: Situation
    expecting: Situation
    under_13: Situation
    under_18: Situation
    home: Situation
    ambulatory: Situation
    cuffs: str
    screening: str
    source: list[str]


class FindingWording(RuleStruct, frozen=True, kw_only=True):
    """The wording of a finding: how grave it is and in which words; words in braces are filled in."""

    severity: Severity
    message: str
    source: list[str]


class Wording(RuleStruct, frozen=True, kw_only=True):
    """Every sentence a person reads, so that it can be reviewed and changed in one place."""

    finding: dict[str, FindingWording]
    step: dict[str, str]
    safety: dict[str, str]
    caution: dict[str, str]
    certainty: dict[str, str]
    pattern: dict[str, str]
    preparation: dict[str, str]
    reason: dict[str, str]
    sheet: dict[str, str]

    def reason_in_words(self, code: str) -> str:
        """The words of why a reading does not count, a label is provisional or there is no result; a code without words as
        it is read."""
        return self.reason.get(code) or code.replace("-", " ")


class Rulebook(msgspec.Struct, frozen=True, kw_only=True):
    """All the rules, loaded once; ``digests`` holds the SHA-256 of each protocol's and guideline's file."""

    protocols: dict[str, Protocol]
    guidelines: dict[str, Guideline]
    cuffs: dict[str, CuffTable]
    heights: dict[str, HeightReference]
    pressures: dict[str, PressureReference]
    screening: dict[str, ScreeningReference]
    effects: dict[str, Effect]
    limits: Limits
    variability: Variability
    drift: ChangeTest
    defaults: Defaults
    wording: Wording
    sources: dict[str, Source]
    digests: dict[str, str]
    digest: str
    engine_version: str
