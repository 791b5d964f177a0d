"""The rules and words of the report, from ``quality.toml``."""

from __future__ import annotations

import string
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Literal

import msgspec

from quietcuff.core.rulebook.base import RuleStruct
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import decode_toml, named_sources, read_file
from quietcuff.rules.faults import all_at_once, expect

NAME = "quality.toml"
MOST_WORDS = 25
LONGEST_CODE = 12
SectionCode = Literal["method", "preparation", "numbers", "certainty", "follow-up", "control"]


class QualitySettings(RuleStruct, frozen=True, kw_only=True):
    """Thresholds at which the numbers call a fault, and the assumptions of the simulations."""

    guideline: str
    rest_seconds: float
    inter_arm_sd_mmhg: float
    least_days_for_a_year: int
    seen_again_share: float
    severe_seen_again_days: int
    thresholds_systolic_mmhg: list[int]
    thresholds_diastolic_mmhg: list[int]
    clinic_p: float
    observer_q: float
    rounded_share: float
    copied_factor: float
    copied_share: float
    deficit_log_ratio: float
    deficit_p: float
    source: list[str]


class ExpectedRange(RuleStruct, frozen=True, kw_only=True):
    """The range of a well-run clinic."""

    low: float | None = None
    high: float | None = None
    text: str


class FigureRule(RuleStruct, frozen=True, kw_only=True):
    """The name of a figure, its place, and what is expected of it."""

    section: SectionCode
    title: str
    expected: ExpectedRange | None = None
    source: list[str]


class FaultRule(RuleStruct, frozen=True, kw_only=True):
    """The rule by which a figure is a thing to mend, and the words. ``wanted`` figures are good
    when high: the rest is the fault.

    ``effect`` is the entry of the effects table that says what it is worth; ``same_as`` another fault that it is told with.
    """

    figure: str | None = None
    effect: str | None = None
    same_as: str | None = None
    wanted: bool = False
    people: bool = False
    tolerated: float = 0.0
    what: str
    how: str
    source: list[str]


class Cautions(RuleStruct, frozen=True, kw_only=True):
    """Sentences at the foot of every report."""

    lines: list[str]
    source: list[str]


class QualityRules(RuleStruct, frozen=True, kw_only=True):
    """The file."""

    version: str
    settings: QualitySettings
    figures: dict[str, FigureRule]
    faults: dict[str, FaultRule]
    words: dict[str, str]
    page: dict[str, str]
    measures: dict[str, str]
    cautions: Cautions


def load_quality_rules(rulebook: Rulebook, folder: Traversable | None = None) -> QualityRules:
    """Read and check the file.

    Raises:
        RulesNotLoadable: it is malformed, or names a source, effect, figure or guideline that is not there.
    """
    root = folder if folder is not None else files("quietcuff.rules")
    rules: QualityRules = decode_toml(read_file(root / NAME, NAME), QualityRules, NAME)
    with all_at_once():
        check_quality_rules(rules, rulebook)
    return rules


def check_quality_rules(rules: QualityRules, rulebook: Rulebook) -> None:
    """Check that the names it has stand for something, and that its sentences are short and have the places that are filled."""
    for place, key in named_sources(msgspec.to_builtins(rules), ""):
        expect(key in rulebook.sources, f"{NAME}: {place}: source {key} is not in sources.toml")
    expect(rules.settings.guideline in rulebook.guidelines, f"{NAME}: settings: guideline is not one")
    for code, fault in rules.faults.items():
        where = f"{NAME}: faults/{code}"
        expect(fault.figure is None or fault.figure in rules.figures, f"{where}: figure is not one")
        expect(fault.effect is None or fault.effect in rulebook.effects, f"{where}: effect is not one")
        expect(fault.same_as is None or fault.same_as in rules.faults, f"{where}: same_as is not a fault")
        for sentence in (fault.what, fault.how):
            expect(len(sentence.split()) <= MOST_WORDS, f"{where}: a sentence has more than {MOST_WORDS} words")
            names = [name for _, name, _, _ in string.Formatter().parse(sentence) if name is not None]
            known = {"where", "value", "expected", "threshold"}
            expect(set(names) <= known, f"{where}: places are {', '.join(sorted(known))}")


def percent(share: float) -> str:
    """A share in words: 0.312 gives 31 %, 0.004 gives 0.4 %."""
    hundred = 100 * share
    return f"{hundred:.1f} %" if 0 < hundred < 9.95 and round(hundred, 1) != round(hundred) else f"{hundred:.0f} %"


def short_code(code: str) -> str:
    """A code as it is shown: without the system before it, and cut where it is long."""
    own = code.rsplit("|", 1)[-1]
    return own if len(own) <= LONGEST_CODE else f"{own[:LONGEST_CODE]}…"


def listed(names: list[str], joined_by: str) -> str:
    """Names in a sentence: A, B and C."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {joined_by} {names[-1]}"
