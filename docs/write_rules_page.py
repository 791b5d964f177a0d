"""Writes docs/rules.md from the rule files: ``python docs/write_rules_page.py``. A test compares the two."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from quietcuff.core.rules import Edge, Guideline, Limits, Population, Protocol, Range, Row, Rulebook
from quietcuff.rules.catalog import load_rulebook

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
    "stable-pair": "the first stable pair",
}
ARMS = {"both": "both, then the higher", "both-at-first-visit": "both at a first visit, then the higher", "one": "one"}
EXTRA = {
    "last-two-differ": "One more while the last two differ by more than {by}.",
    "first-two-differ": "One more when the first two differ by more than {by}.",
    "neighbours-differ": "One more when any two neighbours differ by more than {by}, then while the last two do.",
    "stable-pair": "One more until two neighbours are less than {by} apart.",
}
PREGNANCY = {"never": "not in pregnancy", "only": "in pregnancy only"}


def page() -> str:
    """The whole page."""
    book = load_rulebook()
    parts = [OPENING, *protocols(book), *guidelines(book), *situations(book), *limits(book)]
    parts += [*effects(book), *cuffs(book), *findings(book), *sentences(book), *sources(book)]
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
        yield f"A first reading more than {above:g} mmHg above the second is dropped for its value."
    if protocol.one_may_do_below is not None:
        yield f"One reading does below {edge(protocol.one_may_do_below)}."
    if protocol.repeat_pair_above_mmhg is not None:
        yield f"A first pair of arms more than {protocol.repeat_pair_above_mmhg:g} mmHg apart is repeated."
    if protocol.interval_excludes:
        yield "Readings closer than the interval do not count."
    if protocol.single_severe_counts:
        yield "A single severe reading is given as severe, not yet confirmed."
    if not protocol.classifies:
        yield "It gives no category."


def guidelines(book: Rulebook) -> Iterator[str]:
    yield "## Guidelines: what a result is called\n"
    yield "The reported whole numbers are compared; the higher row of the two pressures decides.\n"
    for guideline in book.guidelines.values():
        yield from one_guideline(guideline)


def one_guideline(guideline: Guideline) -> Iterator[str]:
    yield f"### `{guideline.id}` version {guideline.version}: {guideline.title}\n"
    yield f"For {population(guideline.population)}. {guideline.note}".rstrip() + "\n"
    yield from table(("category", "label", "when", "confirm", "source"), (guideline_row(row) for row in guideline.rows))
    for pattern in guideline.isolated:
        high, other = ("systolic", "diastolic") if pattern.code == "isolated-systolic" else ("diastolic", "systolic")
        limits = f"{high} {pattern.at_or_above_mmhg:g} or more with {other} below {pattern.other_below_mmhg:g}"
        yield f"- Finding `{pattern.code}`: {limits} {keys(pattern.source)}."
    if guideline.isolated:
        yield ""


def guideline_row(row: Row) -> tuple[str, ...]:
    confirm = ""
    if row.confirm is not None:
        within = f" within {row.confirm_within_days} days" if row.confirm_within_days is not None else ""
        confirm = f"{row.confirm.replace('-', ' ')}{within} {keys(row.confirm_source)}"
    name = f"`{row.category}`" + (f", unconfirmed `{row.unconfirmed_category}`" if row.unconfirmed_category else "")
    return (name, row.label, row.basis, confirm, keys(row.source))


def population(who: Population) -> str:
    to = f" to under {who.age_below_years}" if who.age_below_years is not None else ""
    unknown = "age unknown: " + ("provisional" if who.age_unknown == "provisional" else "no category")
    people = f"people from {who.age_from_years}{to} years, {PREGNANCY[who.pregnancy]}"
    return f"{people}; {', '.join(who.settings)}; {unknown} {keys(who.source)}"


def situations(book: Rulebook) -> Iterator[str]:
    yield "## What rules where the caller names nothing\n"
    names = ("first_visit", "follow_up", "unattended", "expecting", "under_18", "home")
    chosen = ((name, getattr(book.defaults, name)) for name in names)
    rows = ((name.replace("_", " "), f"`{it.protocol}`", ", ".join(f"`{g}`" for g in it.guidelines)) for name, it in chosen)
    yield from table(("situation", "protocol", "guidelines"), rows)


def limits(book: Rulebook) -> Iterator[str]:
    yield "## Limits that hold under every protocol and guideline\n"
    names = [name for name in Limits.__struct_fields__ if name != "source"]
    rows = ((f"`{name}`", limit(getattr(book.limits, name)), keys(book.limits.source[name])) for name in names)
    yield from table(("limit", "value", "source"), rows)


def limit(value: Edge | Range | float) -> str:
    if isinstance(value, Edge):
        return f"{edge(value)} or more, either"
    return f"{value.lowest:g} to {value.highest:g}" if isinstance(value, Range) else f"{value:g}"


def edge(value: Edge) -> str:
    return f"{value.systolic_mmhg:g}/{value.diastolic_mmhg:g}"


def effects(book: Rulebook) -> Iterator[str]:
    yield "## What conditions do to a reading, as published\n"
    yield "Shown with the finding, never subtracted from a reading. Empty: no significant size was published.\n"
    rows = (
        (f"`{code}`", it.direction, span(it.systolic_mmhg), span(it.diastolic_mmhg), keys(it.source))
        for code, it in book.effects.items()
    )
    yield from table(("finding", "direction", "systolic", "diastolic", "source"), rows)


def span(size: tuple[float, float] | None) -> str:
    return "" if size is None else f"{size[0]:g} to {size[1]:g}"


def cuffs(book: Rulebook) -> Iterator[str]:
    yield "## Cuffs\n"
    yield "A cuff's own printed range and mark come first; the table helps where they are not known.\n"
    for cuff_table in book.cuffs.values():
        rows = ((f"`{it.size}`", f"{it.from_cm:g} to {it.to_cm:g} cm") for it in cuff_table.sizes)
        yield f"`{cuff_table.id}` version {cuff_table.version}: {cuff_table.title} {keys(cuff_table.source)}\n"
        yield from table(("size", "mid-arm circumference"), rows)


def findings(book: Rulebook) -> Iterator[str]:
    yield "## Findings, in the words that people read\n"
    rows = ((f"`{code}`", it.severity, it.message, keys(it.source)) for code, it in book.wording.finding.items())
    yield from table(("code", "severity", "message", "source"), rows)


def sentences(book: Rulebook) -> Iterator[str]:
    for title, words in (
        ("Reasons of next steps", book.wording.step),
        ("Safety sentences", book.wording.safety),
        ("Cautions", book.wording.caution),
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
