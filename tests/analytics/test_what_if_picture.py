"""The picture of a what-if: every band is as high as its share, nothing is loaded, and words are escaped."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from xml.etree import ElementTree

import pytest

from quietcuff.analytics.what_if.picture import BARS, GAP, TOP, draw_flow
from quietcuff.analytics.what_if.report import Hypertensive, LabelMove, People, WhatIfReport
from quietcuff.analytics.what_if.what_if import WhatIf

NAMESPACE = {"svg": "http://www.w3.org/2000/svg"}
CELLS = {("normal", "normal"): 50, ("normal", "high<&>"): 30, ("stage-1", "high<&>"): 15, (None, "stage-1"): 5}


def report(cells: dict[tuple[str | None, str | None], int]) -> WhatIfReport:
    total = sum(cells.values())
    unknown = dict.fromkeys(("settled_before", "settled_after", "probability_before", "probability_after"))
    moves = [
        LabelMove(before=before, after=after, sets=count, share=count / total, **unknown)
        for (before, after), count in cells.items()
    ]
    return WhatIfReport(
        asked=WhatIf(guideline="esh-2023"),
        as_of=datetime(2026, 6, 1, tzinfo=UTC),
        rules_digest="sha256:0",
        sets=total,
        evaluated=total,
        untouched=0,
        refused={},
        moved=sum(count for (before, after), count in cells.items() if before != after),
        moves=moves,
        hypertensive=Hypertensive(sets=0, before=0, after=0, newly=0, no_longer=0),
        people=People(all=0, to_be_seen_before=0, to_be_seen_after=0, newly=0, no_longer=0),
        moved_people=None,
    )


def numbers(path: str) -> list[float]:
    return [float(number) for number in re.findall(r"-?[0-9]+(?:\.[0-9]+)?", path)]


def test_bands_are_as_high_as_their_share_and_bars_do_not_overlap() -> None:
    tree = ElementTree.fromstring(draw_flow(report(CELLS)))  # noqa: S314
    bands = {band.find("svg:title", NAMESPACE).text: band for band in tree.findall("svg:path", NAMESPACE)}  # type: ignore[union-attr]
    assert len(bands) == len(CELLS)
    for (before, after), count in CELLS.items():
        band = bands[f"{before or 'no label'} → {after or 'no label'}: {count}"]
        assert band.get("class") == ("same" if before == after else "moved")
        _, first, *_, last = numbers(band.get("d") or "")
        assert last - first == pytest.approx(BARS * count / 100, abs=0.2)
    bars = [bar for bar in tree.findall("svg:rect", NAMESPACE) if bar.get("class") == "bar"]
    for x in {bar.get("x") for bar in bars}:
        placed = sorted((float(bar.get("y") or 0), float(bar.get("height") or 0)) for bar in bars if bar.get("x") == x)
        assert placed[0][0] == TOP
        for (top, height), (following, _) in zip(placed, placed[1:], strict=False):
            assert following - (top + height) == pytest.approx(GAP, abs=0.2)


def test_nothing_is_loaded_and_an_empty_report_has_a_picture_too() -> None:
    drawn = draw_flow(report(CELLS))
    assert "50 of 100 sittings get another label" in drawn
    assert "href" not in drawn and "url(" not in drawn and "<script" not in drawn and "high<&>" not in drawn
    empty = draw_flow(report({}))
    assert "0 of 0" in empty and ElementTree.fromstring(empty).findall("svg:path", NAMESPACE) == []  # noqa: S314
