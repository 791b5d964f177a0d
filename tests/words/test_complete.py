"""The four languages: every code has an entry in each, with the same places in its sentences, and none is a code."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files
from typing import get_args

import pytest

from quietcuff.core.model import evaluation as answered
from quietcuff.core.model.fields import (
    Care,
    DeviceFlag,
    Method,
    PopulationGroup,
    Position,
    RestrictionReason,
    Rhythm,
    Setting,
    Site,
    YesNo,
)
from quietcuff.core.model.readings import Context, Facts
from quietcuff.fhir.definitions.code_systems import CERTAINTY_REASONS
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.language import CODES, DRAFTED, FROM_RULES, Language, read_language, read_names
from quietcuff.words.person import NEXT_BY_ACTION, NEXT_BY_LEVEL
from quietcuff.words.sure import DEGREES
from quietcuff.words.templates import places

RULEBOOK = load_rulebook()
LANGUAGES = {code: read_language(code, RULEBOOK) for code in CODES}
ENGLISH = LANGUAGES["en"]
NAMES = read_names()
SECTIONS = [field for field in Language.__struct_fields__ if field not in ("about", "phrase")]
MOST_WORDS = 25
# The certainty's own words are parts of its statement and no sentences.
SAID = ("finding", "step", "safety", "caution", "preparation", "pattern", "state", "level", "question", "person")


def sentences_of(text: str) -> list[str]:
    """Sentences by their full stops and question marks."""
    return [part for part in re.split(r"(?<=[.?!])\s+", text) if part]


@pytest.mark.parametrize("code", DRAFTED)
@pytest.mark.parametrize("section", SECTIONS)
def test_each_language_has_the_same_codes_with_the_same_places(code: str, section: str) -> None:
    english, spoken = getattr(ENGLISH, section), getattr(LANGUAGES[code], section)
    assert spoken.keys() == english.keys()
    assert {key: places(text) for key, text in spoken.items()} == {key: places(text) for key, text in english.items()}


@pytest.mark.parametrize("code", DRAFTED)
def test_each_language_says_the_same_phrases_of_the_core(code: str) -> None:
    phrases = LANGUAGES[code].phrase
    assert phrases.keys() == LANGUAGES["de"].phrase.keys()
    assert {key: places(key) for key in phrases} == {key: places(text) for key, text in phrases.items()}


def test_english_stands_in_one_place() -> None:
    written = tomllib.loads((files("quietcuff.words") / "en.toml").read_text(encoding="utf-8"))
    assert not {*FROM_RULES, "finding", "protocol", "phrase"} & written.keys()
    for section in FROM_RULES:
        assert getattr(ENGLISH, section) is getattr(RULEBOOK.wording, section)


def test_only_languages_that_nobody_has_read_are_marked_as_drafts() -> None:
    assert [code for code in CODES if LANGUAGES[code].about.machine_drafted] == list(DRAFTED)


def test_every_code_that_is_answered_has_words() -> None:
    assert set(RULEBOOK.wording.finding) == set(ENGLISH.finding)
    assert set(RULEBOOK.wording.finding) <= {*ENGLISH.short, *ENGLISH.reason}
    assert {*get_args(answered.State)} == ENGLISH.state.keys()
    assert {*get_args(answered.Level)} == ENGLISH.level.keys()
    assert {*get_args(answered.Action)} == ENGLISH.action.keys()
    assert {*get_args(answered.Reason)} <= ENGLISH.reason.keys()
    assert {*Context.__struct_fields__} <= ENGLISH.question.keys()
    assert {*Context.__struct_fields__, *Facts.__struct_fields__} <= ENGLISH.sheet.keys()
    for kind in (Site, Position, Method, Rhythm, Setting, YesNo, Care, PopulationGroup, DeviceFlag, RestrictionReason):
        assert {*get_args(kind)} <= ENGLISH.value.keys()
    assert {*CERTAINTY_REASONS, *get_args(answered.Basis)} <= ENGLISH.value.keys()
    assert {f"confirm-{way}" for way in get_args(answered.Way)} <= ENGLISH.report.keys()
    assert {code for _, code in DEGREES} | {"settled", "not-known"} == {
        code for code in ENGLISH.sure if f"{code}-sentence" in ENGLISH.sure
    }


def test_every_rule_has_a_name_and_every_category_a_meaning_for_the_person() -> None:
    assert NAMES.guideline.keys() == RULEBOOK.guidelines.keys()
    rows = [
        row
        for guideline in RULEBOOK.guidelines.values()
        for row in [*guideline.rows, *(row for bands in guideline.out_of_office for row in bands.rows)]
    ]
    assert {row.category for row in rows} == NAMES.meaning.keys()


def test_the_person_is_told_what_comes_next_at_every_action_and_level() -> None:
    assert {*NEXT_BY_ACTION, "none"} == {*get_args(answered.Action)}
    for code in (*NEXT_BY_ACTION.values(), *NEXT_BY_LEVEL.values(), "call", "stand", "goes-on", "again", "nothing"):
        assert f"next-{code}" in ENGLISH.person
    for code in (*NEXT_BY_LEVEL, *NAMES.meaning.values()):
        assert f"means-{code}" in ENGLISH.person


@pytest.mark.parametrize("code", DRAFTED)
def test_no_sentence_has_more_than_25_words(code: str) -> None:
    language = LANGUAGES[code]
    long = [
        (section, key, len(sentence.split()))
        for section in SAID
        for key, text in getattr(language, section).items()
        for sentence in sentences_of(text)
        if len([word for word in sentence.split() if word not in ":;?!"]) > MOST_WORDS
    ]
    assert not long


@pytest.mark.parametrize("code", CODES)
def test_no_sentence_holds_a_code(code: str) -> None:
    """A code is lower-case words joined by hyphens or underscores that the rulebook knows."""
    language = LANGUAGES[code]
    known = {*RULEBOOK.wording.finding, *ENGLISH.action, *ENGLISH.state, *ENGLISH.reason, *RULEBOOK.protocols}
    codes = {each for each in known if "-" in each and each not in {"follow-up"}}
    codes |= {each for each in (*Context.__struct_fields__, *Facts.__struct_fields__) if "_" in each}
    for section in SAID:
        for key, text in getattr(language, section).items():
            bare = re.sub(r"\{\w+\}", "", text)
            assert not {word.strip(".,:;()") for word in bare.split()} & codes, (section, key)
            assert "_" not in bare, (section, key)


@pytest.mark.parametrize("code", CODES)
def test_no_sentence_names_a_pressure_difference_without_its_unit(code: str) -> None:
    """mmHg stands beside each place for a difference between readings or arms."""
    for key, text in LANGUAGES[code].finding.items():
        if "{mmhg}" in text:
            assert "{mmhg} mmHg" in text, key


@pytest.mark.parametrize("code", CODES)
def test_the_words_for_the_person_name_no_drug_and_no_target(code: str) -> None:
    told = " ".join(LANGUAGES[code].person.values())
    assert not re.search(
        r"\b(target|ziel|objectif|objetivo|drug|medik|médicament|medicament|medicac|tablet|dos[ei]s?\b)", told, re.I
    )


@pytest.mark.parametrize("code", CODES)
def test_every_sentence_ends_as_a_sentence(code: str) -> None:
    for section in ("finding", "step", "safety", "caution", "preparation", "pattern", "state", "level", "person", "question"):
        for text in getattr(LANGUAGES[code], section).values():
            assert text.rstrip()[-1] in ".?", text
