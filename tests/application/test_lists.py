"""Lists of sets: newest first, page after page, each set once."""

from __future__ import annotations

from datetime import UTC, date, datetime
from random import Random
from typing import Any

import msgspec
import pytest

from application.clinic import Body, Clinic, on_day, reading, sitting, told
from quietcuff import application
from quietcuff.application import SetQuery
from quietcuff.application.read_sittings import SetListed
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.storage.rows.reading_sets import SetMarks

NOBODY = "cda41017-1d9a-8818-bb1a-da6d8d866445"


async def store_days(clinic: Clinic, days: list[str], person: str = "p-0001") -> list[Body]:
    readings = [reading(0), reading(1.2)]
    return [told(await clinic.receive(sitting(on_day(readings, day), person=person))) for day in days]


async def listed(clinic: Clinic, **query: Any) -> tuple[list[Body], str | None]:
    page = await application.list_sets(clinic.desk, clinic.caller, SetQuery(**query))
    return msgspec.json.decode(page.items), page.cursor


async def test_an_item_tells_what_the_set_came_to(clinic: Clinic) -> None:
    [stored] = await store_days(clinic, ["2026-05-04"])
    [item], cursor = await listed(clinic)
    told_in_set = stored["evaluation"]
    assert cursor is None
    assert tuple(item) == SetListed.__struct_fields__ and msgspec.convert(item, SetListed)
    assert item == {
        "id": stored["id"],
        "version": 1,
        "status": "active",
        "subject_id": stored["subject_id"],
        "state": "complete",
        "safety": told_in_set["safety"],
        "setting": "office",
        "protocol": told_in_set["protocol"],
        "taken_from": "2026-05-04T09:00:00+02:00",
        "taken_to": "2026-05-04T09:01:12+02:00",
        "result": told_in_set["result"],
        "categories": told_in_set["categories"],
    }


async def test_pages_hold_each_set_once_the_newest_first(clinic: Clinic) -> None:
    stored = await store_days(clinic, ["2026-05-01", "2026-05-03", "2026-05-02", "2026-05-02", "2026-05-04"])
    found: list[Body] = []
    cursor: str | None = None
    while True:
        items, cursor = await listed(clinic, limit=2, cursor=cursor)
        found += items
        if cursor is None:
            break
    newest_first = sorted(stored, key=lambda one: (one["reading_set"]["readings"][0]["taken_at"], one["id"]), reverse=True)
    assert [one["id"] for one in found] == [one["id"] for one in newest_first]


async def test_a_full_last_page_leads_nowhere(clinic: Clinic) -> None:
    await store_days(clinic, ["2026-05-01", "2026-05-02"])
    items, cursor = await listed(clinic, limit=2)
    assert (len(items), cursor) == (2, None)


async def test_one_persons_sets(clinic: Clinic) -> None:
    [mine] = await store_days(clinic, ["2026-05-01"])
    await store_days(clinic, ["2026-05-02"], person="p-0002")
    items, _ = await listed(clinic, subject_id=mine["subject_id"])
    assert [item["id"] for item in items] == [mine["id"]]
    for nobody in (NOBODY, "p-0001"):
        assert await listed(clinic, subject_id=nobody) == ([], None)


@pytest.mark.parametrize(
    ("since", "until", "days"),
    [
        (date(2026, 5, 2), date(2026, 5, 3), [2]),
        (datetime(2026, 5, 2, 7, tzinfo=UTC), None, [3, 2]),
        (datetime(2026, 5, 2, 7, 0, 1, tzinfo=UTC), None, [3]),
        (None, datetime(2026, 5, 2, 7, tzinfo=UTC), [1]),
    ],
)
async def test_sets_of_a_time(clinic: Clinic, since: Any, until: Any, days: list[int]) -> None:
    await store_days(clinic, ["2026-05-01", "2026-05-02", "2026-05-03"])
    items, _ = await listed(clinic, since=since, until=until)
    assert [int(item["taken_from"][8:10]) for item in items] == days


@pytest.mark.parametrize(
    ("query", "fault"),
    [
        ({"limit": 0}, ("limit", "out-of-range")),
        ({"limit": 201}, ("limit", "out-of-range")),
        ({"cursor": "x"}, ("cursor", "not-a-cursor")),
        ({"cursor": "\ud800"}, ("cursor", "not-a-cursor")),
        ({"since": date(9999, 1, 1)}, ("from", "out-of-range")),
        ({"until": date(1, 1, 1)}, ("to", "out-of-range")),
    ],
)
async def test_what_cannot_be_asked(clinic: Clinic, query: dict[str, Any], fault: tuple[str, str]) -> None:
    with pytest.raises(NotAcceptable) as refused:
        await listed(clinic, **query)
    assert [(one.parameter, one.code) for one in refused.value.faults] == [fault]


STAFF = [{"system": system, "value": value} for system in ("urn:a", "urn:b") for value in ("n|1", "d-1")]


def text_of(identifier: Body | None) -> str | None:
    return None if identifier is None else f"{identifier['system']}|{identifier['value']}"


def says(one: Body, name: str, wanted: str) -> bool:
    """The plain model: what a stored set says of itself, as it was answered."""
    reading_set, evaluation = one["reading_set"], one["evaluation"]
    if name in ("observer", "location"):
        own = reading_set[name]
        # The first bar parts system and value, so that a value alone holds none.
        return own is not None and wanted == (text_of(own) if "|" in wanted else own["value"])
    if name == "finding":
        return any(finding["code"] == wanted for finding in evaluation["findings"])
    if name == "label":
        labels = [one for one in evaluation["categories"] if one["category"] is not None]
        return any(wanted in (one["category"], f"{one['guideline']}:{one['category']}") for one in labels)
    return wanted in (reading_set.get(name), evaluation["protocol"]["id"] if name == "protocol" else evaluation.get(name))


async def test_sets_are_found_by_what_they_say_of_themselves(clinic: Clinic) -> None:
    """Every filter, alone and with one more, against a plain model over what was answered."""
    rng, stored = Random(20260504), []
    protocols = sorted(clinic.desk.rulebook.protocols)
    for number in range(60):
        high = rng.choice([(118, 74), (134, 84), (152, 96), (188, 122), (84, 50)])
        body = sitting(
            on_day(
                [reading(0, *high), reading(1.2, *high), reading(2.4, *high)][: rng.choice([1, 2, 3])],
                f"2026-05-{number % 28 + 1:02}",
            ),
            person=f"p-{number % 7}",
            observer=rng.choice([*STAFF, None]),
            location=rng.choice([*STAFF, None]),
            setting=rng.choice(["office", "office", "home"]),
            closed=rng.random() < 0.8,
        )
        answer = await clinic.receive({key: value for key, value in body.items() if value is not None})
        stored.append(told(answer))
    values = {
        "observer": [text_of(STAFF[0]), "n|1", "d-1", "nobody", "urn:a|"],
        "location": [text_of(STAFF[3]), "d-1", "nobody"],
        "protocol": [*protocols[:3], *{one["evaluation"]["protocol"]["id"] for one in stored}, "none"],
        "setting": ["office", "home", "ambulatory"],
        "state": ["in-progress", "complete", "not-usable"],
        "finding": [
            *sorted({finding["code"] for one in stored for finding in one["evaluation"]["findings"]}),
            "none",
            "%",
            "e",
        ],
        "label": [
            *sorted({f"{said['guideline']}:{said['category']}" for one in stored for said in one["evaluation"]["categories"]}),
            *sorted({str(said["category"]) for one in stored for said in one["evaluation"]["categories"]}),
            "_",
        ],
    }
    asked = [(name, str(value)) for name, every in values.items() for value in every]
    for first, second in [*zip(asked, asked, strict=True), *((rng.choice(asked), rng.choice(asked)) for _ in range(60))]:
        marks = dict([first, second])
        items, cursor = await listed(clinic, limit=200, marks=SetMarks(**marks))
        expected = {one["id"] for one in stored if all(says(one, *mark) for mark in marks.items())}
        assert ({item["id"] for item in items}, cursor) == (expected, None), marks
    hits = {name: sum(says(one, name, str(value)) for one in stored for value in every) for name, every in values.items()}
    assert min(hits.values()) > 0, hits


async def test_a_corrected_set_is_found_by_what_it_says_now(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting([reading(0, 152, 96), reading(1.2, 152, 96)], observer=STAFF[0]))
    [high], _ = await listed(clinic, marks=SetMarks(observer="urn:a|n|1"))
    label = high["categories"][0]["category"]
    lower = {"systolic_mmhg": 112, "diastolic_mmhg": 70}
    await clinic.correct(answer, *({"change": "amend-reading", "index": place, "set": lower} for place in (0, 1)))
    assert await listed(clinic, marks=SetMarks(label=label)) == ([], None)
    [found], _ = await listed(clinic, marks=SetMarks(observer="urn:a|n|1"))
    assert found["categories"][0]["category"] != label
