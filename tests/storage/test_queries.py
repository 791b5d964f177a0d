"""Cursors and limits of lists."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.storage.rows.paging import check_limit, cursor_text, read_cursor
from quietcuff.storage.rows.reading_sets import SetPageEnd, cursor_of, page_end_of
from storage.rows import NOON


@given(st.datetimes(min_value=NOON.replace(year=1900, tzinfo=None), timezones=st.just(NOON.tzinfo)), st.uuids())
def test_a_cursor_leads_back_to_where_a_page_ended(taken_from: datetime, set_id: UUID) -> None:
    end = SetPageEnd(taken_from, set_id)
    cursor = cursor_of(end)
    assert page_end_of(cursor) == end
    assert cursor.replace("-", "").replace("_", "").isalnum()


def test_a_cursor_with_the_padding_of_base64_leads_to_the_same_place() -> None:
    assert read_cursor("AA==", bytes) == read_cursor("AA", bytes) == b"\0"
    assert cursor_text(b"\0") == "AA"


@given(st.text(max_size=60))
def test_any_other_text_is_refused_by_its_parameter(text: str) -> None:
    try:
        assert cursor_of(page_end_of(text)).rstrip("=")
    except NotAcceptable as refusal:
        assert [(fault.parameter, fault.code) for fault in refusal.faults] == [("cursor", "not-a-cursor")]


@pytest.mark.parametrize("limit", [0, -1, 201])
def test_pages_are_of_1_to_200(limit: int) -> None:
    with pytest.raises(NotAcceptable) as refused:
        check_limit(limit)
    assert refused.value.faults[0].parameter == "limit"
    check_limit(1)
    check_limit(200)
