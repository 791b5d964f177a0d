"""Sentences that state a certainty: the chance at the edge in doubt, in words."""

from __future__ import annotations

from math import floor, inf

from quietcuff.core.certainty.beliefs import Limits
from quietcuff.core.certainty.usual_pressure import Known
from quietcuff.core.model.fields import Setting
from quietcuff.core.rulebook.remembered import remembered, remembered_alone
from quietcuff.core.rulebook.rulebook import Rulebook

MOST_FRAMES = 64


def state(book: Rulebook, known: Known, edge: Limits, chance: float, flat: float) -> str:
    """Sentence for the chance at the edge in doubt: of the usual pressure in this arm, measured this way."""
    setting = known.outlook.at.setting
    frames, phrases = frames_of(book, setting, known.prior, known.prior_age_years, known.without_because), phrases_of(book)
    told = frames.get(edge)
    if told is None:
        # A child's edges are its own, so that there is no end of them.
        if len(frames) >= MOST_FRAMES:
            frames.clear()
        told = make_frame(book, setting, edge, known.prior, known.prior_age_years, known.without_because)
        frames[edge] = told
    told = told.replace("{flat}", phrases[per_cent_of(flat)])
    return told if known.prior == "none" else told.replace("{chance}", phrases[per_cent_of(chance)])


def make_frame(book: Rulebook, setting: Setting, edge: Limits, prior: str, age_years: int | None, because: str) -> str:
    """The sentence with places for its chances."""
    words = book.wording.certainty
    place, at_edge = words[setting], tell_edge(book, edge)
    if prior == "none":
        return words["alone"].format(setting=place, edge=at_edge, flat="{flat}", because=words[f"no-prior-{because}"])
    people = tell_prior(book, prior, age_years)
    return words["with-prior"].format(setting=place, edge=at_edge, flat="{flat}", chance="{chance}", prior=people)


def no_frames(book: Rulebook, setting: Setting, prior: str, age_years: int | None, because: str) -> dict[Limits, str]:
    """The sentences of some grounds by their edges, none of them made yet."""
    return {}


frames_of = remembered(no_frames)


def tell_edge(book: Rulebook, edge: Limits) -> str:
    """An edge as a person reads it: either pressure is at or above 140/90."""
    words = book.wording.certainty
    if inf not in edge:
        return words["either"].format(edge=f"{edge[0]:g}/{edge[1]:g}")
    return words["diastolic" if edge[0] == inf else "systolic"].format(edge=f"{min(edge):g}")


def tell_prior(book: Rulebook, name: str, age_years: int | None) -> str:
    """Name of the people whose pressures the prior describes: US survey 2017–18, at 31 years."""
    words = book.wording.certainty
    if name == "tenant":
        return words["prior-tenant"]
    return words["prior-survey"].format(name=book.variability.priors[name].name, age=age_years)


def read_phrases(book: Rulebook) -> list[str]:
    """Every chance in words, by its whole per cent: 0 and 100 are those below 1 % and above 99 %."""
    words = book.wording.certainty
    between = [words["per-cent"].format(per_cent=per_cent) for per_cent in range(1, 100)]
    return [words["hardly-ever"], *between, words["nearly-always"]]


phrases_of = remembered_alone(read_phrases)


def per_cent_of(chance: float) -> int:
    """A chance in whole per cent, 0 or 100 only where it is beyond 1 % or 99 %: 0.9951 gives 100, and 0.99 gives 99."""
    if 0.01 <= chance <= 0.99:
        return floor(100 * chance + 0.5)
    return 100 if chance > 0.99 else 0
