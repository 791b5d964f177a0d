"""Cursors and limits of lists."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.storage.rows.reading_sets import SetPageEnd, check_limit, cursor_of, read_cursor
from storage.rows import NOON


@given(st.datetimes(min_value=NOON.replace(year=1900, tzinfo=None), timezones=st.just(NOON.tzinfo)), st.uuids())
def test_a_cursor_leads_back_to_where_a_page_ended(taken_from: datetime, set_id: UUID) -> None:
    end = SetPageEnd(taken_from, set_id)
    cursor = cursor_of(end)
    assert read_cursor(cursor) == end
    assert cursor.replace("-", "").replace("_", "").isalnum()


@given(st.text(max_size=60))
def test_any_other_text_is_refused_by_its_parameter(text: str) -> None:
    try:
        assert cursor_of(read_cursor(text)).rstrip("=")
    except NotAcceptable as refusal:
        assert [(fault.parameter, fault.code) for fault in refusal.faults] == [("cursor", "not-a-cursor")]


@pytest.mark.parametrize("limit", [0, -1, 201])
def test_pages_are_of_1_to_200(limit: int) -> None:
    with pytest.raises(NotAcceptable) as refused:
        check_limit(limit)
    assert refused.value.faults[0].parameter == "limit"
    check_limit(1)
    check_limit(200)
