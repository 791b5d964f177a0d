"""The picture of a person's pressures over time: reading of the sets, and drawing in the drawing thread."""

from __future__ import annotations

from datetime import UTC, date, datetime
from uuid import UUID

import msgspec

from quietcuff.analytics import trend_text as told
from quietcuff.analytics.extras import require
from quietcuff.analytics.matplotlib_svg import draw
from quietcuff.analytics.trend import Trend, make_trend
from quietcuff.analytics.trend_drawing import draw_trend
from quietcuff.analytics.trend_words import PictureWords
from quietcuff.application import AppContext, Caller
from quietcuff.application.parties import DECODER
from quietcuff.application.read_sittings import first_moment
from quietcuff.application.summary import stored_sitting
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import Facts
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.retention import missing_subject
from quietcuff.storage.rows.subjects import find_subject
from quietcuff.storage.rows.versions import AnsweredVersion, answers_of_subject_taken

MOST_SETS = 500
BEFORE_ALL, AFTER_ALL = datetime(1899, 1, 1, tzinfo=UTC), datetime(2202, 1, 1, tzinfo=UTC)


class TrendQuery(msgspec.Struct, frozen=True, kw_only=True):
    """The sittings to draw, begun in ``[since, until)``, and the guideline. A plain day is in the tenant's time zone."""

    since: datetime | date | None = None
    until: datetime | date | None = None
    guideline: str | None = None


async def read_trend_picture(desk: AppContext, caller: Caller, wanted: str, query: TrendQuery, words: PictureWords) -> bytes:
    """The picture as SVG, over at most the newest 500 matching sets. The same sets, rules and words give the same bytes.

    Raises:
        NotAcceptable: a guideline that is not in the rulebook, or a day that cannot be.
        NotFound: nobody of this tenant.
        NotInstalled: the packages for drawing are missing.
    """
    require("pictures")
    book = desk.rulebook
    if query.guideline is not None and query.guideline not in book.guidelines:
        detail = f"Accepted: {', '.join(sorted(book.guidelines))}."
        raise NotAcceptable.of(parameter="guideline", code="unknown-code", detail=detail)
    tenant = await desk.tenants.get(caller.tenant_id)
    since = first_moment(query.since, tenant.zone, "from") or BEFORE_ALL
    until = first_moment(query.until, tenant.zone, "to") or AFTER_ALL
    person = read_id(wanted)
    facts, versions = await desk.store.read(
        caller.tenant_id, lambda work: read_sets(work, caller.tenant_id, person, since, until)
    )
    return await draw(lambda: picture_of(facts, versions, book, query.guideline, words))


def read_sets(
    transaction: Transaction, tenant_id: int, person: UUID, since: datetime, until: datetime
) -> tuple[Facts, list[AnsweredVersion]]:
    """Facts of the person, and the newest versions of the sets, latest first; one more than is drawn.

    Raises:
        NotFound: nobody of this tenant.
        Deleted: somebody who was deleted.
    """
    known = find_subject(transaction, tenant_id, person)
    if known is None:
        raise missing_subject(transaction, tenant_id, person)
    # One more than is drawn: its presence tells that the picture is cut, which the picture then says.
    versions = answers_of_subject_taken(transaction, tenant_id, person, since, until, MOST_SETS + 1)
    return DECODER.decode(known.facts), versions


def picture_of(
    facts: Facts, versions: list[AnsweredVersion], book: Rulebook, guideline: str | None, words: PictureWords
) -> bytes:
    """The picture of stored versions."""
    sittings = [stored_sitting(version) for version in versions[:MOST_SETS]]
    trend = make_trend(sittings, facts, book, guideline, is_cut=len(versions) > MOST_SETS)
    return finished(trend, words)


def finished(trend: Trend, words: PictureWords) -> bytes:
    """The drawn picture with its title and its description, and its language where one was asked for."""
    asked = None if words.speaker is None else words.language.about.language
    return draw_trend(trend, words).svg(words.say("title"), told.description(trend, words), asked)
