"""Reading ease by the formula that was fitted for each language, from 0 (hard) to 100 (easy). From memory:

English: Flesch 1948, 206.835 - 1.015 words a sentence - 84.6 syllables a word. German: Amstad 1978, 180 - words a sentence -
58.5 syllables a word. French: Kandel and Moles 1958, 207 - 1.015 words a sentence - 73.6 syllables a word. Spanish: Fernández
Huerta 1959 as commonly corrected, 206.84 - 1.02 words a sentence - 60 syllables a word.

Syllables are counted as groups of vowels, without a silent e at the end of English and French words: near enough for a mean.
"""

from __future__ import annotations

import re

FORMULAS = {
    "en": (206.835, 1.015, 84.6),
    "de": (180.0, 1.0, 58.5),
    "fr": (207.0, 1.015, 73.6),
    "es": (206.84, 1.02, 60.0),
}
VOWELS = {
    "en": "aeiouy",
    "de": "aeiouyäöü",
    "fr": "aeiouyàâéèêëîïôùûüœ",
    "es": "aeiouáéíóúü",
}
# Two strong vowels side by side are two syllables in Spanish, and an accented weak one is its own.
SPANISH = re.compile(r"[iuü]?[aeoáéíóú][iuy]?|[iuü]+")
WORD = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)*")
END = re.compile(r"(?<=[.?!])\s+")


def sentences_of(text: str) -> list[str]:
    """Sentences by their full stops, question and exclamation marks."""
    return [part for part in END.split(text) if part]


def words_of(sentence: str) -> list[str]:
    """What is read as a word: marks that stand alone are none."""
    return [word for word in sentence.split() if re.search(r"\w", word)]


def syllables(code: str, word: str) -> int:
    """Syllables of a word, at least one."""
    low = word.lower()
    if code == "es":
        return max(len(SPANISH.findall(low)), 1)
    if code in ("en", "fr") and len(low) > 3:
        low = re.sub(r"(?<=[^aeiouy])(es|e)$", "", low) if code == "en" else re.sub(r"(?<=[^aeiouy])(es|e|ent)$", "", low)
    return max(len(re.findall(f"[{VOWELS[code]}]+", low)), 1)


def ease_of(code: str, text: str) -> float:
    """The reading ease of a text."""
    words = WORD.findall(text)
    base, by_length, by_syllables = FORMULAS[code]
    a_sentence = len(words) / len(sentences_of(text))
    a_word = sum(syllables(code, word) for word in words) / len(words)
    return base - by_length * a_sentence - by_syllables * a_word
