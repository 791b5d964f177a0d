"""What is sent of an entry: the transaction or the event, with the headers that its receiver needs."""

from __future__ import annotations

from datetime import datetime

from quietcuff.delivery.changes import find_outgoing, message_id
from quietcuff.delivery.events import MEDIA_TYPE, event_of
from quietcuff.delivery.http_sender import Parcel
from quietcuff.delivery.signing import signature_headers
from quietcuff.delivery.transaction import transaction_of
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.delivery.outbox import Entry
from quietcuff.storage.delivery.targets import TargetRow
from quietcuff.storage.search.observations import Snapshot

FHIR_JSON = "application/fhir+json"


def parcel_of(snapshot: Snapshot, publisher: Publisher, target: TargetRow, entry: Entry, now: datetime) -> Parcel | None:
    """What one target is to get of one version; None where there is nothing to tell.

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
    headers = {"Content-Type": FHIR_JSON, "Accept": FHIR_JSON, "Prefer": "return=minimal"}
    if target.secret is not None:
        headers["Authorization"] = f"Bearer {target.secret.decode('ascii')}"
    return Parcel(url=target.url, headers=headers, body=transaction)


def keys_of(target: TargetRow, now: datetime) -> list[bytes]:
    """The keys that sign now: the newest, and for a while after it was replaced the one before."""
    keys = [] if target.secret is None else [target.secret]
    is_earlier_good = target.earlier_secret_until is not None and now < target.earlier_secret_until
    return [*keys, target.earlier_secret] if is_earlier_good and target.earlier_secret is not None else keys
