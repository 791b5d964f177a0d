"""Some hundreds of the survey's people over HTTP into both databases, held against the data frames as stored and as FHIR."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import polars as pl
import pytest

from api.serving import serving
from outside import reckoning, survey, through_core
from outside.through_core import GUIDELINES

EVERY = 21
AT_ONCE = 8
# LOINC and SNOMED CT, by the national average-blood-pressure profile.
MEAN_CODES = {"96608-5": "systolic_mmhg", "96609-3": "diastolic_mmhg", "246432004": "readings_counted"}


@pytest.fixture
def client(database_url: str) -> Iterator[httpx.Client]:
    """A client of a server on a fresh database of either kind."""
    with serving(database_url) as server, server.client() as made:
        yield made


@pytest.fixture(scope="module")
def people() -> list[dict[str, Any]]:
    """Every twenty-first adult with readings, and each who had a diastolic of zero or near it."""
    measured = through_core.adults().filter(pl.any_horizontal(pl.col(f"s{order}").is_not_null() for order in survey.ORDERS))
    odd = through_core.taken().filter(pl.col("cause").is_not_null())["person"].to_list()
    chosen = measured.with_row_index("row").filter((pl.col("row") % EVERY == 0) | pl.col("person").is_in(odd))
    return chosen.to_dicts()


@pytest.fixture(scope="module")
def expected() -> dict[str, dict[int, dict[str, Any]]]:
    """The data frames' results by protocol and person, each with the places of the readings that count."""
    taken = through_core.taken().with_columns(place=pl.int_range(pl.len()).over("person"))
    return {
        protocol: {
            row["person"]: row
            for row in reckoning.results(taken, protocol)
            .join(reckoning.counted(taken, protocol).group_by("person").agg(counted=pl.col("order").sort()), on="person")
            .iter_rows(named=True)
        }
        for protocol in reckoning.PROTOCOLS
    }


def test_what_is_stored_and_handed_on_is_what_the_data_frames_say(
    client: httpx.Client, people: list[dict[str, Any]], expected: dict[str, dict[int, dict[str, Any]]]
) -> None:
    def check(number: int) -> bool:
        protocol = reckoning.PROTOCOLS[number % len(reckoning.PROTOCOLS)]
        return check_person(client, people[number], protocol, expected[protocol].get(people[number]["person"]))

    with ThreadPoolExecutor(AT_ONCE) as pool:
        with_result = sum(pool.map(check, range(len(people))))
    assert len(people) > 290
    assert 200 < with_result < len(people)
    assert count_means(client) == with_result


def check_person(client: httpx.Client, person: dict[str, Any], protocol: str, figures: dict[str, Any] | None) -> bool:
    """Post one person, read back what is stored and the mean; whether there is a result, as there must be with figures."""
    posted = client.post("/v1/reading-sets", json=survey.reading_set(person, protocol=protocol, guidelines=GUIDELINES))
    assert posted.status_code == 201, posted.text
    stored = client.get(posted.headers["Location"])
    assert stored.content == posted.content
    set_id, evaluation = stored.json()["id"], stored.json()["evaluation"]
    mean = client.get(f"/fhir/R4/Observation/{set_id}-mean")
    if figures is None:
        assert (evaluation["result"], mean.status_code) == (None, 200)
        assert "dataAbsentReason" in mean.json()
        return False
    check_stored(evaluation, figures)
    check_observation(mean.json(), set_id, places(person, figures["counted"]), figures)
    return True


def places(person: dict[str, Any], orders: list[int]) -> list[int]:
    """Where the readings of the given orders stand among those that were taken."""
    taken = [order for order in survey.ORDERS if person[f"s{order}"] is not None]
    return [taken.index(order) for order in orders]


def check_stored(evaluation: dict[str, Any], figures: dict[str, Any]) -> None:
    """The stored result and its labels."""
    result = evaluation["result"]
    for name in ("systolic_mmhg", "diastolic_mmhg", "readings_counted"):
        assert result[name] == figures[name]
    for name in ("systolic_mean_mmhg", "diastolic_mean_mmhg"):
        assert result[name] == pytest.approx(figures[name], abs=1e-4)
    assert {category["guideline"]: category["category"] for category in evaluation["categories"]} == {
        guideline: figures[guideline] for guideline in GUIDELINES
    }


def check_observation(mean: dict[str, Any], set_id: str, counted: list[int], figures: dict[str, Any]) -> None:
    """The mean as the record receives it: both pressures, how many readings and which, and every label."""
    values = {part["code"]["coding"][0]["code"]: part["valueQuantity"]["value"] for part in mean["component"]}
    assert {name: values[code] for code, name in MEAN_CODES.items()} == {name: figures[name] for name in MEAN_CODES.values()}
    assert [part["reference"] for part in mean["derivedFrom"]] == [f"Observation/{set_id}-r{place}" for place in counted]
    labels = {coding["code"] for concept in mean.get("interpretation", []) for coding in concept["coding"]}
    assert {figures[guideline] for guideline in GUIDELINES} - {None} <= labels


def count_means(client: httpx.Client) -> int:
    """How many means with a value a search finds."""
    wanted = {"code": "96607-7", "component-code-value-quantity": "96608-5$gt0", "_summary": "count"}
    found = client.get("/fhir/R4/Observation", params=wanted)
    assert found.status_code == 200, found.text
    return int(found.json()["total"])
