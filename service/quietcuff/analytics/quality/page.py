"""The report as one page that loads nothing and runs nothing, for a screen of any width, dark or light, and for paper."""

from __future__ import annotations

from html import escape

from quietcuff.analytics.quality.advice import MOST_THINGS, where_in_words
from quietcuff.analytics.quality.page_style import STYLE
from quietcuff.analytics.quality.pictures import (
    digits_picture,
    funnel_picture,
    intervals_picture,
    months_picture,
    threshold_picture,
)
from quietcuff.analytics.quality.shapes import Figure, Filters, Funnel, HeapFigures, Report, Section, Thing
from quietcuff.analytics.quality.words import QualityRules, percent, short_code

NOTHING, EMPTY = "–", ' class="none"'
GROUP_FIGURES = ("both-arms", "rest-too-short", "cuff-too-small", "zeros-systolic", "identical-neighbours", "settled")


def quality_page(report: Report, rules: QualityRules) -> str:
    """The whole page; every word from outside is escaped."""
    words = rules.page
    title = escape(report.title)
    return (
        '<!doctype html>\n<html lang="en">\n<head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{title}</title>\n<style>{STYLE}</style></head>\n<body>\n<header><h1>{title}</h1>\n"
        f"<p>{escape(about(report, words))}</p>\n<p>{escape(words['not-medical'])}</p></header>\n<main>\n"
        f"{_first(report, rules)}{_pictures(report, rules)}{_figures(report, words)}{_shift(report, rules)}"
        f"{_groups(report, rules)}"
        f"</main>\n<footer>{''.join(f'<p>{escape(line)}</p>' for line in [*report.cautions, words['no-source']])}</footer>\n"
        "</body>\n</html>\n"
    )


def about(report: Report, words: dict[str, str]) -> str:
    """The subject of the report."""
    told = words["period"].format(
        first=report.first_day or words["none"],
        last=report.last_day or words["none"],
        sittings=f"{report.sittings:,}",
        people=f"{report.people:,}",
        readings=f"{report.readings:,}",
    )
    chosen = _chosen(report.filters, words)
    return f"{told} {words['filtered'].format(list=', '.join(chosen))}" if chosen else told


def _chosen(filters: Filters, words: dict[str, str]) -> list[str]:
    names = ("location", "observer", "device", "protocol", "setting")
    return [f"{words[name]} {short_code(value)}" for name in names if (value := getattr(filters, name)) is not None]


def _first(report: Report, rules: QualityRules) -> str:
    shown = report.things[:MOST_THINGS]
    if not shown:
        return f'<section class="first"><p class="lead">{escape(" ".join(report.summary))}</p></section>\n'
    rest = [sentence for sentence in report.summary[1 + 3 * len(shown) :]]
    items = "".join(f"<li>{_thing(thing, rules)}</li>\n" for thing in shown)
    return (
        f'<section class="first"><h2>{escape(rules.page["mend"])}</h2>\n<p class="lead">{escape(report.summary[0])}</p>\n'
        f"<ol>\n{items}</ol>\n{''.join(f'<p>{escape(sentence)}</p>' for sentence in rest)}</section>\n"
    )


def _thing(thing: Thing, rules: QualityRules) -> str:
    worth = rules.words[f"worth-{thing.worth.unit}"].format(worth=f"{thing.worth.a_year:,.0f}")
    return f"<strong>{escape(thing.what)}</strong> {escape(worth)} {escape(thing.how)}"


def _pictures(report: Report, rules: QualityRules) -> str:
    made = [*_digit_pictures(report, rules.page), *_compared_pictures(report, rules), *_reading_pictures(report, rules)]
    if not made:
        return ""
    figures = "".join(
        f"<figure><h3>{escape(title)}</h3>{picture}<figcaption>{escape(text)}</figcaption></figure>\n"
        for title, picture, text in made
    )
    return f'<section><h2>{escape(rules.page["pictures"])}</h2>\n<div class="pictures">\n{figures}</div></section>\n'


Made = tuple[str, str, str]


def _digit_pictures(report: Report, words: dict[str, str]) -> list[Made]:
    made = []
    for digits in report.digits:
        title = words["digits"].format(pressure=words[digits.pressure])
        text = words["digits-text"].format(
            zeros=percent(digits.zeros.value or 0.0),
            readings=f"{digits.readings:,}",
            pressure=words[digits.pressure],
            expected=percent(digits.expected_share),
            v=f"{digits.cramers_v:.2f}",
            p=chance(digits.p),
        )
        more = words["digits-scale"] if digits.step_mmhg == 2 else words["digits-line"]
        made.append((title, digits_picture(digits, title), f"{text} {more}"))
    return made


def chance(p: float) -> str:
    """A chance in words: 0.034, or below 0.001."""
    return "below 0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def _compared_pictures(report: Report, rules: QualityRules) -> list[Made]:
    words, made = rules.page, []
    observers = [funnel for funnel in report.funnels if funnel.by == "observer"] or report.funnels
    wanted = _first_code(report, rules)
    chosen = next((funnel for funnel in observers if funnel.code == wanted), observers[0] if observers else None)
    if chosen is not None:
        title = words["funnel"].format(title=chosen.title, by=words[chosen.by])
        made.append((title, funnel_picture(chosen, title), _funnel_text(chosen, rules)))
    if report.months:
        months = report.months[0]
        title = words["months"].format(title=months.title)
        text = words["months-text"].format(centre=percent(months.centre), sigma=f"{months.sigma_z:.1f}")
        made.append((title, months_picture(months, title), f"{text} {months.text}"))
    return made


def _first_code(report: Report, rules: QualityRules) -> str:
    if not report.things:
        return "zeros-systolic"
    code = report.things[0].code
    return rules.faults[code].figure or "zeros-systolic"


def _funnel_text(funnel: Funnel, rules: QualityRules) -> str:
    words = rules.page
    out = [place.code for place in funnel.places if place.stands_out]
    told = [words["funnel-text"].format(target=percent(funnel.target))]
    told.append(words["funnel-out"].format(list=where_in_words(out, rules.words)) if out else words["funnel-none"])
    told += [words["funnel-withheld"].format(count=funnel.withheld)] if funnel.withheld else []
    return " ".join(told)


def _reading_pictures(report: Report, rules: QualityRules) -> list[Made]:
    words, made = rules.page, []
    known = {figure.code: figure for section in report.sections for figure in section.figures}
    median, short = known.get("interval"), known.get("interval-too-short")
    if median is not None and median.value is not None and sum(report.intervals_seconds) > 0:
        title = words["intervals"]
        share = percent(short.value) if short is not None and short.value is not None else words["not-recorded"].lower()
        text = words["intervals-text"].format(median=f"{median.value:.0f}", short=share)
        made.append((title, intervals_picture(report.intervals_seconds, title), text))
    heap = _heap_to_show(report)
    if heap is not None:
        title = words["threshold"].format(threshold=heap.threshold_mmhg, pressure=words[heap.pressure])
        text = words["threshold-text"].format(below=f"{heap.below:,}", above=f"{heap.above:,}")
        made.append((title, threshold_picture(heap, title), f"{text} {_jump(heap, words)}".strip()))
    return made


def _heap_to_show(report: Report) -> HeapFigures | None:
    """The threshold with the strongest deficit, by default 140 systolic."""
    drawn = [heap for heap in report.heaping if heap.bins_from_mmhg and heap.p_deficit is not None]
    usual = [heap for heap in drawn if (heap.pressure, heap.threshold_mmhg) == ("systolic", 140)]
    if any(thing.code == "avoided" for thing in report.things):
        return min(drawn, key=lambda heap: heap.p_deficit or 0.0, default=None)
    return next(iter([*usual, *drawn]), None)


def _jump(heap: HeapFigures, words: dict[str, str]) -> str:
    if heap.log_ratio is None or heap.low is None or heap.high is None:
        return ""
    factor, low, high = (f"{2.718281828459045**each:.2f}" for each in (heap.log_ratio, heap.low, heap.high))
    return words["threshold-jump"].format(factor=factor, low=low, high=high)


def _figures(report: Report, words: dict[str, str]) -> str:
    return "".join(_section(section, words) for section in report.sections)


def _section(section: Section, words: dict[str, str]) -> str:
    shown = [figure for figure in section.figures if not figure.withheld]
    hidden = [figure.title.lower() for figure in section.figures if figure.withheld]
    heads = [words[name] for name in ("figure", "value", "interval", "eligible", "not-recorded", "expected")]
    head = "".join(f'<th scope="col">{escape(each)}</th>' for each in heads)
    rows = "".join(_row(figure, heads, words) for figure in shown)
    table = f"<table><thead><tr>{head}</tr></thead>\n<tbody>{rows}</tbody></table>\n" if shown else ""
    more = f'<p class="hidden">{escape(words["withheld"].format(list="; ".join(hidden)))}</p>' if hidden else ""
    return f"<section><h2>{escape(section.title)}</h2>\n{table}{more}</section>\n"


def _row(figure: Figure, heads: list[str], words: dict[str, str]) -> str:
    missing = f"{figure.not_recorded:,}" if figure.not_recorded else NOTHING
    expected = figure.expected.text if figure.expected is not None else NOTHING
    cells = [_number(figure, figure.value), _interval(figure), f"{figure.eligible:,}", missing, expected]
    is_out = outside(figure)
    mark = f' <strong class="out">{escape(words["outside"])}</strong>' if is_out else ""
    tds = "".join(
        f'<td data-head="{escape(head)}"{EMPTY if cell == NOTHING else ""}>{escape(cell)}{mark if place == 0 else ""}</td>'
        for place, (head, cell) in enumerate(zip(heads[1:], cells, strict=True))
    )
    return f'<tr><th scope="row">{escape(figure.title)}</th>{tds}</tr>\n'


def _number(figure: Figure, value: float | None) -> str:
    if value is None:
        return NOTHING
    if figure.kind == "share":
        return percent(value)
    return f"{value:,.0f} s" if figure.unit == "s" else f"{value:,.2f}"


def _interval(figure: Figure) -> str:
    low, high = _number(figure, figure.low), _number(figure, figure.high)
    return f"{low.removesuffix(' %').removesuffix(' s')} – {high}"


def outside(figure: Figure) -> bool:
    """True where the whole interval lies outside of what a well-run clinic gets."""
    expected = figure.expected
    if expected is None or figure.low is None or figure.high is None:
        return False
    above = expected.high is not None and figure.low > expected.high
    return above or (expected.low is not None and figure.high < expected.low)


def _shift(report: Report, rules: QualityRules) -> str:
    shift, words = report.shift, rules.page
    if shift is None:
        return ""
    told = [
        words["shift-text"].format(
            systolic=f"{shift.systolic_mmhg.mean:+.1f}",
            low=f"{shift.systolic_mmhg.low:+.1f}",
            high=f"{shift.systolic_mmhg.high:+.1f}",
            diastolic=f"{shift.diastolic_mmhg.mean:+.1f}",
        ),
        words["shift-labels"].format(
            too_high=f"{shift.labels_too_high.mean:,.0f}",
            high_low=f"{shift.labels_too_high.low:,.0f}",
            high_high=f"{shift.labels_too_high.high:,.0f}",
            too_low=f"{shift.labels_too_low.mean:,.0f}",
        ),
        words["shift-nobody"],
    ]
    heads = [words["shift-condition"], words["shift-sittings"], words["shift-range"]]
    rows = "".join(
        f'<tr><th scope="row">{escape(each.title)}</th><td data-head="{heads[1]}">{each.sittings:,}</td>'
        f'<td data-head="{escape(heads[2])}">{_range(each.systolic_mmhg)} / {_range(each.diastolic_mmhg)}</td></tr>\n'
        for each in shift.conditions
    )
    head = "".join(f'<th scope="col">{escape(each)}</th>' for each in heads)
    table = f"<table><thead><tr>{head}</tr></thead>\n<tbody>{rows}</tbody></table>" if rows else ""
    return f"<section><h2>{escape(rules.words['shift'])}</h2>\n<p>{escape(' '.join(told))}</p>\n{table}</section>\n"


def _range(ends: tuple[float, float] | None) -> str:
    return NOTHING if ends is None else f"{ends[0]:g} to {ends[1]:g}"


def _groups(report: Report, rules: QualityRules) -> str:
    if not report.groups or report.filters.by is None:
        return ""
    words = rules.page
    heads = [words["group"], words["sittings"], *(rules.figures[code].title for code in GROUP_FIGURES)]
    head = "".join(f'<th scope="col">{escape(each)}</th>' for each in heads)
    rows = []
    for group in report.groups:
        known = {figure.code: figure for figure in group.figures}
        cells = [f"{group.sittings:,}", *(_number(known[code], known[code].value) for code in GROUP_FIGURES)]
        tds = "".join(
            f'<td data-head="{escape(name)}">{escape(cell)}</td>' for name, cell in zip(heads[1:], cells, strict=True)
        )
        rows.append(f'<tr><th scope="row">{escape(short_code(group.name))}</th>{tds}</tr>\n')
    title = escape(words["groups"].format(by=words[report.filters.by]))
    return (
        f"<section><h2>{title}</h2>\n<table><thead><tr>{head}</tr></thead>\n<tbody>{''.join(rows)}</tbody></table></section>\n"
    )
