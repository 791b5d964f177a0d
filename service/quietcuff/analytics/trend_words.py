"""Words of a picture of pressures over time, in the language asked for; without one exactly as the core wrote them."""

from __future__ import annotations

from datetime import date

import msgspec

from quietcuff.analytics.limits import GuidelineLimits
from quietcuff.words.language import Language
from quietcuff.words.languages import Languages
from quietcuff.words.numbers import number_in, short_day_in
from quietcuff.words.speaker import Speaker


class PictureWords(msgspec.Struct, frozen=True, kw_only=True):
    """One language for a picture; ``speaker`` is None where none was asked for, so that its bytes stay as they are."""

    language: Language
    speaker: Speaker | None

    def say(self, code: str, **held: object) -> str:
        """A text of the picture with its places filled."""
        text = self.language.picture[code].format(**held)
        return text if self.speaker is None else self.speaker.type_out(text)

    def counted(self, code: str, number: int, **held: object) -> str:
        """A text about a number of things, in the singular or the plural."""
        return self.say(f"{code}-{'one' if number == 1 else 'many'}", count=number, **held)

    def joined(self, words: list[str]) -> str:
        """One word, or two with "and" between them; more are joined one after the other."""
        told = words[0]
        for word in words[1:]:
            told = self.say("and", first=told, last=word)
        return told

    def number(self, text: str) -> str:
        """A number or a pressure with the language's decimal mark."""
        return number_in(self.language.about, text)

    def day(self, day: date) -> str:
        """A day as it stands in a table."""
        return short_day_in(self.language.about, day)

    def tick(self, unit: str, day: date) -> str:
        """A day below the picture, or the month or the year that it begins."""
        if unit == "year":
            return f"{day.year}"
        month = self.language.about.short_months[day.month - 1]
        return month if unit == "month" else self.say("tick-day", day=day.day, month=month)

    def title(self, guideline: GuidelineLimits) -> str:
        """The guideline's title; in a language asked for the short name that is the same in all of them."""
        return guideline.title if self.speaker is None else self.speaker.names.guideline[guideline.guideline]

    def finding(self, message: str) -> str:
        """The message of a finding."""
        return message if self.speaker is None else self.speaker.any_finding(message)

    def sentence(self, text: str) -> str:
        """A caution."""
        return text if self.speaker is None else self.speaker.sentence(text)


def picture_words(languages: Languages, speaker: Speaker | None) -> PictureWords:
    """The words of the language asked for; English where none was."""
    return PictureWords(language=(speaker or languages.speaker(None)).language, speaker=speaker)
