"""Searches find their way by indexes: whatever a tenant holds, a page reads about as many rows as it shows."""

from __future__ import annotations

from datetime import UTC, datetime
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import Engine, make_url

from quietcuff.storage.bulk.groups import Members
from quietcuff.storage.bulk.pages import Span, read_sets, read_subjects
from quietcuff.storage.engine.database import open_sqlite
from quietcuff.storage.engine.statements import READS
from quietcuff.storage.rows.versions import read_versions_shown
from quietcuff.storage.search import observations
from quietcuff.storage.search.observations import count_observations, find_observations
from quietcuff.storage.search.query import DateRange, EntryPageEnd, ObservationKey, ObservationQuery, PointerTest

TENANT = 1
PERSON = "cda41017-1d9a-8818-bb1a-da6d8d866445"
SITTING = "019df237-3e80-7cda-ae6c-acc0e2b83dda"
END = EntryPageEnd(datetime(2026, 5, 4, tzinfo=UTC), UUID(SITTING), 4)
OF_PERSON = ObservationQuery(subject_ids=frozenset((PERSON,)), order="-date")
KEYS = frozenset((ObservationKey(SITTING, "reading", 0), ObservationKey(SITTING, "mean", 0)))

# These hold what they lead to in the order in which it is shown.
IN_ORDER = (
    "ix_reading_taken",
    "ix_reading_flags",
    "ix_reading_set_mean_taken",
    "ix_reading_set_mean_long",
    "ix_reading_set_mean_updated",
    "ix_set_version_created",
)


@pytest.fixture
def engine(sqlite_url: str) -> Engine:
    return open_sqlite(make_url(sqlite_url), writes=False)


def plans(engine: Engine, work: object) -> list[str]:
    """How SQLite goes about what a piece of work asks of it."""
    asked: list[str] = []
    with engine.connect() as connection:
        # At the driver itself: not every statement passes through SQLAlchemy's own way to run them.
        driver = connection.connection.dbapi_connection
        assert driver is not None
        driver.set_trace_callback(asked.append)
        work(connection)  # type: ignore[operator]
        driver.set_trace_callback(None)
        read = [text for text in asked if text.startswith(READS)]
        return [step[3] for text in read for step in driver.execute(f"EXPLAIN QUERY PLAN {text}")]


@pytest.mark.parametrize(
    "query",
    [
        OF_PERSON,
        ObservationQuery(subject_ids=frozenset((PERSON,)), order="date", after=END),
        ObservationQuery(subject_ids=frozenset((PERSON,)), set_id=SITTING, order="date"),
        ObservationQuery(keys=KEYS, order="-date"),
    ],
    ids=["newest of a person", "next page of a person", "one set", "by id"],
)
def test_a_search_for_someone_or_something_reads_only_theirs(engine: Engine, query: ObservationQuery) -> None:
    for steps in (
        plans(engine, lambda snapshot: find_observations(snapshot, TENANT, query)),
        plans(engine, lambda snapshot: count_observations(snapshot, TENANT, query)),
    ):
        ways = [step for step in steps if "reading" in step]
        assert ways
        assert [way for way in ways if "SEARCH" not in way or "(tenant_id=?)" in way] == []


WHEN = DateRange("ge", END.ordered_by, END.ordered_by)
AT_PLACE = PointerTest(pointer="location", pairs=frozenset(("urn:example:room|1",)))
WIDE = {
    "newest of all": ObservationQuery(),
    "a window of time": ObservationQuery(taken=((WHEN,), (msgspec.structs.replace(WHEN, prefix="lt"),))),
    "the oldest, from the middle": ObservationQuery(order="date", after=END),
    "what changed": ObservationQuery(updated=((WHEN,),), order="updated"),
    "what changed, from the middle": ObservationQuery(order="updated", after=END),
    "of a device": ObservationQuery(device_ids=frozenset((PERSON,))),
    "by somebody": ObservationQuery(pointers=(PointerTest(pointer="performer", pairs=frozenset(("urn:example:nurse|1",))),)),
    "at a place of few sets": ObservationQuery(pointers=(AT_PLACE,)),
    "of a visit": ObservationQuery(pointers=(PointerTest(pointer="encounter", pairs=frozenset(("urn:example:visit|1",))),)),
    "of an order": ObservationQuery(pointers=(PointerTest(pointer="based_on", pairs=frozenset(("urn:example:order|1",))),)),
}


@pytest.mark.parametrize("query", WIDE.values(), ids=WIDE)
def test_a_search_over_all_persons_is_led_by_an_index_too(engine: Engine, query: ObservationQuery) -> None:
    steps = plans(engine, lambda snapshot: find_observations(snapshot, TENANT, query))
    ways = [step for step in steps if "reading" in step or "set_version" in step]
    assert len(ways) >= 3
    assert [way for way in ways if "INDEX" not in way and "PRIMARY KEY" not in way] == []
    led = [way for way in ways if "(tenant_id=?)" in way]
    assert [way for way in led if not any(index in way for index in IN_ORDER)] == [], "an index in the order of the page"


def test_a_place_of_many_sets_is_searched_in_the_order_of_time(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(observations, "MANY_SETS", 0)
    query = ObservationQuery(pointers=(AT_PLACE,), taken=((WHEN,),))
    steps = plans(engine, lambda snapshot: find_observations(snapshot, TENANT, query))
    assert len([step for step in steps if "ix_reading_taken (tenant_id=? AND taken_at>?)" in step]) == 2
    assert any("ix_reading_set_mean_location (tenant_id=? AND location=? AND mean_taken_from" in step for step in steps)


def test_an_export_of_changes_reads_what_changed(engine: Engine) -> None:
    span = Span(tenant_id=TENANT, members=Members(), since=END.ordered_by, at=END.ordered_by, all_versions=True)
    for work in (lambda snapshot: read_sets(snapshot, span, None), lambda snapshot: read_subjects(snapshot, span, None)):
        led = [step for step in plans(engine, work) if "SEARCH" in step]
        assert len(led) == 2, "how many changed, and the first page of them"
        assert [step for step in led if "_updated (tenant_id=? AND updated_at>?)" not in step] == []


def test_flags_of_a_device_are_not_looked_for_among_its_readings(engine: Engine) -> None:
    steps = plans(engine, lambda snapshot: find_observations(snapshot, TENANT, WIDE["of a device"]))
    assert any("ix_reading_flags_device (tenant_id=? AND device_id=?)" in step for step in steps)


def test_means_of_a_device_are_looked_for_between_both_ends_of_a_day(engine: Engine) -> None:
    day = msgspec.structs.replace(WHEN, prefix="eq")
    query = ObservationQuery(device_ids=frozenset((PERSON,)), taken=((day,),))
    steps = plans(engine, lambda snapshot: find_observations(snapshot, TENANT, query))
    both_ends = "AND mean_taken_from>? AND mean_taken_from<?)"
    assert any("ix_reading_set_mean_device" in step and both_ends in step for step in steps)


def test_documents_are_fetched_by_their_keys(engine: Engine) -> None:
    steps = plans(engine, lambda snapshot: read_versions_shown(snapshot, TENANT, {UUID(SITTING), UUID(PERSON)}))
    assert any("ix_reading_set_set (tenant_id=? AND set_id=?)" in step for step in steps)
    assert any("(tenant_id=? AND subject_id=? AND set_id=? AND version=?)" in step for step in steps)
    assert not any("SCAN" in step for step in steps)
