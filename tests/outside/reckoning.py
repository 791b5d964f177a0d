"""The survey worked out a second time, with data frames and from the published words alone: nothing of the core is used.

Which readings are plausible and which count, their mean, and what eight guidelines call it; the numbers are typed here again
from their sources. One row is a person's reading until ``results`` makes it one row a person.
"""

from __future__ import annotations

import polars as pl

# The published tables, highest row first: (category, systolic from, diastolic from); what reaches none has the last name.
# Source: ACC17, AHA25, ESH23 and BOA24, PACE24, ISH20, NICE and GPN, JSH19, HC25.
BANDS: dict[str, tuple[list[tuple[str, int, int]], str]] = {
    "aha-acc-2017": ([("stage-2", 140, 90), ("stage-1", 130, 80), ("elevated", 120, 80)], "normal"),
    "aha-acc-2025": ([("severe", 180, 120), ("stage-2", 140, 90), ("stage-1", 130, 80), ("elevated", 120, 80)], "normal"),
    "esh-2023": (
        [("grade-3", 180, 110), ("grade-2", 160, 100), ("grade-1", 140, 90), ("high-normal", 130, 85), ("normal", 120, 80)],
        "optimal",
    ),
    "esc-2024": ([("hypertension", 140, 90), ("elevated", 120, 70)], "non-elevated"),
    "ish-2020": ([("grade-2", 160, 100), ("grade-1", 140, 90), ("high-normal", 130, 85)], "normal"),
    "nice-2019": ([("from-180-120", 180, 120), ("from-140-90", 140, 90)], "below-140-90"),
    "jsh-2019": (
        [("grade-3", 180, 110), ("grade-2", 160, 100), ("grade-1", 140, 90), ("elevated", 130, 80), ("high-normal", 120, 80)],
        "normal",
    ),
    "canada-2025": ([("hypertension", 130, 80)], "not-hypertension"),
}
ABOVE = ("aha-acc-2025", "severe")  # printed "> 180" where the others print "from"
PRESSURES = ("systolic", "diastolic")
PROTOCOLS = ["office-canada-2025", "office-esh-2023", "office-aha-acc-2025", "office-nice-2019", "office-jsh-2019"]
# By auscultation: the fourth phase should have been used. Such a diastolic could only raise a label, so none is given but where
# the systolic alone reaches more than a guideline's reassuring rows. Source: PRACTICE, DECISION
SOUNDS_TO_ZERO_BELOW_MMHG = 40
REASSURING = {name: [lowest] for name, (_, lowest) in BANDS.items()} | {"esh-2023": ["optimal", "normal"]}

systolic, diastolic = pl.col("systolic"), pl.col("diastolic")


def readings(adults: pl.DataFrame) -> pl.DataFrame:
    """Every reading that was taken, in order, and why it is not plausible, where it is not."""
    orders = [
        adults.select("person", pl.lit(order).alias("order"), systolic=pl.col(f"s{order}"), diastolic=pl.col(f"d{order}"))
        for order in (1, 2, 3)
    ]
    return pl.concat(orders).drop_nulls("systolic").sort("person", "order").with_columns(implausible_because().alias("cause"))


def implausible_because() -> pl.Expr:
    """The cause in words, or null. The limits are common practice: 50-300, 20-200, at least 10 between the two."""
    return (
        pl.when(diastolic == 0)
        .then(pl.lit("diastolic of zero"))
        .when(~diastolic.is_between(20, 200))
        .then(pl.lit("diastolic outside 20 to 200"))
        .when(~systolic.is_between(50, 300))
        .then(pl.lit("systolic outside 50 to 300"))
        .when(systolic - diastolic < 10)
        .then(pl.lit("pressures less than 10 apart"))
    )


def counted(taken: pl.DataFrame, protocol: str) -> pl.DataFrame:
    """The readings that count under a protocol, of the people who have enough of them."""
    plausible = taken.filter(pl.col("cause").is_null()).with_columns(
        n=pl.len().over("person"),
        place=pl.int_range(pl.len()).over("person"),
        back=pl.len().over("person") - 1 - pl.int_range(pl.len()).over("person"),
    )
    match protocol:
        case "office-canada-2025":  # three, the mean of all. Source: RJC26
            return plausible.filter(pl.col("n") >= 3)
        case "office-esh-2023":  # three, the mean of the second and third. Source: RJC26
            return plausible.filter(pl.col("n") >= 3, pl.col("back") <= 1)
        case "office-aha-acc-2025":  # at least two, the mean of all. Source: RJC26
            return plausible.filter(pl.col("n") >= 2)
        case "office-nice-2019":
            return lower_of_last_two(plausible)
        case "office-jsh-2019":
            return stable_pair(plausible.filter(pl.col("n") >= 2))
        case "first-reading":
            return taken.filter(pl.col("cause").is_null(), pl.col("order") == 1)
        case _:
            raise ValueError(protocol)


def lower_of_last_two(plausible: pl.DataFrame) -> pl.DataFrame:
    """The lower of the last two; one does when it is below 140/90. Source: NICE 1.2.2."""
    first_is_low = ((systolic.first() < 140) & (diastolic.first() < 90)).over("person")
    last_two = plausible.filter((pl.col("n") >= 2) | first_is_low).filter(pl.col("back") <= 1)
    return last_two.sort("person", "systolic", "diastolic", "place").group_by("person", maintain_order=True).first()


def stable_pair(plausible: pl.DataFrame) -> pl.DataFrame:
    """The latest two neighbours less than 5 apart in both pressures, else the last two. Source: RJC26."""
    near = ((systolic - systolic.shift(-1)).abs() < 5) & ((diastolic - diastolic.shift(-1)).abs() < 5)
    return (
        plausible.with_columns(near=near.over("person"))
        .with_columns(start=pl.col("place").filter(pl.col("near")).max().over("person").fill_null(pl.col("n") - 2))
        .filter((pl.col("place") - pl.col("start")).is_between(0, 1))
    )


def results(taken: pl.DataFrame, protocol: str) -> pl.DataFrame:
    """One row a person with a result: the reported whole numbers (halves up), the exact means, their spread, the labels."""
    frame = (
        counted(taken, protocol)
        .group_by("person")
        .agg(
            pl.len().cast(pl.Int64).alias("readings_counted"),
            *(((2 * pl.col(p).sum() + pl.len()) // (2 * pl.len())).cast(pl.Int64).alias(f"{p}_mmhg") for p in PRESSURES),
            *(pl.col(p).mean().alias(f"{p}_mean_mmhg") for p in PRESSURES),
            *(pl.col(p).std(ddof=1).alias(f"{p}_sd_mmhg") for p in PRESSURES),
            (diastolic < SOUNDS_TO_ZERO_BELOW_MMHG).any().alias("doubtful"),
        )
        .sort("person")
    )
    reported, exact = ("systolic_mmhg", "diastolic_mmhg"), ("systolic_mean_mmhg", "diastolic_mean_mmhg")
    stands = {name: ~pl.col("doubtful") | ~alone(name).is_in(REASSURING[name]) for name in BANDS}
    return frame.with_columns(
        *(pl.when(stands[name]).then(category(name, *reported)).alias(name) for name in BANDS),
        rounding_decides=pl.any_horizontal(category(name, *reported) != category(name, *exact) for name in BANDS),
    )


def alone(guideline: str) -> pl.Expr:
    """What a guideline calls the systolic by itself."""
    return category(guideline, "systolic_mmhg", pl.lit(0))


def category(guideline: str, systolic_name: str, diastolic_given: str | pl.Expr) -> pl.Expr:
    """What a guideline calls a pair of pressures: the first row, from the highest, that either of them reaches."""
    rows, lowest = BANDS[guideline]
    chain: pl.Expr = pl.lit(lowest)
    for name, systolic_from, diastolic_from in reversed(rows):
        high = pl.col(systolic_name)
        low = pl.col(diastolic_given) if isinstance(diastolic_given, str) else diastolic_given
        above = (high > systolic_from) | (low > diastolic_from)
        reached = above if (guideline, name) == ABOVE else above | (high == systolic_from) | (low == diastolic_from)
        chain = pl.when(reached).then(pl.lit(name)).otherwise(chain)
    return chain
