"""The record sheet as plain text and as a page that loads nothing, runs nothing and prints."""

from __future__ import annotations

from html import escape

from quietcuff.core.sheet import HEADINGS, Sheet

STYLE = (
    ":root{color-scheme:light dark}body{font:10pt/1.35 system-ui,sans-serif;max-width:60rem;margin:1rem auto;padding:0 1rem}"
    "h1{font-size:1.3em}.wide{overflow-x:auto}table{border-collapse:collapse}th,td{text-align:left;padding:.15em .5em;"
    "border-bottom:1px solid;vertical-align:top}dl{columns:20rem}dl div{break-inside:avoid}dt{font-weight:600;display:inline}"
    "dt::after{content:': '}dd{display:inline;margin:0;overflow-wrap:anywhere}"
    "@page{size:A4;margin:12mm}@media print{body{font-size:8pt;margin:0;max-width:none}thead{display:table-header-group}"
    "tr{break-inside:avoid}}"
)


def sheet_text(sheet: Sheet) -> str:
    """The sheet as plain text, the columns of the table in line."""
    rows = [HEADINGS, *sheet.readings]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    table = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "\n".join([sheet.title, "", *table, "", *(f"{name}: {said}" for name, said in sheet.lines), ""])


def sheet_html(sheet: Sheet) -> str:
    """The sheet as a page of its own; every word from outside is escaped."""
    head = "".join(f'<th scope="col">{escape(heading)}</th>' for heading in HEADINGS)
    rows = "\n".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in sheet.readings)
    lines = "\n".join(f"<div><dt>{escape(name)}</dt><dd>{escape(said)}</dd></div>" for name, said in sheet.lines)
    return (
        '<!doctype html>\n<html lang="en">\n<head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(sheet.title)}</title>\n<style>{STYLE}</style></head>\n<body>\n<h1>{escape(sheet.title)}</h1>\n"
        f'<div class="wide"><table><thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody></table></div>\n'
        f"<dl>\n{lines}\n</dl>\n</body>\n</html>\n"
    )
