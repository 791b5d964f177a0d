"""Months and places as they are shown."""

from __future__ import annotations

from typing import Literal

import numpy as np

from quietcuff.analytics.quality.arrays import Array, counts_by
from quietcuff.analytics.quality.charts import Q_STANDS_OUT, funnel, p_chart
from quietcuff.analytics.quality.measures import Share
from quietcuff.analytics.quality.sets import SittingColumns
from quietcuff.analytics.quality.shapes import MIN_ELIGIBLE, Funnel, Month, Months, Place
from quietcuff.analytics.quality.words import listed

By = Literal["observer", "device", "location"]
MOST_PLACES = 60
MOST_MONTHS = 36


def months_of(days: Array) -> tuple[Array, list[str]]:
    """The month of each day, as a code, and the names of all months from the first to the last."""
    months = days.astype("datetime64[D]").astype("datetime64[M]").astype(int)
    first = int(months.min())
    names = [str(np.datetime64(month, "M")) for month in range(first, int(months.max()) + 1)]
    return months - first, names


def month_chart(code: str, title: str, share: Share, sittings: SittingColumns, words: dict[str, str]) -> Months | None:
    """A share by month with its limits; None where fewer than three months have ten."""
    if len(sittings) == 0:
        return None
    codes, names = months_of(sittings.day)
    sizes = counts_by(codes[share.eligible], len(names))[-MOST_MONTHS:]
    counts = counts_by(codes[share.counted], len(names))[-MOST_MONTHS:]
    names = names[-MOST_MONTHS:]
    held = np.flatnonzero(sizes >= MIN_ELIGIBLE)
    if len(held) < 3:
        return None
    chart = p_chart(counts[held].astype(float), sizes[held].astype(float))
    months = []
    for place, name in enumerate(names):
        at = np.flatnonzero(held == place)
        if len(at) == 0:
            months.append(
                Month(month=name, eligible=int(sizes[place]), count=None, share=None, low=None, high=None, called=None)
            )
            continue
        k = int(at[0])
        called: Literal["beyond-limits", "run"] | None = "run" if chart.in_run[k] else None
        months.append(
            Month(
                month=name,
                eligible=int(sizes[place]),
                count=int(counts[place]),
                share=round(float(chart.share[k]), 4),
                low=round(float(chart.low[k]), 4),
                high=round(float(chart.high[k]), 4),
                called="beyond-limits" if chart.beyond[k] else called,
            )
        )
    return Months(
        code=code,
        title=title,
        centre=round(chart.centre, 4),
        sigma_z=round(chart.sigma_z, 3),
        months=months,
        text=change_in_words(months, words),
    )


def change_in_words(months: list[Month], words: dict[str, str]) -> str:
    """True where a change is called, and where."""
    beyond = [month.month for month in months if month.called == "beyond-limits"]
    run = [month.month for month in months if month.called == "run"]
    told = [words["change-beyond"].format(list=listed(beyond, words["and"]))] if beyond else []
    told += [words["change-run"].format(list=f"{run[0]} – {run[-1]}")] if run else []
    return " ".join(told) or words["change-none"]


def funnel_of(code: str, title: str, share: Share, sittings: SittingColumns, by: By) -> Funnel | None:
    """A share by observer, device or room; None where fewer than two have ten. In the order of codes, never of shares."""
    column = sittings.words[by]
    sizes = counts_by(column.codes[share.eligible], len(column.names))
    counts = counts_by(column.codes[share.counted], len(column.names))
    held = np.flatnonzero(sizes >= MIN_ELIGIBLE)
    if len(held) < 2 or len(column.names) > 100 * MOST_PLACES:
        return None
    chart = funnel(counts[held].astype(float), sizes[held].astype(float))
    places = [
        Place(
            code=column.names[code_],
            eligible=int(sizes[code_]),
            count=int(counts[code_]),
            share=round(float(chart.share[k]), 4),
            low_95=round(float(chart.low_95[k]), 4),
            high_95=round(float(chart.high_95[k]), 4),
            low_998=round(float(chart.low_998[k]), 4),
            high_998=round(float(chart.high_998[k]), 4),
            shrunken=round(float(chart.shrunken[k]), 4),
            p=float(chart.p[k]),
            q=float(chart.q[k]),
            stands_out=bool(chart.q[k] < Q_STANDS_OUT and not chart.low_998[k] <= chart.share[k] <= chart.high_998[k]),
        )
        for k, code_ in enumerate(int(each) for each in held)
    ]
    return Funnel(
        code=code,
        title=title,
        by=by,
        target=round(chart.target, 4),
        places=sorted(places, key=lambda place: place.code)[:MOST_PLACES],
        withheld=int(np.count_nonzero((sizes > 0) & (sizes < MIN_ELIGIBLE))),
    )
