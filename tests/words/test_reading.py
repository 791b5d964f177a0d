"""A reading test for clinic staff: of 60 answers in each language each sentence is short, has no code and names its unit."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from quietcuff.core.model.readings import Context, Facts
from quietcuff.words.answers import speak_evaluation
from quietcuff.words.language import CODES
from quietcuff.words.languages import load_languages
from quietcuff.words.said import in_words
from words.answered import RULEBOOK, answered, texts_of
from words.ease import ease_of, sentences_of, words_of

LANGUAGES = load_languages(RULEBOOK)
MOST_WORDS, ANSWERS = 25, 60
# The easiest answers for the person measured, by the same scale in every language: 60 and more is plain language.
PLAIN = 60
# Several of one kind after a colon are a list, and each of them is read by itself.
LIST = re.compile(r": [^.:]*,[^.:]*,[^.:]*\.")
SPOKEN = {"en": "English", "de": "German", "fr": "French", "es": "Spanish"}
CODE = re.compile(r"\b[a-z]+_[a-z_]+\b")
SIZE = re.compile(r"(?<![\d.,/(])\b\d{2,3}[.,]?\d*/\d{2,3}\b")


def answers(code: str) -> list[tuple[str, list[str]]]:
    """Sixty answers, spread over all kinds: what the person is told, and every other text."""
    speaker, every = LANGUAGES.speakers[code], answered()
    step = len(every) // ANSWERS
    chosen = every[::step][:ANSWERS]
    told = []
    for reading_set, evaluation in chosen:
        words = in_words(speaker, reading_set, evaluation)
        spoken = speak_evaluation(speaker, evaluation)
        # The line for the record is made of notes, and no sentence.
        texts = [text for text in texts_of(spoken) if text != spoken.record_line]
        said = [words.state, words.safety, *words.readings, *(each.sentence for each in words.how_sure)]
        said += [each.question for each in words.questions] + ([words.provisional] if words.provisional else [])
        told.append((words.for_the_person, texts + said))
    return told


@pytest.mark.parametrize("code", CODES)
def test_each_sentence_is_short(code: str) -> None:
    long = {
        sentence
        for person, texts in answers(code)
        for text in (person, *texts)
        for sentence in sentences_of(LIST.sub(".", text))
        if len(words_of(sentence)) > MOST_WORDS
    }
    assert not long


@pytest.mark.parametrize("code", CODES)
def test_no_text_holds_a_code(code: str) -> None:
    fields = {name for name in (*Context.__struct_fields__, *Facts.__struct_fields__) if "_" in name}
    ids = {*RULEBOOK.guidelines, *RULEBOOK.protocols} | {each for each in RULEBOOK.wording.finding if each.count("-") > 1}
    for person, texts in answers(code):
        for text in (person, *texts):
            assert not CODE.search(text), text
            assert not [each for each in fields | ids if each in text], text


@pytest.mark.parametrize("code", CODES)
def test_the_person_reads_a_pressure_with_its_unit(code: str) -> None:
    for person, _ in answers(code):
        for found in SIZE.finditer(person):
            assert person[found.end() :].startswith("\u00a0mmHg"), person


@pytest.mark.parametrize("code", CODES)
def test_the_reading_ease_is_measured_and_plain_for_the_person(code: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = answers(code)
    person = ease_of(code, " ".join(person for person, _ in told))
    staff = ease_of(code, " ".join(text for _, texts in told for text in texts))
    with capsys.disabled():
        print(f"\nreading ease, {code}: for the person {person:.0f}, for staff {staff:.0f}")
    assert person >= PLAIN
    page = (Path(__file__).parents[2] / "docs" / "words.md").read_text("utf-8")
    assert f"| {SPOKEN[code]} | {person:.0f} | {staff:.0f} |" in page
