"""Draws ``docs/certainty-calibration.svg`` and prints the table of ``docs/certainty.md``.

In ``tests``: ``python -m outside.draw_calibration``.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from outside.within_survey import DECILES, Pressure, shares_in_deciles, shares_overall
from quietcuff.core.rulebook.variability import Variability
from quietcuff.rules.catalog import load_rulebook

PICTURE = Path(__file__).parents[2] / "docs/certainty-calibration.svg"
PRESSURES: tuple[Pressure, Pressure] = ("systolic", "diastolic")
# Legible without colour: bars differ in brightness from the band behind them.
BAR, BAND, LINE = "#3b6ea5", "#e4e4e4", "#222222"
SETTINGS = {"svg.hashsalt": "quietcuff", "svg.fonttype": "none", "font.family": "sans-serif", "font.size": 10}


def table_rows(rules: Variability) -> Iterator[str]:
    """The rows of the table: by tenth, the shares in per cent and by how many points the whole distribution is off."""
    own = [shares_in_deciles(pressure, rules.within) for pressure in PRESSURES]
    overall = [shares_overall(pressure, rules.within) for pressure in PRESSURES]
    for tenth in range(DECILES):
        cells = [f"{shares[tenth]:.1f}" for shares in own] + [f"{shares[tenth]:+.1f}" for shares in overall]
        yield f"| {tenth + 1} | {' | '.join(cells)} |"


def draw(rules: Variability) -> Figure:
    """Two panels of bars: the share of third readings in each tenth of their own predicted distribution."""
    figure = Figure(figsize=(8, 3.4), layout="constrained")
    for axes, pressure in zip(figure.subplots(1, 2, sharey=True), PRESSURES, strict=True):
        shares = shares_in_deciles(pressure, rules.within)
        axes.axhspan(8, 12, color=BAND, zorder=0)
        axes.axhline(10, color=LINE, linewidth=1, zorder=1)
        bars = axes.bar(range(1, DECILES + 1), shares, width=0.72, color=BAR, zorder=2)
        axes.bar_label(bars, [f"{share:.1f}" for share in shares], label_type="center", color="white", fontsize=8)
        axes.set_title(f"{pressure.capitalize()}, 4,685 adults")
        axes.set_xticks(range(1, DECILES + 1))
        axes.set_xlabel("Tenth of the predicted distribution")
        axes.set_ylim(0, 14)
        axes.spines[["top", "right"]].set_visible(False)
    figure.axes[0].set_ylabel("Third readings in it, %")
    figure.suptitle("Third readings where the first two predict them; grey: within two points", fontsize=10)
    return figure


def main() -> None:
    rules = load_rulebook().variability
    with mpl.rc_context(SETTINGS):
        draw(rules).savefig(PICTURE, metadata={"Date": None, "Creator": None})
    print("\n".join(table_rows(rules)))


if __name__ == "__main__":
    main()
