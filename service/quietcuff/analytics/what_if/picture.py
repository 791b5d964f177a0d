"""A what-if as a picture: labels before on the left, after on the right, and a band for what goes from one to the other.

SVG by hand: it needs no plotting library, loads nothing, and follows a reader's dark mode.
"""

from __future__ import annotations

from collections.abc import Mapping
from xml.sax.saxutils import escape

from quietcuff.analytics.what_if.report import LabelMove, WhatIfReport

WIDTH, TOP, BARS, GAP, BAR = 640, 56, 300, 10, 14
LEFT, RIGHT = 190, WIDTH - 190 - BAR
NO_LABEL = "no label"
STYLE = (
    "text{font:13px sans-serif;fill:#1b1b1b}.h{font-weight:bold}.bar{fill:#555}.same{fill:#8a8a8a;opacity:.35}"
    ".moved{fill:#b3541e;opacity:.6}.page{fill:#fff}"
    "@media (prefers-color-scheme:dark){text{fill:#eee}.bar{fill:#bbb}.page{fill:#151515}.same{fill:#aaa}.moved{fill:#f0955a}}"
)


def draw_flow(report: WhatIfReport) -> str:
    """The picture of a report; every number in it stands in the report too."""
    befores, afters = counted(report.moves, before=True), counted(report.moves, before=False)
    total = sum(befores.values()) or 1
    height = TOP + BARS + GAP * max(len(befores), len(afters), 1) + 30
    left, right = tops(befores, total), tops(afters, total)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" role="img">',
        f"<title>{escape(title_of(report))}</title><style>{STYLE}</style>",
        f'<rect class="page" width="{WIDTH}" height="{height}"/>',
        f'<text class="h" x="{WIDTH / 2:.0f}" y="20" text-anchor="middle">{escape(title_of(report))}</text>',
        f'<text class="h" x="{LEFT}" y="44" text-anchor="end">as stored</text>',
        f'<text class="h" x="{RIGHT + BAR}" y="44">under the other rules</text>',
        *bands(report.moves, left, right, total),
        *bars(befores, left, total, x=LEFT, at_left=True),
        *bars(afters, right, total, x=RIGHT, at_left=False),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def title_of(report: WhatIfReport) -> str:
    return f"{report.moved} of {report.evaluated + report.untouched} sittings get another label"


def counted(moves: list[LabelMove], *, before: bool) -> dict[str, int]:
    """How many sittings have each label on one side, the most frequent first."""
    found: dict[str, int] = {}
    for move in moves:
        name = (move.before if before else move.after) or NO_LABEL
        found[name] = found.get(name, 0) + move.sets
    return dict(sorted(found.items(), key=lambda item: (-item[1], item[0])))


def tops(counts: Mapping[str, int], total: int) -> dict[str, float]:
    """Where each label's bar begins."""
    found, y = {}, float(TOP)
    for name, count in counts.items():
        found[name] = y
        y += BARS * count / total + GAP
    return found


def bands(moves: list[LabelMove], left: Mapping[str, float], right: Mapping[str, float], total: int) -> list[str]:
    """One band a move, those that stay where they are beneath."""
    from_y, to_y = dict(left), dict(right)
    found = []
    order = sorted(moves, key=lambda move: (move.before != move.after, list(right).index(move.after or NO_LABEL)))
    for move in order:
        before, after = move.before or NO_LABEL, move.after or NO_LABEL
        size, start, end = BARS * move.sets / total, from_y[before], to_y[after]
        from_y[before] += size
        to_y[after] += size
        found.append(band(start, end, size, "same" if before == after else "moved", f"{before} → {after}: {move.sets}"))
    return found


def band(start: float, end: float, size: float, kind: str, words: str) -> str:
    begin, middle, stop = LEFT + BAR, WIDTH / 2, RIGHT
    there = f"M{begin},{start:.1f}C{middle:.0f},{start:.1f} {middle:.0f},{end:.1f} {stop},{end:.1f}"
    back = f"V{end + size:.1f}C{middle:.0f},{end + size:.1f} {middle:.0f},{start + size:.1f} {begin},{start + size:.1f}Z"
    return f'<path class="{kind}" d="{there}{back}"><title>{escape(words)}</title></path>'


def bars(counts: Mapping[str, int], places: Mapping[str, float], total: int, *, x: int, at_left: bool) -> list[str]:
    """The bars of one side with their labels."""
    found = []
    text_x, anchor = (x - 8, "end") if at_left else (x + BAR + 8, "start")
    for name, count in counts.items():
        size = max(BARS * count / total, 1)
        middle = places[name] + size / 2 + 4
        found.append(f'<rect class="bar" x="{x}" y="{places[name]:.1f}" width="{BAR}" height="{size:.1f}"/>')
        words = f"{name}, {count}"
        found.append(f'<text x="{text_x}" y="{middle:.1f}" text-anchor="{anchor}">{escape(words)}</text>')
    return found
