"""English as the core writes it, said in another language: nothing is left over, and codes and numbers stay."""

from __future__ import annotations

import re
from datetime import date

import msgspec
import pytest

from quietcuff.words.answers import speak_evaluation
from quietcuff.words.language import CODES, DRAFTED
from quietcuff.words.languages import load_languages, ranked
from quietcuff.words.numbers import day_in
from quietcuff.words.said import in_words
from words.answered import RULEBOOK, answered, texts_of

LANGUAGES = load_languages(RULEBOOK)
# Words that none of the three languages has.
ENGLISH = re.compile(
    r"\b(the|and|of|with|is|than|readings?|by|are|range|recorded|left|right|counts|high|systolic|diastolic|then|after|lying|"
    r"adult|treatment|cuff|other|both|day|days|home|office|not|for|measured?|systolic)\b"
)
NUMBERS = re.compile(r"\d+")
FIXED = "\u00a0"


@pytest.mark.parametrize("code", DRAFTED)
def test_nothing_is_left_in_english(code: str) -> None:
    speaker, left = LANGUAGES.speakers[code], set()
    for _, evaluation in answered():
        for text in texts_of(speak_evaluation(speaker, evaluation)):
            if ENGLISH.search(text):
                left.add(text)
    assert not left


@pytest.mark.parametrize("code", CODES)
def test_codes_and_numbers_stay_as_they_are(code: str) -> None:
    speaker = LANGUAGES.speakers[code]
    for _, evaluation in answered():
        spoken = speak_evaluation(speaker, evaluation)
        assert without_texts(spoken) == without_texts(evaluation)
        for before, after in zip(texts_of(evaluation), texts_of(spoken), strict=True):
            pressures = re.findall(r"\b\d+/\d+\b", before)
            assert [each for each in pressures if each not in after] == [], after


@pytest.mark.parametrize("code", CODES)
def test_saying_it_twice_says_the_same(code: str) -> None:
    speaker = LANGUAGES.speakers[code]
    _, evaluation = answered()[0]
    assert speak_evaluation(speaker, evaluation) == speak_evaluation(speaker, evaluation)


def test_english_that_is_asked_for_names_no_fields() -> None:
    speaker = LANGUAGES.speakers["en"]
    message = "Not recorded, so not known: rest_minutes, full_bladder."
    assert (
        speaker.finding("context-not-recorded", message) == "Not recorded, so not known: rest before (minutes), full bladder."
    )


def test_a_sentence_of_an_earlier_wording_stays_as_it_was_answered() -> None:
    speaker = LANGUAGES.speakers["de"]
    assert speaker.finding("talking", "Somebody talked.") == "Somebody talked."
    assert speaker.finding("of-another-time", "Long ago.") == "Long ago."
    assert speaker.sentence("Do as we did.") == "Do as we did."


def test_every_sentence_of_the_rules_is_told_from_every_other() -> None:
    """Filled with a pressure, each is said by its own translation."""
    speaker = LANGUAGES.speakers["fr"]
    wording, spoken = RULEBOOK.wording, speaker.language
    for section in ("step", "safety", "caution", "preparation"):
        for code, text in getattr(wording, section).items():
            filled, wanted = (NAMED.sub("142", each) for each in (text, getattr(spoken, section)[code]))
            same = [key for key, each in getattr(wording, section).items() if each == text]
            if len(same) == 1:
                assert speaker.sentence(filled) == speaker.type_out(wanted), code


NAMED = re.compile(r"\{\w+\}")


def test_numbers_days_and_units_are_written_as_the_language_does() -> None:
    german, spanish = LANGUAGES.speakers["de"], LANGUAGES.speakers["es"]
    assert german.finding("readings-vary", "The readings stay more than 12.5 mmHg apart.") == (
        f"Die Messungen liegen weiterhin mehr als 12,5{FIXED}mmHg auseinander."
    )
    overdue = "The device's accuracy check is overdue: it was due by 2026-11-28."
    assert "28 de noviembre de 2026" in spanish.finding("accuracy-check-overdue", overdue)
    assert day_in(german.about, date(2026, 3, 1)) == "1. März 2026"


@pytest.mark.parametrize("code", CODES)
def test_the_person_is_told_at_most_40_words(code: str) -> None:
    speaker = LANGUAGES.speakers[code]
    for reading_set, evaluation in answered():
        told = in_words(speaker, reading_set, evaluation).for_the_person
        assert 0 < len([word for word in told.split() if word not in ":;?!"]) <= 40, told
        assert "{" not in told and ENGLISH.search(told) is None or code == "en"


def test_the_person_hears_of_severe_values_and_symptoms_first() -> None:
    speaker = LANGUAGES.speakers["en"]
    wanted = {"urgent": "help right away", "same-day": "look at this today", "confirm": "very high", "ask": "how you feel"}
    seen = set()
    for reading_set, evaluation in answered():
        level = evaluation.safety.level
        if level in wanted:
            seen.add(level)
            assert wanted[level] in in_words(speaker, reading_set, evaluation).for_the_person
    assert seen == wanted.keys()


def test_languages_are_ranked_by_weight_and_order() -> None:
    """RFC 9110, 12.5.4: a weight of 1 where none is written; 0 is not wanted."""
    assert ranked("da, en-gb;q=0.8, en;q=0.7") == ["da", "en-gb", "en"]
    assert ranked("fr;q=0, de;q=0.2, es") == ["es", "de"]
    assert ranked("de;q=x, fr;q=inf, es;q=nan, pt;q=-1, , ;q=1") == []
    assert LANGUAGES.preferred("pt, de-AT;q=0.5").about.language == "de"
    assert LANGUAGES.preferred("pt").about.language == "en"
    assert LANGUAGES.preferred("*, de;q=0.1").about.language == "en"


def without_texts(evaluation: object) -> object:
    """The evaluation with every text that may be said otherwise taken out."""

    def bare(part: object) -> object:
        if isinstance(part, dict):
            return {name: bare(value) for name, value in part.items() if name not in TEXTS}
        return [bare(each) for each in part] if isinstance(part, list | tuple) else part

    return bare(msgspec.to_builtins(evaluation))


TEXTS = {"message", "text", "label", "basis", "statement", "reason", "record_line", "cautions", "prepare"}


@pytest.mark.parametrize("code", CODES)
def test_sentences_of_earlier_wordings_are_said_like_those_that_took_their_place(code: str) -> None:
    speaker = LANGUAGES.speakers[code]
    for name, text in speaker.names.earlier.items():
        section, _, key = name.partition(".")
        filled = text.format(
            percent="4", pressure="90/60", setting="office", chance="75 %", flat="60 %", edge=EDGE, prior=PRIOR, because=BECAUSE
        )
        spoken = {"finding": speaker.any_finding, "certainty": speaker.certainty}.get(section, speaker.sentence)(filled)
        begins = getattr(speaker.language, section)[key].partition("{")[0]
        assert spoken.startswith(speaker.type_out(begins)), spoken
        assert spoken != filled


EDGE, BECAUSE = "either pressure is at or above 140/90", "no prior for this age"
PRIOR = "US survey 2017–18, at 31 years"


def test_french_marks_have_their_narrow_space_and_clocks_have_none() -> None:
    french = LANGUAGES.speakers["fr"]
    assert french.type_out("jambes croisées: à 09:00; oui ?") == "jambes croisées\u202f: à 09:00\u202f; oui\u202f?"
    assert french.type_out("déjà\u202f: bien") == "déjà\u202f: bien"
