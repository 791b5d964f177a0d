"""The record sheet as plain text and as a page that loads nothing, runs nothing and prints."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from textwrap import wrap

from quietcuff.core.record.sheet import Sheet
from quietcuff.core.record.sheet_sections import SheetSection

WIDTH = 100
STYLE = """
:root{color-scheme:light dark;--line:color-mix(in srgb,currentColor 25%,transparent)}
*{box-sizing:border-box}
body{font:1rem/1.4 system-ui,sans-serif;max-width:64rem;margin:0 auto;padding:1rem}
h1{font-size:1.4rem;margin:0 0 .5rem}
h2{font-size:1rem;margin:1.2rem 0 .3rem;border-bottom:2px solid;padding-bottom:.1rem}
.notice{border:2px solid;padding:.3rem .6rem;font-weight:700;margin:.4rem 0}
dl{margin:0}
dl div{display:grid;grid-template-columns:12.5rem minmax(0,1fr);gap:0 .8rem;padding:.1rem 0}
dt{font-weight:600}
dd{margin:0;overflow-wrap:anywhere}
.wide{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums;font-size:.9rem}
caption{text-align:left;padding:.2rem 0}
th,td{text-align:left;vertical-align:top;padding:.2rem .6rem .2rem 0;border-bottom:1px solid var(--line)}
th{white-space:nowrap}
td:nth-child(-n+6){white-space:nowrap}
td{overflow-wrap:break-word;max-width:16rem}
footer{margin-top:1.2rem;border-top:1px solid var(--line);padding-top:.4rem;font-size:.85rem}
@media(max-width:60rem){table{min-width:58rem}}
@media(max-width:40rem){dl div{display:block;padding:.25rem 0}}
@page{size:A4;margin:9mm 11mm}
@media print{
:root{color-scheme:light}
body{font-size:7.8pt;line-height:1.22;max-width:none;padding:0}
h1{font-size:12pt;margin:0 0 1mm}
h2{font-size:8.6pt;margin:2mm 0 .6mm;border-width:1px;break-after:avoid}
dl div{grid-template-columns:22mm minmax(0,1fr);padding:.1mm 0;break-inside:avoid}
.notice{padding:1mm 2mm;margin:1mm 0}
.wide{overflow:visible}
table{font-size:7.4pt;min-width:0}
thead{display:table-header-group}
tr{break-inside:avoid}
th,td{padding:.4mm 2mm .4mm 0}
h1+section dl,.notice+section dl{columns:2;column-gap:6mm}
.after{columns:3;column-gap:5mm;margin-top:2.5mm}
.after section{padding-top:1mm}
.after section h2{margin-top:0}
.after dl div{display:block;padding-left:2mm;text-indent:-2mm}
.after dt,.after dd{display:inline}
.after dt::after{content:": "}
footer{margin-top:2mm;padding-top:1mm;font-size:7pt}
}
"""


def sheet_text(sheet: Sheet) -> str:
    """The sheet as plain text, the columns of the table in line."""
    rows = [sheet.columns, *sheet.readings]
    widths = [max(len(row[column]) for row in rows) for column in range(len(sheet.columns))]
    table = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    lines = [sheet.title, "=" * len(sheet.title), *sheet.notices]
    for section in sheet.before:
        lines += _section_text(section)
    lines += ["", *_headed(sheet.readings_heading), sheet.summary, *table]
    for section in sheet.after:
        lines += _section_text(section)
    lines += ["", *wrap(" ".join(sheet.foot), WIDTH), ""]
    return "\n".join(lines)


def _section_text(section: SheetSection) -> Iterator[str]:
    if not section.lines:
        return
    yield ""
    yield from _headed(section.heading)
    for name, said in section.lines:
        yield from wrap(f"{name}: {said}", WIDTH, subsequent_indent="    ", break_on_hyphens=False) or [f"{name}:"]


def _headed(heading: str) -> Iterator[str]:
    yield heading
    yield "-" * len(heading)


def sheet_html(sheet: Sheet) -> str:
    """The sheet as a page of its own; every word from outside is escaped."""
    notices = "".join(f'<p class="notice">{escape(notice)}</p>\n' for notice in sheet.notices)
    return (
        f'<!doctype html>\n<html lang="{escape(sheet.language)}">\n<head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(sheet.title)}</title>\n<style>{STYLE}</style></head>\n<body>\n"
        f"<h1>{escape(sheet.title)}</h1>\n{notices}{_sections_html(sheet.before)}{_table_html(sheet)}"
        f'<div class="after">\n{_sections_html(sheet.after)}</div>\n'
        f"<footer>{escape(' '.join(sheet.foot))}</footer>\n</body>\n</html>\n"
    )


def _sections_html(sections: list[SheetSection]) -> str:
    return "".join(
        f"<section><h2>{escape(section.heading)}</h2>\n<dl>\n"
        + "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(said)}</dd></div>\n" for name, said in section.lines)
        + "</dl></section>\n"
        for section in sections
        if section.lines
    )


def _table_html(sheet: Sheet) -> str:
    head = "".join(f'<th scope="col">{escape(column)}</th>' for column in sheet.columns)
    rows = "\n".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in sheet.readings)
    heading = escape(sheet.readings_heading)
    return (
        f'<section><h2>{heading}</h2>\n<div class="wide" tabindex="0" role="region" aria-label="{heading}">'
        f"<table><caption>{escape(sheet.summary)}</caption>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody></table>"
        "</div></section>\n"
    )
