"""Writes docs/rules.md from the rule files: ``python docs/write_rules_page.py``. A test compares the two."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from quietcuff.core.rulebook.protocols import ClockWindow, DippingClass, HomeSeries, Recording, StandingTest
from quietcuff.core.rulebook.rulebook import (
    Bands,
    Edge,
    Effect,
    Guideline,
    LimitRange,
    Limits,
    Population,
    Protocol,
    Row,
    Rulebook,
)
from quietcuff.core.rulebook.variability import BetweenVisits, ByAge, Grounded, Prior
from quietcuff.rules.catalog import SITUATIONS, load_rulebook

PAGE = Path(__file__).with_name("rules.md")
OPENING = """# The rules in force

This page is made from the TOML files in `service/quietcuff/rules/` by `docs/write_rules_page.py`; change those, not this.
Pressures are mmHg. A key in brackets is a source, listed at the end with how well it was read. What no source settles is
marked as common practice, or as a decision of our own; those are told in [decisions.md](decisions.md).

Two things hold everywhere. A severe reading is seen before any rule selects readings, and stays in sight whatever the rules
do with it. And a label is a range of one guideline, never a diagnosis; bands of one guideline are not mixed with the
averaging of another without a finding that says so.
"""
COUNTS = {
    "all": "all valid readings",
    "last-two": "the last two",
    "lower-of-last-two": "the lower of the last two",
    "stable-pair": "the latest stable pair, else the last two",
    "series": "what the series keeps",
    "baseline": "the baseline before standing",
}
ARMS = {"both": "both, then the higher", "both-at-first-visit": "both at a first visit, then the higher", "one": "one"}
EXTRA = {
    "last-two-differ": "One more while the last two differ by more than {by}.",
    "first-two-differ": "One more when the first two differ by more than {by}.",
    "neighbours-differ": "One more when any two neighbours differ by more than {by}, then while the last two do.",
    "stable-pair": "One more until two neighbours are less than {by} apart.",
}
PREGNANCY = {"never": "not in pregnancy", "only": "in pregnancy only", "either": "in pregnancy or not"}
PARTS = {"home": "Home", "hours-24": "24 hours", "day": "Day", "night": "Night"}


def page() -> str:
    """The whole page."""
    book = load_rulebook()
    parts = [OPENING, *protocols(book), *guidelines(book), *references(book), *situations(book), *limits(book)]
    parts += [*effects(book), *cuffs(book), *variability(book), *findings(book), *sentences(book), *sources(book)]
    return "\n".join(parts)


def protocols(book: Rulebook) -> Iterator[str]:
    yield "## Protocols: how a sitting is done and which readings count\n"
    head = ("id", "arms", "planned", "least", "most", "counts", "interval", "source")
    yield from table(head, (protocol_row(protocol) for protocol in book.protocols.values()))
    for protocol in book.protocols.values():
        notes = list(protocol_notes(protocol))
        yield f"- **`{protocol.id}`** version {protocol.version}: {protocol.title}. {' '.join(notes)}".rstrip()
    yield ""


def protocol_row(protocol: Protocol) -> tuple[str, ...]:
    numbers = (str(protocol.planned), str(protocol.minimum), str(protocol.most))
    counts = COUNTS[protocol.counts] + (", the first left out" if protocol.first_dropped else "")
    interval = f"{protocol.interval_seconds} s"
    return (f"`{protocol.id}`", ARMS[protocol.arms], *numbers, counts, interval, keys(protocol.source))


def protocol_notes(protocol: Protocol) -> Iterator[str]:
    if protocol.note:
        yield protocol.note
    if protocol.extra.kind != "none":
        yield EXTRA[protocol.extra.kind].format(by=f"{protocol.extra.mmhg:g} mmHg {keys(protocol.extra.source)}")
    if protocol.first_dropped_above_second_by_mmhg is not None:
        above = protocol.first_dropped_above_second_by_mmhg
        of = f", if high and {' or '.join(protocol.first_dropped_methods)}," if protocol.first_dropped_methods else ""
        back = "unless a later one comes back to it"
        yield f"A first reading more than {above:g} mmHg above the second{of} is dropped for its value, {back}."
    if protocol.one_may_do_below is not None:
        yield f"One reading does below {edge(protocol.one_may_do_below)}."
    yield from measuring_notes(protocol)
    yield from kind_notes(protocol)
    if protocol.repeat_pair_above_mmhg is not None:
        yield f"A first pair of arms more than {protocol.repeat_pair_above_mmhg:g} mmHg apart is repeated."
    if protocol.interval_excludes:
        yield "Readings closer than the interval do not count."
    if not protocol.classifies:
        yield "It gives no category."


def measuring_notes(protocol: Protocol) -> Iterator[str]:
    if protocol.auscultated_decide_from is not None:
        yield f"{protocol.auscultated_decide_from} auscultated readings give the result where there are others too."
    if protocol.preferred_arm is not None:
        yield f"The {protocol.preferred_arm.replace('-', ' ')} is preferred."
    if not protocol.wrist_counts:
        yield "Wrist readings do not count."


def kind_notes(protocol: Protocol) -> Iterator[str]:
    if isinstance(protocol.series, HomeSeries):
        yield home_note(protocol.series)
    if isinstance(protocol.series, Recording):
        yield recording_note(protocol.series)
    if protocol.standing is not None:
        yield standing_note(protocol.standing)


def home_note(series: HomeSeries) -> str:
    plan = f"{series.planned_days} days of {series.sittings_a_day} times {series.readings_a_sitting}"
    least = f"at least {series.minimum_readings} on {series.minimum_days} days must be left"
    windows = f"Morning {hours(series.morning)}, evening {hours(series.evening)}"
    return f"Planned are {plan}; {least}, within {series.span_days} days. {windows} {keys(series.source)}."


def recording_note(series: Recording) -> str:
    windows = f"Day {hours(series.day)}, night {hours(series.night)}"
    share = f", and {series.minimum_valid_share:.0%} of the attempts" if series.minimum_valid_share else ""
    least = f"Valid from {series.minimum_day} readings by day and {series.minimum_night} by night{share}"
    fall = "; ".join(dipping_limit(each) for each in series.dipping)
    return f"{windows}. {least}. Fall by night: {fall} {keys(series.source)}."


def dipping_limit(each: DippingClass) -> str:
    if each.percent is None:
        return each.name
    return f"{each.name} {'above' if each.edge == 'above' else 'from'} {each.percent:g} %"


def hours(window: ClockWindow) -> str:
    return f"{window.from_hour:g} to {window.to_hour:g} h"


def standing_note(test: StandingTest) -> str:
    moments = " and ".join(f"{minutes:g}" for minutes in test.minutes)
    figures = (
        f"`{name}` {figure(getattr(test, name))} {keys(source)}" for name, source in test.source.items() if name != "minutes"
    )
    return f"Standing readings at {moments} minutes {keys(test.source['minutes'])}. Figures: {'; '.join(figures)}."


def figure(value: Edge | float) -> str:
    return edge(value) if isinstance(value, Edge) else f"{value:g}"


def guidelines(book: Rulebook) -> Iterator[str]:
    yield "## Guidelines: what a result is called\n"
    yield "The reported whole numbers are compared; the higher row of the two pressures decides.\n"
    for guideline in book.guidelines.values():
        yield from one_guideline(guideline)


def one_guideline(guideline: Guideline) -> Iterator[str]:
    yield f"### `{guideline.id}` version {guideline.version}: {guideline.title}\n"
    yield f"For {population(guideline.population)}. {guideline.note}".rstrip() + "\n"
    yield from table(("category", "label", "when", "confirm", "source"), (guideline_row(row) for row in guideline.rows))
    for bands in guideline.out_of_office:
        yield f"{PARTS[bands.part]}{'' if bands.decides else ' (told, does not decide)'} {keys(bands.source)}:\n"
        yield from table(("category", "label", "when", "source"), bands_rows(bands))
    for pattern in guideline.isolated:
        high, other = ("systolic", "diastolic") if pattern.code == "isolated-systolic" else ("diastolic", "systolic")
        limits = f"{high} {pattern.at_or_above_mmhg:g} or more with {other} below {pattern.other_below_mmhg:g}"
        yield f"- Finding `{pattern.code}`: {limits} {keys(pattern.source)}."
    if guideline.isolated:
        yield ""


def bands_rows(bands: Bands) -> Iterator[tuple[str, ...]]:
    return ((f"`{row.category}`", row.label, row.basis, keys(row.source)) for row in bands.rows)


def guideline_row(row: Row) -> tuple[str, ...]:
    confirm = ""
    if row.confirm is not None:
        within = f" within {row.confirm_within_days} days" if row.confirm_within_days is not None else ""
        also = ", and out of office" if row.also_out_of_office else ""
        confirm = f"{row.confirm.replace('-', ' ')}{within}{also} {keys(row.confirm_source)}"
    name = f"`{row.category}`" + (f", unconfirmed `{row.unconfirmed_category}`" if row.unconfirmed_category else "")
    basis = row.basis if row.raised else f"{row.basis}; not raised"
    return (name, row.label, basis, confirm, keys(row.source))


def population(who: Population) -> str:
    to = f" to under {who.age_below_years}" if who.age_below_years is not None else ""
    unknown = "age unknown: " + ("provisional" if who.age_unknown == "provisional" else "no category")
    people = f"people from {who.age_from_years}{to} years, {PREGNANCY[who.pregnancy]}"
    return f"{people}; {', '.join(who.settings)}; {unknown} {keys(who.source)}"


def references(book: Rulebook) -> Iterator[str]:
    yield "## References for children\n"
    for pressure in book.pressures.values():
        yield f"`{pressure.id}` version {pressure.version}: {pressure.title}. {pressure.note} {keys(pressure.source)}\n"
        yield f"Mean = constant + powers 1 to 4 of (years - {pressure.age_origin_years:g}) and of the height's z.\n"
        rows = (
            (it.sex, it.pressure, f"{it.constant:g}", series_of(it.age), series_of(it.height), f"{it.sd_mmhg:g}")
            for it in pressure.equations
        )
        yield from table(("sex", "pressure", "constant", "age", "height", "spread"), rows)
    for height in book.heights.values():
        spans = ", ".join(f"{it.sex} {it.measured} {it.from_months:g} to {it.below_months:g} months" for it in height.tables)
        yield f"`{height.id}` version {height.version}: {height.title}. {height.note} Tables: {spans} {keys(height.source)}\n"
    for screening in book.screening.values():
        yield f"`{screening.id}` version {screening.version}: {screening.title}. {screening.note} {keys(screening.source)}\n"
        values = ((f"{row.age_years}", edge(row.female), edge(row.male)) for row in screening.rows)
        yield from table(("from years", "female", "male"), values)


def series_of(numbers: Iterable[float]) -> str:
    return ", ".join(f"{number:g}" for number in numbers)


def situations(book: Rulebook) -> Iterator[str]:
    yield "## What rules where the caller names nothing\n"
    chosen = ((name, getattr(book.defaults, name)) for name in SITUATIONS)
    rows = ((name.replace("_", " "), f"`{it.protocol}`", ", ".join(f"`{g}`" for g in it.guidelines)) for name, it in chosen)
    yield from table(("situation", "protocol", "guidelines"), rows)


def limits(book: Rulebook) -> Iterator[str]:
    yield "## Limits that hold under every protocol and guideline\n"
    names = [name for name in Limits.__struct_fields__ if name != "source"]
    rows = ((f"`{name}`", limit(getattr(book.limits, name)), keys(book.limits.source[name])) for name in names)
    yield from table(("limit", "value", "source"), rows)


def limit(value: Edge | LimitRange | float) -> str:
    if isinstance(value, Edge):
        return f"{edge(value)} or more, either"
    return f"{value.lowest:g} to {value.highest:g}" if isinstance(value, LimitRange) else f"{value:g}"


def edge(value: Edge) -> str:
    return f"{value.systolic_mmhg:g}/{value.diastolic_mmhg:g}"


def effects(book: Rulebook) -> Iterator[str]:
    yield "## What conditions do to a reading, as published\n"
    yield "Shown with the finding, never subtracted from a reading. Empty: no significant size was published.\n"
    rows = (
        (f"`{code}`", it.direction, span(it.systolic_mmhg), span(it.diastolic_mmhg), settled(it), keys(it.source))
        for code, it in book.effects.items()
    )
    yield from table(("finding", "direction", "systolic", "diastolic", "put right", "source"), rows)


def settled(effect: Effect) -> str:
    if not effect.correctable:
        return ""
    return f"after {effect.settle_minutes:g} min" if effect.settle_minutes else "at once"


def span(size: tuple[float, float] | None) -> str:
    return "" if size is None else f"{size[0]:g} to {size[1]:g}"


def cuffs(book: Rulebook) -> Iterator[str]:
    yield "## Cuffs\n"
    yield "A cuff's own printed range and mark come first; the table helps where they are not known.\n"
    for cuff_table in book.cuffs.values():
        rows = ((f"`{it.size}`", f"{it.from_cm:g} to {it.to_cm:g} cm") for it in cuff_table.sizes)
        yield f"`{cuff_table.id}` version {cuff_table.version}: {cuff_table.title} {keys(cuff_table.source)}\n"
        yield from table(("size", "mid-arm circumference"), rows)


def variability(book: Rulebook) -> Iterator[str]:
    yield "## How much a pressure varies\n"
    yield "What the certainty of a label is computed from; how, is told in [certainty.md](certainty.md).\n"
    yield from table(("entry", "value", "ground", "source", "note"), variability_rows(book))


def variability_rows(book: Rulebook) -> Iterator[tuple[str, ...]]:
    known = book.variability
    for name, visits in known.between.items():
        yield variability_row(f"between.{name}", between(visits), visits)
    older = known.older
    yield variability_row("older", f"from {older.from_years} to {older.to_years} years", older)
    within = known.within
    both = f"{within.systolic_sd_mmhg:g}/{within.diastolic_sd_mmhg:g}"
    alike = f"{within.systolic_autocorrelation:g}/{within.diastolic_autocorrelation:g}"
    text = f"standard deviation {both}, between neighbours {alike}, correlation {within.correlation:g}"
    yield variability_row("within", text, within)
    yield variability_row("irregular", f"deviation times {known.irregular.deviation_times:g}", known.irregular)
    days = known.series
    text = (
        f"at least {days.least_readings} readings on {days.least_days} days; full at {days.full_days}, share {days.day_share:g}"
    )
    yield variability_row("series", text, days)
    for name, added in known.corrections.items():
        value = f"{added.systolic_mmhg:g}/{added.diastolic_mmhg:g}"
        text = f"add {value} to a mean of {added.readings}, variance {added.added_variance:g}"
        yield variability_row(f"corrections.{name}", text, added)
    for name, prior in known.priors.items():
        yield variability_row(f"priors.{name}", prior_text(prior), prior)
    own = known.tenant_fit
    text = f"{own.least_people} people; {own.least_people_with_two_visits} with two visits; a part from {own.least_share:g}"
    yield variability_row("tenant_fit", text, own)
    yield variability_row("device", f"standard deviation {known.device.sd_mmhg:g}", known.device)
    visits_text = f"at most {known.visits.window_days} days back; no bias: {', '.join(known.visits.reasons_without_bias)}"
    yield variability_row("visits", visits_text, known.visits)
    settling = known.settling
    ahead = f"{settling.most_readings} readings or {settling.most_visits} visits ahead"
    text = f"from {settling.settled_from:g}; looks at most {ahead}"
    yield variability_row("settling", text, settling)
    test = book.drift
    reached = ", ".join(f"{it.visits} visits {it.still:g} or {it.moving:g}" for it in test.limits)
    wrong = f"wrong in at most {100 * test.wrong_where_still:g} %, where values move {100 * test.wrong_where_moving:g} %"
    yield variability_row("change", f"{wrong}; the largest statistic reaches, of {reached}", test)


def variability_row(name: str, text: str, entry: Grounded) -> tuple[str, ...]:
    return (f"`{name}`", text, entry.basis, keys(entry.source), " ".join(entry.note.split()))


def between(entry: BetweenVisits) -> str:
    unit = "mmHg" if entry.unit == "mmhg" else "% of the level"
    who = "" if entry.group == "everyone" else f", {entry.group.replace('-', ' ')}"
    most = "" if entry.at_most_systolic is None else f", at most {entry.at_most_systolic:g}/{entry.at_most_diastolic:g}"
    return f"{entry.setting}{who}: {entry.systolic:g}/{entry.diastolic:g} {unit}{most}, correlation {entry.correlation:g}"


def prior_text(prior: Prior) -> str:
    parts = "; ".join(
        f"{words} {by_age(figures)}"
        for words, figures in (
            ("log odds to be in the higher part", prior.higher_log_odds),
            (f"lower systolic, standard deviation {prior.lower_systolic_sd_mmhg:g}:", prior.lower_systolic_mmhg),
            (f"higher systolic, standard deviation {prior.higher_systolic_sd_mmhg:g}:", prior.higher_systolic_mmhg),
            (f"diastolic at a systolic of {prior.line_at_systolic_mmhg:g}:", prior.diastolic_mmhg),
            ("diastolic by mmHg of systolic:", prior.diastolic_per_systolic),
            ("diastolic variance beside that:", prior.diastolic_variance),
        )
    )
    return f"{prior.name}, from {prior.from_years} years: {parts}"


def by_age(figures: ByAge) -> str:
    return ", ".join(f"{value:g} at {years}" for years, value in zip(figures.at_years, figures.value, strict=True))


def findings(book: Rulebook) -> Iterator[str]:
    yield "## Findings, in the words that people read\n"
    rows = ((f"`{code}`", it.severity, it.message, keys(it.source)) for code, it in book.wording.finding.items())
    yield from table(("code", "severity", "message", "source"), rows)


def sentences(book: Rulebook) -> Iterator[str]:
    for title, words in (
        ("Reasons of next steps", book.wording.step),
        ("Safety sentences", book.wording.safety),
        ("Cautions", book.wording.caution),
        ("What to prepare", book.wording.preparation),
        ("Patterns over sittings", book.wording.pattern),
        ("Sentences of certainty", book.wording.certainty),
        ("Why a reading does not count, a label is provisional or there is no result", book.wording.reason),
        ("Words of the record sheet", book.wording.sheet),
    ):
        yield f"## {title}\n"
        yield from table(("name", "sentence"), ((f"`{name}`", text) for name, text in words.items()))


def sources(book: Rulebook) -> Iterator[str]:
    yield "## Sources\n"
    yield "Published: read at the source. Secondary: read in a page that restates it. Memory: not read again.\n"
    rows = ((key, it.citation, it.mark) for key, it in sorted(book.sources.items()))
    yield from table(("key", "citation", "how well read"), rows)


def keys(sources: list[str]) -> str:
    return f"[{', '.join(sources)}]"


def table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> Iterator[str]:
    """A Markdown table and an empty line; a bar inside a cell is escaped."""
    yield f"| {' | '.join(head)} |"
    yield f"|{'---|' * len(head)}"
    for row in rows:
        yield f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in row)} |"
    yield ""


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
