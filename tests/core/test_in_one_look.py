"""What is decided in one look at a plain sitting, beside the rules asked one by one: the quick way never says another thing."""

from __future__ import annotations

import msgspec
import pytest

from quietcuff.core.evaluate import evaluate
from quietcuff.core.findings.findings import oddities, reading_findings, usual_in_hundredths
from quietcuff.core.model.errors import QuietcuffError
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.base import Edge
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting import acceptance
from quietcuff.core.sitting.acceptance import is_plain
from quietcuff.core.sitting.in_force import read_rules
from quietcuff.core.sitting.severity import is_severe, see_severe, severe_of
from quietcuff.core.sitting.sitting import describe_sitting
from quietcuff.rules.catalog import load_rulebook
from strategies import Inventor, as_reading_set

SEEDS = range(400)


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def sets() -> list[ReadingSet]:
    """Invented sets, from plain to very odd; some with a birth or a gap that makes them unacceptable."""
    return [as_reading_set(Inventor(seed, seed % 10).body(1 + seed % 6, None)) for seed in SEEDS]


def test_a_plain_set_has_no_fault_but_of_names(rulebook: Rulebook) -> None:
    plain = [each for each in sets() if is_plain(each, rulebook)]
    assert len(plain) > 20
    for each in plain:
        assert acceptance.empty_faults(each) + acceptance.identifier_faults(each) == []
        assert acceptance.pressure_faults(each) + acceptance.birth_faults(each) == []
        assert acceptance.sleep_faults(each) + acceptance.sitting_faults(each, rulebook) == []


def test_readings_passed_by_are_not_odd_nor_severe(rulebook: Rulebook) -> None:
    told = 0
    for each in sets():
        try:
            evaluate(each, None, rulebook)
        except QuietcuffError:
            continue
        sitting = describe_sitting(each, None, rulebook)
        usual, before, expected = usual_in_hundredths(sitting.limits), None, []
        for attempt in sitting.made:
            expected += [(code, attempt.index) for code in oddities(sitting.limits, usual, attempt, before)]
            expected += [("interval-too-short", attempt.index)] if attempt.too_soon else []
            before = attempt
        assert [(finding.code, finding.reading) for finding in reading_findings(sitting)] == expected
        told += len(expected)
        edge = see_severe(sitting).edge
        assert severe_of(sitting.attempts, edge) == [each for each in sitting.attempts if is_severe(each, edge)]
    assert told > 100


def test_rules_remembered_are_those_of_the_rulebook_and_the_group_asked_for(rulebook: Rulebook) -> None:
    limits = msgspec.structs.replace(rulebook.limits, severe=Edge(systolic_mmhg=150, diastolic_mmhg=95))
    stricter = msgspec.structs.replace(rulebook, limits=limits)
    seen = set()
    for seed in range(60):
        each = as_reading_set(Inventor(seed, 5).body(2, None))
        for book in (rulebook, stricter, rulebook):
            try:
                evaluate(each, None, book)
            except QuietcuffError:
                continue
            sitting = describe_sitting(each, None, book)
            names = tuple(guideline.id for guideline in sitting.guidelines)
            person = sitting.person
            fresh = read_rules(book, sitting.protocol.id, names, each.setting, person.age_years, person.expecting)
            assert (sitting.rules.severe, sitting.rules.reference) == (fresh.severe, fresh.reference)
            assert sitting.norms is not None or sitting.applicable == fresh.applicable
            assert book is rulebook or sitting.rules.severe.systolic_mmhg <= 150
            seen.add((sitting.rules.severe.systolic_mmhg, person.expecting))
    assert len(seen) > 3
