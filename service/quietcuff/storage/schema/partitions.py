"""The tables that PostgreSQL may hold in parts, and the key that tells in which part a row is.

The key is in the primary key and in every unique index of its table, so that each part, or each machine of a distributed
database, can tell by itself that a row is there once.
"""

from __future__ import annotations

from sqlalchemy import Table

from quietcuff.storage.schema.delivery import outbox
from quietcuff.storage.schema.payloads import payload_link, payload_person
from quietcuff.storage.schema.sittings import claim, reading, reading_set, set_version, subject, subject_past

OF_PERSON = ("tenant_id", "subject_id")
# A claim is looked for before its person is known.
OF_CLAIM = ("tenant_id", "key_digest")

PARTITION_KEYS: dict[Table, tuple[str, ...]] = {
    subject: OF_PERSON,
    subject_past: OF_PERSON,
    reading_set: OF_PERSON,
    set_version: OF_PERSON,
    reading: OF_PERSON,
    payload_link: OF_PERSON,
    payload_person: OF_PERSON,
    outbox: OF_PERSON,
    claim: OF_CLAIM,
}
