"""Generated searches over generated sets, each against a plain filter over what was emitted, on both databases.

In the run some hundreds; ``SEARCHED_SETS=2000 SEARCHES=2000 python -m pytest tests/fhir_r4/test_search_generated.py`` runs
as many as that.
"""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from urllib.parse import parse_qsl, urlsplit

import pytest

from fhir_r4.archive import Archive, filled, link_of
from fhir_r4.plain_filter import Drawer, Resource, measured, updated
from fhir_r4.profiles import faults_of, references_of
from quietcuff.fhir.search.types import SEARCHED
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store

SETS, SEARCHES = int(os.environ.get("SEARCHED_SETS", "150")), int(os.environ.get("SEARCHES", "120"))
PERSONS = 7
# Longer answers are held against the filter by their first page and their total.
MOST_FOLLOWED = 500
ORDERS = {"date": measured, "-date": measured, "_lastUpdated": updated, "-_lastUpdated": updated}


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def archive_url(request: pytest.FixtureRequest) -> str:
    """A database that the tests of this module share and only read."""
    databases = request.getfixturevalue("sqlite_files" if request.param == "sqlite" else "postgresql_server")
    return str(databases.new())


@pytest.fixture(scope="module")
async def archive(archive_url: str) -> AsyncIterator[Archive]:
    store = open_store(archive_url)
    yield await filled(store, load_rulebook(), SETS, PERSONS)
    await store.close()


async def test_generated_searches_find_what_a_plain_filter_finds(archive: Archive) -> None:
    identifiers = await identifiers_of(archive)
    drawer = Drawer(archive.observations, identifiers, await identifiers_of(archive, "Device"), seed=20260504)
    by_id = {one["id"]: one for one in archive.observations}
    hits = 0
    for number in range(SEARCHES):
        drawn = [drawer.condition() for _ in range(drawer.rng.choice([1, 1, 2, 2, 3]))]
        items = [(name, text) for name, text, _ in drawn]
        order = drawer.rng.choice([None, *ORDERS])
        expected = archive.expected(*(holds for _, _, holds in drawn))
        await check(archive, items, order, expected, by_id, count=drawer.rng.choice([7, 50, 200]))
        hits += bool(expected) and number > 0
    assert hits > SEARCHES // 4, "most searches must find something"


async def test_everything_that_searches_show_is_valid_and_points_to_what_is_there(archive: Archive) -> None:
    shown: dict[str, Resource] = {}
    for kind in SEARCHED:
        bundle = await archive.clinic.search_of(kind, ("_count", "200"))
        while True:
            for entry in bundle.get("entry", []):
                shown[f"{kind}/{entry['resource']['id']}"] = entry["resource"]
            following = link_of(bundle, "next")
            if following is None:
                break
            bundle = await archive.clinic.search_of(kind, *parse_qsl(urlsplit(following).query, keep_blank_values=True))
    assert {name.partition("/")[0] for name in shown} == set(SEARCHED)
    assert len(shown) > 8 * SETS
    faults = {name: found for name, resource in shown.items() if (found := faults_of(resource))}
    assert faults == {}
    told = {reference for resource in shown.values() for reference in references_of(resource)}
    assert {reference for reference in told if not reference.startswith("#")} - set(shown) == set()


async def check(
    archive: Archive,
    items: list[tuple[str, str]],
    order: str | None,
    expected: set[str],
    by_id: dict[str, Resource],
    *,
    count: int,
) -> None:
    shaped = [*items, ("_count", str(count if len(expected) < 10 * count else 200)), *([("_sort", order)] if order else [])]
    if len(expected) > MOST_FOLLOWED:
        assert (await archive.clinic.search(*items, ("_summary", "count")))["total"] == len(expected), items
        found = archive.ids_of(await archive.clinic.search(*shaped))
        assert set(found) <= expected, items
    else:
        found = await archive.found(*shaped)
        assert set(found) == expected, items
    assert len(found) == len(set(found)), items
    if order is not None:
        starts = [ORDERS[order](by_id[one])[0] for one in found]
        assert starts == sorted(starts, reverse=order.startswith("-")), (items, order)


async def identifiers_of(archive: Archive, kind: str = "Patient") -> dict[str, tuple[str, str]]:
    """By person or device, the identifier; the service itself has none."""
    bundle = await archive.clinic.search_of(kind, ("_count", "200"))
    found = [entry["resource"] for entry in bundle["entry"]]
    return {one["id"]: (one["identifier"][0]["system"], one["identifier"][0]["value"]) for one in found if "identifier" in one}
