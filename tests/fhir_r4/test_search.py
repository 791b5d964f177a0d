"""Searches against a plain filter over everything that is stored, on both databases."""

from __future__ import annotations

import copy
import random
import re
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from urllib.parse import parse_qsl, urlsplit
from zoneinfo import ZoneInfo

import msgspec
import pytest

from fhir_r4.archive import Archive, filled, link_of, storable_bodies
from fhir_r4.plain_filter import Filter, Resource, measured, spelled, updated, within
from fhir_r4.profiles import codes_in, faults_of
from fhir_r4.stored_sets import STARTED_AT
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.request import parse_search
from quietcuff.fhir.search.searchset import searchset
from quietcuff.fhir.search.types import OBSERVATIONS, SEARCHED
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store, open_store
from quietcuff.storage.search import observations
from quietcuff.storage.search.observations import Snapshot

SETS, PERSONS = 40, 4
BP, PULSE, FLAGS, MEAN = "85354-9", "8867-4", "8410608", "96607-7"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def archive_url(request: pytest.FixtureRequest) -> str:
    """A database that the tests of this module share and only read."""
    databases = request.getfixturevalue("sqlite_files" if request.param == "sqlite" else "postgresql_server")
    return str(databases.new())


@pytest.fixture(scope="module")
async def archive(archive_url: str, rulebook: Rulebook) -> AsyncIterator[Archive]:
    store = open_store(archive_url)
    yield await filled(store, rulebook, SETS, PERSONS)
    await store.close()


def has_code(*codes: str) -> Filter:
    return lambda one: any(code in codes for _, code in codes_in(one["code"]))


def is_of(*persons: str) -> Filter:
    return lambda one: one["subject"]["reference"].removeprefix("Patient/") in persons


def has_status(*statuses: str) -> Filter:
    return lambda one: one["status"] in statuses


def is_vital_sign(one: Resource) -> bool:
    return any((CATEGORY, "vital-signs") in codes_in(concept) for concept in one.get("category", []))


async def test_by_person_code_category_status_and_id(archive: Archive) -> None:
    first, second = archive.persons[:2]
    ids = [one["id"] for one in archive.observations[::7]]
    cases: list[tuple[list[tuple[str, str]], list[Filter]]] = [
        ([], []),
        ([("patient", first)], [is_of(first)]),
        ([("subject", f"Patient/{first},Patient/{second}")], [is_of(first, second)]),
        ([("code", f"http://loinc.org|{BP}")], [has_code(BP)]),
        ([("code", f"{PULSE},{MEAN}")], [has_code(PULSE, MEAN)]),
        ([("code", FLAGS), ("patient", first)], [has_code(FLAGS), is_of(first)]),
        ([("code", "8480-6")], [has_code("8480-6")]),
        ([("category", "vital-signs")], [is_vital_sign]),
        ([("category", f"{CATEGORY}|vital-signs"), ("patient", second)], [is_vital_sign, is_of(second)]),
        ([("status", "entered-in-error")], [has_status("entered-in-error")]),
        ([("status", "corrected,amended"), ("code", MEAN)], [has_status("corrected", "amended"), has_code(MEAN)]),
        ([("_id", ",".join(ids))], [lambda one: one["id"] in ids]),
        ([("_id", ids[0]), ("patient", first)], [lambda one: one["id"] == ids[0], is_of(first)]),
    ]
    for items, filters in cases:
        found = await archive.found(*items, ("_count", "23"))
        assert len(found) == len(set(found))
        assert set(found) == archive.expected(*filters), items
    for status in ("final", "corrected", "amended", "entered-in-error", "preliminary"):
        assert archive.expected(has_status(status)), f"the archive holds nothing {status}"


def place_of(one: Resource) -> str | None:
    """The place of an Observation. Source: [R4] extension event-location."""
    url = "http://hl7.org/fhir/StructureDefinition/event-location"
    places = [told["valueReference"]["identifier"] for told in one.get("extension", []) if told["url"] == url]
    return f"{places[0]['system']}|{places[0]['value']}" if places else None


@pytest.mark.parametrize("many", [0, 2_000], ids=["of many sets", "of few"])
async def test_by_place_whether_it_has_few_sets_or_many(archive: Archive, many: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(observations, "MANY_SETS", many)
    places = sorted({place for one in archive.observations if (place := place_of(one)) is not None})[:4]
    assert len(places) == 4
    for place in places:
        found = await archive.found(("location:identifier", re.sub(r"([\\,$])", r"\\\1", place)), ("_count", "23"))
        assert len(found) == len(set(found))
        assert set(found) == archive.expected(lambda one, place=place: place_of(one) == place)
    plain = next(place for place in places if place.isascii() and place.endswith(("0", "1")))
    changed = await archive.found(("location:identifier", plain), ("_sort", "-_lastUpdated"), ("_count", "7"))
    assert set(changed) == archive.expected(lambda one: place_of(one) == plain)


async def test_by_date_with_every_prefix_and_precision(archive: Archive) -> None:
    person = archive.persons[0]
    of_person = [one for one in archive.observations if is_of(person)(one)]
    chosen = random.Random(3).sample(of_person, 2) + [one for one in of_person if one["id"].endswith("-mean")][:1]
    for parameter, times in (("date", measured), ("_lastUpdated", updated)):
        for moment in {moment for one in chosen for moment in times(one)}:
            for text, low, high in spelled(moment):
                for prefix in ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb"):
                    found = await archive.found((parameter, prefix + text), ("patient", person), ("_count", "200"))
                    expected = archive.expected(within(times, prefix, low, high), is_of(person))
                    assert set(found) == expected, prefix + text


async def test_dates_combine_and_approximate(archive: Archive) -> None:
    low, high = datetime(2026, 5, 8, tzinfo=UTC), datetime(2026, 5, 20, tzinfo=UTC)
    a_day = timedelta(days=1)
    between = [within(measured, "ge", low, low + a_day), within(measured, "lt", high, high + a_day)]
    assert set(await archive.found(("date", "ge2026-05-08"), ("date", "lt2026-05-20"))) == archive.expected(*between)
    either = archive.expected(within(measured, "eq", low, low + a_day)) | archive.expected(
        within(measured, "sa", high, high + a_day)
    )
    assert set(await archive.found(("date", "2026-05-08,sa2026-05-20"))) == either
    margin = (STARTED_AT - low) / 10
    near = within(measured, "ap", low - margin, low + a_day + margin)
    assert set(await archive.found(("date", "ap2026-05-08"))) == archive.expected(near)


async def test_a_day_is_a_day_of_the_tenant_s_zone(archive: Archive) -> None:
    clinic = archive.clinic
    settings = msgspec.structs.replace(clinic.tenant.settings, time_zone="Pacific/Auckland")
    abroad = copy.copy(clinic)
    abroad.tenant = msgspec.structs.replace(clinic.tenant, settings=settings)
    abroad.publisher = msgspec.structs.replace(clinic.publisher, tenant=abroad.tenant)
    low = datetime(2026, 5, 8, tzinfo=ZoneInfo("Pacific/Auckland"))
    day = within(measured, "eq", low, low + timedelta(days=1))
    assert archive.expected(day) != archive.expected(
        within(measured, "eq", low.replace(tzinfo=UTC), low.replace(tzinfo=UTC) + timedelta(days=1))
    )
    there = Archive(abroad, archive.observations, archive.persons)
    assert set(await there.found(("date", "2026-05-08"))) == archive.expected(day)


async def test_pages_follow_one_another_without_gap_or_repeat_and_in_order(archive: Archive) -> None:
    person = archive.persons[0]
    by_id = {one["id"]: one for one in archive.observations}
    for order in ("date", "-date", None):
        for count in ("3", "7", "200"):
            found = await archive.found(("patient", person), ("_count", count), *([("_sort", order)] if order else []))
            assert len(found) == len(set(found))
            assert set(found) == archive.expected(is_of(person))
            starts = [measured(by_id[logical_id])[0] for logical_id in found]
            assert starts == sorted(starts, reverse=order != "date")
    assert len(await archive.found(("patient", person), ("code", MEAN), ("_count", "1"))) == len(
        archive.expected(is_of(person), has_code(MEAN))
    )


async def test_pages_stay_as_they_are_while_sets_come_in(store: Store, rulebook: Rulebook) -> None:
    archive = await filled(store, rulebook, SETS, PERSONS)
    first = await archive.clinic.search(("_count", "20"))
    following = link_of(first, "next")
    assert following is not None
    await archive.clinic.receive_all(storable_bodies(3, PERSONS))
    cursor = parse_qsl(urlsplit(following).query)
    before = set(archive.ids_of(first))
    after = await archive.found(*cursor)
    assert not before & set(after)
    assert archive.expected() <= before | set(after)


async def test_counting_without_entries_and_totals(archive: Archive) -> None:
    person = archive.persons[0]
    everything, of_person = len(archive.expected()), len(archive.expected(is_of(person)))
    for items in ([("_count", "0")], [("_summary", "count")]):
        counted = await archive.clinic.search(*items, ("patient", person))
        assert counted["total"] == of_person
        assert "entry" not in counted
    assert (await archive.clinic.search(("patient", person), ("_count", "2")))["total"] == of_person
    assert (await archive.clinic.search(("_total", "accurate")))["total"] == everything
    assert "total" not in await archive.clinic.search(("_count", "2"))
    assert "total" not in await archive.clinic.search(("patient", person), ("_total", "none"))
    nobody = await archive.clinic.search(("patient", "p1"))
    assert nobody["total"] == 0
    assert "entry" not in nobody


async def test_a_page_is_a_sound_bundle_that_says_what_was_understood(archive: Archive) -> None:
    items = [("patient", f"Patient/{archive.persons[0]}"), ("code", f"http://loinc.org|{BP}"), ("_count", "1000")]
    bundle = await archive.clinic.search(*items)
    assert faults_of(bundle) == []
    own = link_of(bundle, "self")
    assert own is not None
    assert parse_qsl(urlsplit(own).query) == [*items[:2], ("_count", "200")]
    again = await archive.clinic.search(*parse_qsl(urlsplit(own).query))
    assert again == bundle
    entry = bundle["entry"][0]
    read = await archive.clinic.read("Observation", entry["resource"]["id"])
    assert msgspec.json.decode(read.body) == entry["resource"]
    with pytest.raises(NotAcceptable):
        await archive.clinic.search(("_cursor", "AAAA"))


async def test_a_page_that_is_written_in_lines_is_the_page_made_of_its_resources(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages: list[list[tuple[str, str]]] = [
        [],
        [("_sort", "date"), ("_count", "200")],
        [("patient", archive.persons[1]), ("code", MEAN)],
        [("patient", "p1")],
        [("_count", "3"), ("vendor-parameter", "1")],
        [("patient", "p1"), ("vendor-parameter", "1")],
    ]
    written = [await bytes_of_page(archive, items) for items in pages]
    resources = [msgspec.json.decode(one).get("entry", []) for one in written]
    assert [len(entries) for entries in resources[3:]] == [0, 4, 1]
    monkeypatch.setitem(SEARCHED, "Observation", msgspec.structs.replace(OBSERVATIONS, write=None))
    assert written == [await bytes_of_page(archive, items) for items in pages]


async def bytes_of_page(archive: Archive, items: list[tuple[str, str]]) -> bytes:
    """A page in the bytes that are sent."""
    clinic = archive.clinic
    publisher, clock = clinic.publisher, Clock(clinic.tenant.zone, STARTED_AT)

    def find(snapshot: Snapshot) -> bytes:
        asked = parse_search(OBSERVATIONS.asking, items, publisher=publisher, clock=clock, is_strict=False, snapshot=snapshot)
        return searchset(snapshot, publisher, asked)

    return await clinic.store.read(clinic.tenant.tenant_id, find)


@pytest.mark.parametrize("items", [[], [("_sort", "date"), ("date", "ge2020-01-01T00:00:00+00:00")]])
async def test_the_next_link_is_the_page_itself_with_one_cursor(archive: Archive, items: list[tuple[str, str]]) -> None:
    bundle = await archive.clinic.search(*items)
    cursors = []
    for _ in range(2):
        own, following = link_of(bundle, "self"), link_of(bundle, "next")
        assert own is not None
        assert following is not None
        said = parse_qsl(urlsplit(following).query)
        assert said[:-1] == items
        assert [pair for pair in parse_qsl(urlsplit(own).query) if pair[0] != "_cursor"] == items
        assert said[-1][0] == "_cursor"
        cursors.append(said[-1][1])
        bundle = await archive.clinic.search(*said)
    assert len(set(cursors)) == 2
