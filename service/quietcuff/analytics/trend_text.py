"""Texts of a picture of pressures over time. They name nobody."""

from __future__ import annotations

from quietcuff.analytics.limits import GuidelineLimits
from quietcuff.analytics.trend import ResultPoint, Trend
from quietcuff.analytics.trend_words import PictureWords

NO_BREAK = "\u00a0"
# The core's own words, as stored answers hold them in English.
OUTSIDE = "lies outside the interval"


def span_words(trend: Trend, words: PictureWords) -> str:
    """The days from the first to the last result."""
    first, last = trend.results[0].at.date(), trend.results[-1].at.date()
    return words.day(first) if first == last else words.say("span", first=words.day(first), last=words.day(last))


def subtitle(trend: Trend, words: PictureWords) -> str:
    """Number of results and their days."""
    if trend.results:
        return f"{words.counted('results', len(trend.results))}, {span_words(trend, words)}"
    if trend.not_counted:
        return words.counted("no-result-but", len(trend.not_counted))
    return words.say("no-result")


def limits_words(trend: Trend, words: PictureWords) -> str | None:
    """Sentences about the limits drawn: guidelines, settings and values."""
    titles = {each.guideline: words.title(each) for each in all_limits(trend)}
    if not titles:
        return None
    letters = letters_of(trend)
    told = "; ".join(f"{letters[name]}{title.replace(' ', NO_BREAK, 1)}" for name, title in titles.items())
    sentences = []
    if trend.limits:
        shown = "lines-hypertension" if len(trend.limits) > 2 else "lines"
        sentences.append(words.say(shown, setting=words.say(f"value-{trend.setting}")))
    others = others_with_limits(trend, words)
    if others:
        sentences.append(words.say("marked" if trend.limits else "lines-marked", settings=words.joined(others)))
    return f"{' '.join(sentences)} {told}."


def all_limits(trend: Trend) -> list[GuidelineLimits]:
    """Limits of every setting drawn, those of the latest result first."""
    return [*trend.limits, *(limits for each in trend.elsewhere for limits in each.limits)]


def others_with_limits(trend: Trend, words: PictureWords) -> list[str]:
    """The other settings that have limits in the picture."""
    return [words.say(f"value-{each.setting}") for each in trend.elsewhere if each.limits]


def letters_of(trend: Trend) -> dict[str, str]:
    """A letter and a space for each guideline; empty if there is only one."""
    names = list(dict.fromkeys(each.guideline for each in all_limits(trend)))
    if len(names) == 1:
        return {names[0]: ""}
    return {name: f"{chr(ord('A') + place)}{NO_BREAK}" for place, name in enumerate(names)}


def severe_words(trend: Trend, words: PictureWords) -> str | None:
    """Number of severe results and the latest of them; without any, the number of severe readings that did not count."""
    severe = [point for point in trend.results if point.severe]
    readings = sum(bool(reading.severe) for reading in trend.not_counted)
    if not severe:
        return words.counted("severe-readings", readings) if readings else None
    latest = severe[-1]
    return words.counted("severe-results", len(severe), value=pressure(latest, words), day=words.day(latest.at.date()))


def pressure(point: ResultPoint, words: PictureWords) -> str:
    """Both pressures of a result: 142.5/88."""
    return words.number(f"{point.systolic_mmhg:g}/{point.diastolic_mmhg:g}")


def newest_words(trend: Trend, words: PictureWords) -> list[str]:
    """Sentences about the newest result of each setting: a change before it, and the reason if it is outside its interval."""
    told = []
    newest = {point.setting: point for point in trend.results}
    for setting, point in newest.items():
        said = [words.finding(each) for each in point.told]
        # The evaluation may have said so itself, in English as it is stored; it is not said twice.
        if point.is_outside and not any(OUTSIDE in each for each in point.told):
            said.append(words.say("outside"))
        code, of = ("latest-of", words.say(f"value-{setting}")) if len(newest) > 1 else ("latest", "")
        told += [words.say(code, setting=of, told=each) for each in said]
    earlier = sum(point.is_outside for point in trend.results if point is not newest[point.setting])
    if earlier:
        told.append(words.counted("outside-earlier", earlier))
    return told


def notes(trend: Trend, words: PictureWords) -> list[str]:
    """Notes below the picture: severe values, values outside their interval, and what is not drawn."""
    told = []
    if not (trend.results or trend.not_counted or trend.left_out):
        told.append(words.say("nothing"))
    severe = severe_words(trend, words)
    told += ([severe] if severe else []) + newest_words(trend, words)
    if trend.left_out:
        left_out = ", ".join(words.counted(f"left-out-{code}", number) for code, number in trend.left_out.items())
        told.append(words.say("not-drawn", list=left_out))
    if trend.without_limits:
        told.append(words.say("without-limits", list=titles_of(trend.without_limits, words)))
    told += [
        words.say("without-limits-of", setting=words.say(f"value-{each.setting}"), list=titles_of(each.without, words))
        for each in trend.elsewhere
        if each.without
    ]
    if trend.is_cut:
        told.append(words.say("cut"))
    return told


def titles_of(guidelines: list[GuidelineLimits], words: PictureWords) -> str:
    """The titles of guidelines, one after the other."""
    return "; ".join(words.title(each) for each in guidelines)


def range_words(values: list[float], words: PictureWords) -> str:
    """From the lowest to the highest value; a single value by itself."""
    low, high = (words.number(f"{value:g}") for value in (min(values), max(values)))
    return low if low == high else words.say("range", low=low, high=high)


def description(trend: Trend, words: PictureWords) -> str:
    """The picture in words, for people who cannot see it."""
    severe = severe_words(trend, words)
    if not trend.results:
        start = f"{subtitle(trend, words) if trend.not_counted else words.say('nothing-to-draw')}."
        return f"{start} {severe}" if severe else start
    systolic = range_words([point.systolic_mmhg for point in trend.results], words)
    diastolic = range_words([point.diastolic_mmhg for point in trend.results], words)
    latest = trend.results[-1]
    parts = [
        words.say("described", results=subtitle(trend, words), systolic=systolic, diastolic=diastolic),
        words.say("described-latest", value=pressure(latest, words), setting=words.language.value[latest.setting]),
    ]
    if trend.limits:
        titles = words.joined([words.title(each) for each in trend.limits])
        parts.append(words.say("described-limits", list=titles, setting=words.say(f"value-{trend.setting}")))
    others = others_with_limits(trend, words)
    if others:
        parts.append(words.say("described-others", settings=words.joined(others)))
    if trend.treated:
        parts.append(words.say("described-treated"))
    return " ".join([f"{', '.join(parts)}.", *([severe] if severe else []), *newest_words(trend, words)])
