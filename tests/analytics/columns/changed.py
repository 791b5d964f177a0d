"""Changed rules over the same sets: other protocols, other guidelines, other limits. Invented, for comparison only."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from quietcuff.analytics.columns.made import OtherRules
from quietcuff.core.rulebook.base import Edge
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

Variant = tuple[Rulebook, OtherRules]


def other_protocol() -> Variant:
    """Every set by the protocol of the ESC."""
    return load_rulebook(), OtherRules(protocol="office-esc-2024")


def other_guidelines() -> Variant:
    """Every label by two other guidelines."""
    return load_rulebook(), OtherRules(guidelines=("jsh-2019", "acog-2020"))


def unrounded() -> Variant:
    """Means that are not rounded, under every protocol."""
    book = load_rulebook()
    protocols = {name: msgspec.structs.replace(each, rounds=False) for name, each in book.protocols.items()}
    return msgspec.structs.replace(book, protocols=protocols), OtherRules(protocol="office-one-arm", guidelines=("esh-2023",))


def one_reading_less() -> Variant:
    """One reading less everywhere, too soon excluded, and the first dropped from 5 mmHg."""
    book = load_rulebook()
    protocols = {
        name: msgspec.structs.replace(
            each,
            planned=max(each.planned - 1, 1),
            minimum=max(each.minimum - 1, 1),
            interval_excludes=True,
            first_dropped_above_second_by_mmhg=5,
        )
        for name, each in book.protocols.items()
    }
    return msgspec.structs.replace(book, protocols=protocols), OtherRules()


def other_limits() -> Variant:
    """Limits moved: plausibility, severity, lowness, gaps, arms, irregular rhythm."""
    book = load_rulebook()
    limits = msgspec.structs.replace(
        book.limits,
        severe=Edge(systolic_mmhg=170, diastolic_mmhg=105.5),
        severe_expecting=Edge(systolic_mmhg=150, diastolic_mmhg=100),
        low_systolic_mmhg=95.25,
        least_pulse_pressure_mmhg=15.5,
        sitting_gap_minutes=10,
        sitting_over_hours=1,
        confirm_severe_apart_minutes=2,
        severe_persistent_minutes=1,
        arm_difference_mmhg=6.5,
        arm_repeat_above_mmhg=8,
        arm_assess_above_mmhg=9.99,
        record_pairs=3,
        irregular_readings=2,
        most_readings_asked=5,
        most_attempts_asked=6,
        postpartum_days=10,
        possible_pregnancy_years=msgspec.structs.replace(book.limits.possible_pregnancy_years, highest=70),
        unattended_lower_from_mmhg=120,
        muffling_diastolic_below_mmhg=60,
        validation_large_arm_above_cm=30,
        clock_off_minutes=10,
    )
    return msgspec.structs.replace(book, limits=limits), OtherRules()


def supported_arms() -> Variant:
    """The effects turned round, so that other faults matter."""
    book = load_rulebook()
    effects = {
        name: msgspec.structs.replace(each, correctable=not each.correctable, direction="lowers")
        for name, each in book.effects.items()
    }
    return msgspec.structs.replace(book, effects=effects), OtherRules(guidelines=("aha-acc-2017",))


VARIANTS: tuple[Callable[[], Variant], ...] = (
    other_protocol,
    other_guidelines,
    unrounded,
    one_reading_less,
    other_limits,
    supported_arms,
)
