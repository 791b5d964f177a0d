"""Every code that can be answered has its sentence, and every sentence its code."""

from __future__ import annotations

import re
import string

import pytest
from hypothesis import HealthCheck, given, settings

from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from strategies import reading_sets

OF_ONE_OFFICE_SITTING = [
    "rest-too-short",
    "talking",
    "caffeine",
    "tobacco",
    "exercise",
    "full-bladder",
    "pain",
    "anxiety-or-stress",
    "back-unsupported",
    "feet-not-flat",
    "legs-crossed",
    "arm-unsupported",
    "arm-below-heart-level",
    "arm-above-heart-level",
    "thick-sleeve",
    "cuff-not-snug",
    "noisy-room",
    "context-not-recorded",
    "cuff-too-small",
    "cuff-too-large",
    "cuff-outside-range",
    "cuff-doubtful",
    "cuff-not-recorded",
    "device-not-validated",
    "device-wrist",
    "device-finger",
    "device-cuffless",
    "device-error",
    "accuracy-check-overdue",
    "interval-too-short",
    "too-few-readings",
    "further-reading-needed",
    "first-reading-dropped",
    "implausible-reading",
    "readings-vary",
    "sitting-gap",
    "closed-by-timeout",
    "other-arm-not-measured",
    "other-arm-excluded",
    "arms-never-compared",
    "inter-arm-10",
    "inter-arm-15-repeat",
    "inter-arm-15-confirmed",
    "inter-arm-20-assess",
    "inter-arm-inconsistent",
    "not-arm-of-record",
    "irregular-rhythm",
    "auscultation-advised",
    "pulse-high",
    "pulse-low",
    "acute-symptoms",
    "severe-reading",
    "severe-confirmed",
    "severe-not-confirmed",
    "severe-persistent",
    "low-reading",
    "isolated-systolic",
    "isolated-diastolic",
    "rounding-decides",
    "lower-of-two-decides",
    "lower-reading-ambiguous",
    "other-guideline-severe",
    "guideline-not-for-this-person",
    "protocol-guideline-differ",
    "age-not-recorded",
    "confirm-out-of-office",
    "confirm-another-day",
    "compare-with-target",
    "home-readings-too-few",
    "taken-in-future",
    "subject-facts-differ",
    "device-not-registered",
]
RULEBOOK = load_rulebook()


@pytest.mark.parametrize("code", OF_ONE_OFFICE_SITTING)
def test_every_agreed_code_has_words_and_a_source(code: str) -> None:
    finding = RULEBOOK.wording.finding[code]
    assert finding.message.endswith(".") and finding.source
    assert all(key in RULEBOOK.sources for key in finding.source)


@settings(deadline=None, derandomize=True, max_examples=400, suppress_health_check=[HealthCheck.too_slow])
@given(reading_sets())
def test_every_code_that_is_answered_has_words_and_sources(reading_set: ReadingSet) -> None:
    try:
        evaluation = evaluate(reading_set, reading_set.history, RULEBOOK)
    except NotAcceptable:
        return
    for finding in evaluation.findings:
        wording = RULEBOOK.wording.finding[finding.code]
        assert finding.severity == wording.severity or finding.severity == "blocks"
        assert finding.message and not any(name for _, name, _, _ in string.Formatter().parse(finding.message))
        assert finding.source and set(finding.source) <= set(RULEBOOK.sources)
    texts = {*RULEBOOK.wording.step.values()}
    patterns = [re.sub(r"\\\{\w+\\\}", ".+", re.escape(text)) for text in texts]
    assert any(re.fullmatch(pattern, evaluation.next_step.reason) for pattern in patterns)
    assert evaluation.safety.text is None or is_made_of(evaluation.safety.text, RULEBOOK.wording.safety)
    assert set(evaluation.cautions) <= set(RULEBOOK.wording.caution.values())
    reasons = {*evaluation.blocked_by, *(each.reason for each in evaluation.readings if each.reason is not None)}
    reasons |= {code for category in evaluation.categories for code in category.provisional_because}
    assert reasons <= set(RULEBOOK.wording.reason)


def is_made_of(text: str, words: dict[str, str]) -> bool:
    """Whether a text is a row of the sentences of one table, with any pressure filled in."""
    patterns = [re.escape(sentence).replace(r"\{pressure\}", r"[0-9./]+") for sentence in words.values()]
    return re.fullmatch(rf"(?:{'|'.join(patterns)})(?: (?:{'|'.join(patterns)}))*", text) is not None


def test_the_words_make_no_diagnosis_and_name_no_treatment() -> None:
    """Wording asks, tells and advises; it neither diagnoses atrial fibrillation nor names a drug or a dose."""
    words = RULEBOOK.wording
    texts = [finding.message for finding in words.finding.values()]
    texts += [*words.step.values(), *words.safety.values(), *words.caution.values()]
    texts += [*words.reason.values(), *words.sheet.values()]
    forbidden = ("fibrillation", "drug", "dose", "diagnosed", "you have")
    assert not [text for text in texts for word in forbidden if word in text.lower()]


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return RULEBOOK


def test_the_cautions_that_every_answer_shows_are_there(rulebook: Rulebook) -> None:
    assert {"not-a-device", "no-treatment", "single-sitting", "severe", "expecting", "child", "irregular"} <= set(
        rulebook.wording.caution
    )
