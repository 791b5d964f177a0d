"""Kinds of problem as pages, for whoever follows a problem's address in a browser."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from html import escape

from quietcuff.api.pages.frame import framed
from quietcuff.api.problem_types import ProblemType

AFTER = "After any problem nothing was stored."


def problem_page(kind: ProblemType) -> bytes:
    """One kind of problem."""
    body = (
        f'<h1>{escape(kind.title)}</h1>\n<p class="lead">{in_html(kind.explanation)}</p>\n'
        f"<dl><div><dt>Status</dt><dd>{kind.status}</dd></div>\n<div><dt>Type</dt><dd><code>{kind.type}</code></dd></div></dl>\n"
        f'<p>{AFTER} <a href="../problems">All problems, and every code of a fault</a></p>'
    )
    return framed(kind.title, body, place="problems", depth=1)


def problems_page(kinds: Sequence[ProblemType], codes: Mapping[str, str]) -> bytes:
    """Every kind of problem, and every code of a fault."""
    rows = "".join(
        f'<tr><td>{kind.status}</td><th scope="row"><a href="{kind.type.removeprefix("/")}">{escape(kind.title)}</a></th>'
        f"<td>{in_html(kind.explanation)}</td></tr>\n"
        for kind in kinds
    )
    faults = "".join(
        f'<tr><th scope="row"><code>{code}</code></th><td>{in_html(text)}</td></tr>\n' for code, text in codes.items()
    )
    body = (
        f"<h1>Problems</h1>\n<p>Every error outside FHIR names one of these as its <code>type</code>. {AFTER}</p>\n"
        f"{table('Kinds of problem', ('Status', 'Problem', 'What it means'), rows)}"
        f"<h2>Codes of faults</h2>\n<p>A problem lists every fault with its place and one of these codes.</p>\n"
        f"{table('Codes of faults', ('Code', 'What it means'), faults)}"
    )
    return framed("Problems", body, place="problems")


def table(name: str, columns: Sequence[str], rows: str) -> str:
    """A table that scrolls by itself where the page is narrow."""
    heads = "".join(f'<th scope="col">{column}</th>' for column in columns)
    return (
        f'<div class="wide" tabindex="0" role="group" aria-label="{name}"><table>\n<thead><tr>{heads}</tr></thead>\n'
        f"<tbody>{rows}</tbody></table></div>\n"
    )


def in_html(text: str) -> str:
    """A text with code between back-quotes."""
    return re.sub(r"`([^`]+)`", r"<code>\1</code>", escape(text))
