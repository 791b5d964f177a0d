"""The types of the rule files: protocols, guidelines, cuff tables, effects, limits, wording and their sources.

Rules are data. Each kind named here is tested by one function of the core; a file that asks for another kind does not load.
Pressures are mmHg, as whole or decimal numbers.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from quietcuff.core.outcome import Severity
from quietcuff.core.readings import Position, Setting
from quietcuff.core.rule_struct import RuleStruct
from quietcuff.core.variability import Variability

Mark = Literal["published", "secondary", "memory", "common-practice", "project-decision", "computed"]


class Source(RuleStruct, frozen=True, kw_only=True):
    """Where a rule comes from, and how well: read at the source, in a page that restates it, or from memory."""

    citation: str
    mark: Mark


class Edge(RuleStruct, frozen=True, kw_only=True):
    """A limit on the two pressures; reached when either is at or above its own."""

    systolic_mmhg: float
    diastolic_mmhg: float


class Extra(RuleStruct, frozen=True, kw_only=True):
    """When a further reading is due after the planned ones.

    ``last-two-differ`` while the last two are more than ``mmhg`` apart; ``first-two-differ`` one more when the first two were;
    ``neighbours-differ`` one more when any two neighbours were, then while the last two are; ``stable-pair`` until two
    neighbours are less than ``mmhg`` apart.
    """

    kind: Literal["none", "last-two-differ", "first-two-differ", "neighbours-differ", "stable-pair"]
    mmhg: float = 0
    source: list[str]


class Protocol(RuleStruct, frozen=True, kw_only=True):
    """How a sitting is done and which of its readings count. Counts are of valid readings in the result arm."""

    id: str
    version: str
    title: str
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
    extra: Extra
    counts: Literal["all", "last-two", "lower-of-last-two", "stable-pair"]
    first_dropped: bool = False
    first_dropped_above_second_by_mmhg: float | None = None
    repeat_pair_above_mmhg: float | None = None
    single_severe_counts: bool = False
    classifies: bool = True
    source: list[str]


class Row(RuleStruct, frozen=True, kw_only=True):
    """One category of a guideline, reached when either pressure passes its own edge; the lowest row has none."""

    category: str
    label: str
    basis: str
    systolic_mmhg: float | None = None
    diastolic_mmhg: float | None = None
    edge: Literal["at-or-above", "above"] = "at-or-above"
    severe: bool = False
    unconfirmed_category: str | None = None
    unconfirmed_label: str | None = None
    confirm: Literal["another-day", "out-of-office"] | None = None
    confirm_within_days: int | None = None
    confirm_source: list[str] = []
    source: list[str]


class Isolated(RuleStruct, frozen=True, kw_only=True):
    """A pattern in which one pressure is high and the other is not."""

    code: Literal["isolated-systolic", "isolated-diastolic"]
    at_or_above_mmhg: float
    other_below_mmhg: float
    source: list[str]


class Population(RuleStruct, frozen=True, kw_only=True):
    """Whom a guideline is for. ``age_below`` is exclusive; an age that is not known is provisional or not accepted."""

    age_from_years: int
    age_below_years: int | None = None
    pregnancy: Literal["never", "only"]
    settings: list[Setting]
    age_unknown: Literal["provisional", "not-accepted"]
    source: list[str]


class Guideline(RuleStruct, frozen=True, kw_only=True):
    """A classification table: rows from the lowest to the highest; the higher of the two pressures' rows decides."""

    id: str
    version: str
    title: str
    note: str = ""
    family: str
    population: Population
    hypertension: Edge
    rows: list[Row]
    isolated: list[Isolated] = []
    source: list[str]


class CuffSize(RuleStruct, frozen=True, kw_only=True):
    """A cuff by the mid-arm circumferences it is for, both ends included."""

    size: str
    title: str
    from_cm: float
    to_cm: float


class CuffTable(RuleStruct, frozen=True, kw_only=True):
    """A table of cuff sizes, used where the cuff's own printed range is not known."""

    id: str
    version: str
    title: str
    sizes: list[CuffSize]
    source: list[str]


class Effect(RuleStruct, frozen=True, kw_only=True):
    """What a condition does to the measured pressure, by published figures (ranges in mmHg, either may be absent).

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


class Range(RuleStruct, frozen=True, kw_only=True):
    """From lowest to highest, both included."""

    lowest: float
    highest: float


class Limits(RuleStruct, frozen=True, kw_only=True):
    """The thresholds that hold under every protocol and guideline."""

    plausible_systolic: Range
    plausible_diastolic: Range
    least_pulse_pressure_mmhg: float
    usual_systolic: Range
    usual_diastolic: Range
    usual_pulse: Range
    severe: Edge
    severe_expecting: Edge
    postpartum_days: int
    possible_pregnancy_years: Range
    confirm_severe_within_minutes: int
    confirm_severe_expecting_within_minutes: int
    severe_persistent_minutes: int
    low_systolic_mmhg: float
    low_standing_advice_from_years: int
    muffling_diastolic_below_mmhg: float
    sitting_gap_minutes: int
    sitting_over_hours: int
    arm_difference_mmhg: float
    arm_repeat_above_mmhg: float
    arm_assess_above_mmhg: float
    record_pairs: int
    irregular_readings: int
    most_readings_asked: int
    future_minutes: int
    idle_minutes: int
    reopen_hours: int
    neonate_days: int
    source: dict[str, list[str]]


class Situation(RuleStruct, frozen=True, kw_only=True):
    """The protocol and guidelines that rule where the caller names none."""

    protocol: str
    guidelines: list[str]


class Defaults(RuleStruct, frozen=True, kw_only=True):
    """What rules in each situation where nobody chose."""

    first_visit: Situation
    follow_up: Situation
    unattended: Situation
    expecting: Situation
    under_18: Situation
    home: Situation
    cuffs: str
    source: list[str]


class FindingWording(RuleStruct, frozen=True, kw_only=True):
    """How a finding is told: how grave it is and in which words; words in braces are filled in."""

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


class Rulebook(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that rules, loaded once; ``digests`` holds the SHA-256 of each protocol's and guideline's file."""

    protocols: dict[str, Protocol]
    guidelines: dict[str, Guideline]
    cuffs: dict[str, CuffTable]
    effects: dict[str, Effect]
    limits: Limits
    variability: Variability
    defaults: Defaults
    wording: Wording
    sources: dict[str, Source]
    digests: dict[str, str]
    digest: str
    engine_version: str
