"""The report on measuring over stored sittings: what was asked, computed section by section."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import msgspec
import numpy as np

from quietcuff.analytics.quality.advice import find_faults, summary_of, things_of, value_fault
from quietcuff.analytics.quality.arrays import Array
from quietcuff.analytics.quality.compared import By, funnel_of, month_chart
from quietcuff.analytics.quality.figures import share_figure
from quietcuff.analytics.quality.measures import Share, all_shares
from quietcuff.analytics.quality.number_faults import Numbers, gather_numbers
from quietcuff.analytics.quality.number_figures import digit_figures, heap_figures, interval_counts, number_figures
from quietcuff.analytics.quality.repeats import Pairs, neighbours, spread_of
from quietcuff.analytics.quality.sets import SittingColumns, sittings_from_tables
from quietcuff.analytics.quality.shapes import MIN_ELIGIBLE, Figure, Filters, QualityGroup, Report, Section
from quietcuff.analytics.quality.shift_figures import shift_figures
from quietcuff.analytics.quality.words import QualityRules
from quietcuff.core.rulebook.rulebook import Rulebook

EPOCH = date(1970, 1, 1)
CHARTED = ("both-arms", "rest-too-short", "sittings-complete", "cuff-too-small")
MOST_GROUPS = 40
SECTIONS = ("method", "preparation", "numbers", "certainty", "follow-up", "control")


def report_on(sets: Any, readings: Any, filters: Filters, rules: QualityRules, rulebook: Rulebook) -> Report:
    """The report on the Arrow tables ``sets`` and ``readings``, of the sittings that the filters leave."""
    sittings = sittings_from_tables(sets, readings, until=filters.until)
    return report_on_sittings(choose(sittings, filters), filters, rules, rulebook)


def choose(sittings: SittingColumns, filters: Filters) -> SittingColumns:
    """The sittings that the filters leave. A later sitting elsewhere still counts as one: people are followed everywhere."""
    mask = np.ones(len(sittings), bool)
    if filters.since is not None:
        mask &= sittings.day >= (filters.since - EPOCH).days
    if filters.until is not None:
        mask &= sittings.day <= (filters.until - EPOCH).days
    for name in ("location", "observer", "device", "protocol", "setting"):
        wanted = getattr(filters, name)
        if wanted is not None:
            mask &= sittings.words[name].are(wanted)
    return sittings.chosen(mask)


class Computed(msgspec.Struct, frozen=True, kw_only=True):
    """The parts of a report."""

    sittings: SittingColumns
    shares: dict[str, Share]
    numbers: Numbers


def compute(sittings: SittingColumns, as_of: int, rules: QualityRules, rulebook: Rulebook) -> Computed:
    """The shares and numbers of some sittings."""
    pairs = pairs_of(sittings)
    spread = spread_of(rulebook.variability.within, pairs)
    shares = shares_of(sittings, pairs, as_of, rules, rulebook)
    return Computed(sittings=sittings, shares=shares, numbers=gather_numbers(sittings, pairs, spread))


def pairs_of(sittings: SittingColumns) -> Pairs:
    """The readings that follow each other in a sitting."""
    readings = sittings.readings
    return neighbours(readings.sets, readings.systolic, readings.diastolic)


def shares_of(sittings: SittingColumns, pairs: Pairs, as_of: int, rules: QualityRules, rulebook: Rulebook) -> dict[str, Share]:
    """The shares of some sittings, by the settings of the rules."""
    settings = rules.settings
    return all_shares(
        sittings,
        rulebook,
        pairs,
        rest_seconds=settings.rest_seconds,
        as_of=as_of,
        seen_again_days=settings.severe_seen_again_days,
    )


def as_of_day(sittings: SittingColumns, filters: Filters) -> int:
    """The day as of which people had to be seen: the last one asked for, else the newest of any sitting."""
    return (filters.until - EPOCH).days if filters.until is not None else int(sittings.day.max(initial=0))


def report_on_sittings(sittings: SittingColumns, filters: Filters, rules: QualityRules, rulebook: Rulebook) -> Report:
    """The report on sittings that were chosen."""
    words, guideline = rules.words, rulebook.guidelines[rules.settings.guideline]
    if len(sittings) < MIN_ELIGIBLE:
        return empty(sittings, filters, rules)
    as_of = as_of_day(sittings, filters)
    done = compute(sittings, as_of, rules, rulebook)
    found = find_faults(sittings, done.shares, done.numbers, rules)
    valued = [(fault, value_fault(fault, sittings, done.numbers, rules, rulebook, guideline)) for fault in found]
    things = things_of(valued, sittings, rules)
    charted = list(dict.fromkeys([*(_figure_of(thing.code, rules) for thing in things), *CHARTED]))
    shown = [code for code in charted if code in done.shares or code == "zeros-systolic"]
    return msgspec.structs.replace(
        empty(sittings, filters, rules),
        summary=summary_of(things, done.shares, len(sittings), words, MIN_ELIGIBLE),
        things=things,
        sections=[
            Section(code=code, title=words[code], figures=section_figures(code, done, rules, full=True)) for code in SECTIONS
        ],
        digits=digit_figures(done.numbers, rules),
        heaping=heap_figures(done.numbers, rules),
        intervals_seconds=interval_counts(sittings.readings.seconds),
        shift=shift_figures(sittings, done.shares, rulebook, guideline, rules),
        months=months(done, shown, rules),
        funnels=funnels(done, shown, rules),
        groups=groups(sittings, filters, as_of, rules, rulebook),
    )


def _figure_of(code: str, rules: QualityRules) -> str:
    if code in ("rounded", "copied", "avoided"):
        return "never-vary" if code == "copied" else "zeros-systolic"
    return rules.faults[code].figure or code


def empty(sittings: SittingColumns, filters: Filters, rules: QualityRules) -> Report:
    """A report that has counts and cautions, and nothing else yet."""
    n, words = len(sittings), rules.words
    return Report(
        title=words["title"],
        filters=filters,
        first_day=EPOCH + timedelta(days=int(sittings.day.min())) if n else None,
        last_day=EPOCH + timedelta(days=int(sittings.day.max())) if n else None,
        sittings=n,
        people=len(np.unique(sittings.person[sittings.person >= 0])),
        readings=len(sittings.readings.sets),
        guideline=rules.settings.guideline,
        summary=[words["too-few"].format(sittings=n)],
        things=[],
        sections=[],
        digits=[],
        heaping=[],
        intervals_seconds=[],
        shift=None,
        months=[],
        funnels=[],
        groups=[],
        cautions=rules.cautions.lines,
    )


def section_figures(section: str, done: Computed, rules: QualityRules, *, full: bool) -> list[Figure]:
    """The figures of one question. ``full`` simulates what chance gives."""
    made = number_figures(done.sittings, done.numbers, rules, full=full) if section in ("method", "numbers") else {}
    figures = []
    for code, rule in rules.figures.items():
        if rule.section != section:
            continue
        if code in made:
            figures.append(made[code])
        elif code in done.shares:
            figures.append(share_figure(code, rule, done.shares[code]))
    return figures


def months(done: Computed, shown: list[str], rules: QualityRules) -> list[Any]:
    """The shares of the things to mend and a few others, by month."""
    at, zeros = zeros_of(done)
    by_reading = msgspec.structs.replace(done.sittings, day=done.sittings.day[at])
    charts = [
        month_chart(code, rules.figures[code].title, done.shares[code], done.sittings, rules.words)
        for code in shown
        if code in done.shares
    ]
    zeros_chart = month_chart("zeros-systolic", rules.figures["zeros-systolic"].title, zeros, by_reading, rules.words)
    charts.insert(0 if shown[:1] == ["zeros-systolic"] else len(charts), zeros_chart)
    return [chart for chart in charts if chart is not None]


def funnels(done: Computed, shown: list[str], rules: QualityRules) -> list[Any]:
    """The same shares, and the zeros, by observer, device and room."""
    places: tuple[By, ...] = ("observer", "device", "location")
    found = []
    for by in places:
        zeros = zeros_by_reading(done, by, rules)
        found += [zeros] if zeros is not None else []
        for code in shown:
            if code not in done.shares:
                continue
            chart = funnel_of(code, rules.figures[code].title, done.shares[code], done.sittings, by)
            found += [chart] if chart is not None else []
    return found


def zeros_by_reading(done: Computed, by: By, rules: QualityRules) -> Any:
    """Systolic readings that end in 0, by place; a reading counts as one."""
    at, zeros = zeros_of(done)
    column = done.sittings.words[by]
    by_reading = msgspec.structs.replace(done.sittings, words={by: type(column)(column.codes[at], column.names)})
    return funnel_of("zeros-systolic", rules.figures["zeros-systolic"].title, zeros, by_reading, by)


def zeros_of(done: Computed) -> tuple[Array, Share]:
    """The sitting of each reading with both pressures, and the share of those whose systolic pressure ends in 0."""
    at = done.numbers.sets
    return at, Share(eligible=np.ones(len(at), bool), counted=done.numbers.digits["systolic"] == 0)


def groups(
    sittings: SittingColumns, filters: Filters, as_of: int, rules: QualityRules, rulebook: Rulebook
) -> list[QualityGroup]:
    """The figures of each part where the report is split, the largest parts first up to forty, in the order of their names."""
    if filters.by is None:
        return []
    column = sittings.words[filters.by]
    sizes = np.bincount(column.codes[column.codes >= 0], minlength=len(column.names))
    largest = [int(code) for code in np.argsort(-sizes, kind="stable")[:MOST_GROUPS] if sizes[code] > 0]
    parts = [(column.names[code], column.codes == code) for code in sorted(largest, key=lambda each: column.names[each])]
    if (column.codes < 0).any():
        parts.append(("not-recorded", column.codes < 0))
    found = []
    for name, mask in parts:
        done = compute(sittings.chosen(mask), as_of, rules, rulebook)
        figures = [figure for code in SECTIONS for figure in section_figures(code, done, rules, full=False)]
        found.append(QualityGroup(name=name, sittings=int(np.count_nonzero(mask)), figures=figures))
    return found
