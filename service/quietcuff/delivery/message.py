"""The message for an outbox entry: a FHIR transaction for a record, or a signed event for a webhook.

An event is one version of a set as CloudEvents 1.0 in structured JSON. It holds ids and no measured value.

Source: CloudEvents specification 1.0.2 and its JSON format.
"""

from __future__ import annotations

from datetime import datetime

import msgspec

from quietcuff.core.model.fields import utc_text
from quietcuff.delivery.changes import Outgoing, find_outgoing, message_id
from quietcuff.delivery.http_sender import Parcel
from quietcuff.delivery.signing import signature_headers
from quietcuff.delivery.transaction import transaction_of
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.delivery.outbox import OutboxEntry
from quietcuff.storage.delivery.targets import TargetRow
from quietcuff.storage.search.observations import Snapshot

MEDIA_TYPE = "application/cloudevents+json; charset=utf-8"
TYPE = "quietcuff.reading-set.{cause}"


class EventData(msgspec.Struct, frozen=True, kw_only=True):
    """The set, the version, and the ids of the Observations that are new or changed in it."""

    reading_set_id: str
    version: int
    observations: list[str]


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """The event. ``id`` together with ``source`` stays the same however often it is sent."""

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


FHIR_JSON = "application/fhir+json"


def parcel_of(snapshot: Snapshot, publisher: Publisher, target: TargetRow, entry: OutboxEntry, now: datetime) -> Parcel | None:
    """The parcel with one version for one target; None where there is nothing to send.

    Raises:
        NotFound: the set is not there any more.
    """
    outgoing = find_outgoing(snapshot, publisher, target, entry)
    if target.kind == "webhook":
        body = event_of(publisher, outgoing)
        signed = signature_headers(message_id(entry.set_id, entry.version), now, body, keys_of(target, now))
        return Parcel(url=target.url, headers={"Content-Type": MEDIA_TYPE, **signed}, body=body)
    transaction = transaction_of(snapshot, publisher, outgoing)
    if transaction is None:
        return None
    # The answer needs only statuses: a record that returned every resource would send more than is read.
    headers = {"Content-Type": FHIR_JSON, "Accept": FHIR_JSON, "Prefer": "return=minimal"}
    if target.secret is not None:
        headers["Authorization"] = f"Bearer {target.secret.decode('ascii')}"
    return Parcel(url=target.url, headers=headers, body=transaction)


def keys_of(target: TargetRow, now: datetime) -> list[bytes]:
    """The keys that sign now: the newest, and for a while the one before."""
    keys = [] if target.secret is None else [target.secret]
    is_earlier_good = target.earlier_secret_until is not None and now < target.earlier_secret_until
    return [*keys, target.earlier_secret] if is_earlier_good and target.earlier_secret is not None else keys
