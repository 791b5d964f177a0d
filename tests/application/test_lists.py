"""Lists of sets: newest first, page after page, each set once."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import msgspec
import pytest

from application.clinic import Body, Clinic, on_day, reading, sitting, told
from quietcuff import application
from quietcuff.application import SetQuery
from quietcuff.core.model.errors import NotAcceptable

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
