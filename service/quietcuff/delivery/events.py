"""One version of a set as an event: CloudEvents 1.0, structured JSON. It holds ids and nothing of what was measured.

Source: CloudEvents specification 1.0.2 and its JSON format.
"""

from __future__ import annotations

import msgspec

from quietcuff.core.model.readings import utc_text
from quietcuff.delivery.changes import Outgoing, message_id
from quietcuff.fhir.versions.stored_sets import Publisher

MEDIA_TYPE = "application/cloudevents+json; charset=utf-8"
TYPE = "quietcuff.reading-set.{cause}"


class EventData(msgspec.Struct, frozen=True, kw_only=True):
    """Which set, which version of it, and the ids of the Observations that are new or moved in it."""

    reading_set_id: str
    version: int
    observations: list[str]


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """The event; ``id`` with ``source`` is the same however often it is sent."""

    specversion: str = "1.0"
    id: str
    source: str
    type: str
    subject: str
    time: str
    datacontenttype: str = "application/json"
    data: EventData


def event_of(publisher: Publisher, outgoing: Outgoing) -> bytes:
    """The event of a version: created, appended, closed, timed-out, reopened, corrected, voided or re-evaluated."""
    set_id, version = outgoing.row.set_id, outgoing.version
    event = Event(
        id=message_id(set_id, version.version),
        source=publisher.public_url,
        type=TYPE.format(cause=version.cause),
        subject=str(set_id),
        time=utc_text(version.created_at),
        data=EventData(
            reading_set_id=str(set_id),
            version=version.version,
            observations=[f"{set_id}-{name}" for name in version.changed.split() if name in outgoing.moved],
        ),
    )
    return msgspec.json.encode(event)
