"""Tables of people, devices, sittings, readings and claims, for SQLite and PostgreSQL. Whoever loads them has every table.

The key of each table starts with the tenant, then the subject where there is one, so that the schema can be partitioned by it.
Documents are bytes, kept as they were answered. There are no foreign keys between the tables that every request writes. The
words behind small numbers stand in ``codes.py``. Identifiers of callers are stored as ``system|value``.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    ColumnElement,
    FromClause,
    Index,
    Integer,
    LargeBinary,
    SmallInteger,
    String,
    Table,
    Text,
    and_,
    true,
)

from quietcuff.storage.schema.base import Id, Instant, metadata, where
from quietcuff.storage.schema.bulk import export_chunk, export_file, export_job, group_former, patient_group
from quietcuff.storage.schema.delivery import delivery_place, outbox, target
from quietcuff.storage.schema.payloads import payload, payload_claim, payload_link, payload_person, refused_payload
from quietcuff.storage.schema.retention import deleted_set, deleted_subject, subject_hold
from quietcuff.storage.schema.tenants import api_key, assertion_use, client, installation, key_use, tenant
from quietcuff.storage.schema.trail import trail, trail_seal
from quietcuff.storage.schema.what_if import what_if_job

subject = Table(
    "subject",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("system", String(255), nullable=False),
    Column("value", String(255), nullable=False),
    Column("facts", LargeBinary, nullable=False, doc="JSON of core.readings.Facts"),
    Column("version", Integer, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("updated_at", Instant, nullable=False),
    Index("ix_subject_value", "tenant_id", "value"),
    Index("ix_subject_updated", "tenant_id", "updated_at"),
)

subject_past = Table(
    "subject_past",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False, doc="a version before the newest"),
    Column("system", String(255), nullable=False),
    Column("value", String(255), nullable=False),
    Column("facts", LargeBinary, nullable=False),
    Column("updated_at", Instant, nullable=False),
)

device = Table(
    "device",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("device_id", Id, primary_key=True),
    Column("system", String(255), nullable=False),
    Column("value", String(255), nullable=False),
    Column("registered", Boolean(create_constraint=False), nullable=False, doc="false: only seen in a set"),
    Column("document", LargeBinary, nullable=False, doc="JSON: registry document, or the device as a set had it"),
    Column("version", Integer, nullable=False),
    Column("updated_at", Instant, nullable=False),
)

device_past = Table(
    "device_past",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("device_id", Id, primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False, doc="a version before the newest"),
    Column("system", String(255), nullable=False),
    Column("value", String(255), nullable=False),
    Column("document", LargeBinary, nullable=False),
    Column("updated_at", Instant, nullable=False),
)

reading_set = Table(
    "reading_set",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("set_id", Id, primary_key=True),
    Column("taken_from", Instant, nullable=False, doc="first reading that is not voided"),
    Column("taken_to", Instant, nullable=False),
    Column("from_offset_minutes", SmallInteger, nullable=False),
    Column("to_offset_minutes", SmallInteger, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("updated_at", Instant, nullable=False),
    Column("touched_at", Instant, nullable=False, doc="last arrival of readings, by the server's clock"),
    Column("closed_at", Instant, doc="null while open"),
    Column("version", Integer, nullable=False),
    Column("status", SmallInteger, nullable=False, doc="SET_STATUS"),
    Column("state", SmallInteger, nullable=False, doc="STATE"),
    Column("setting", SmallInteger, nullable=False, doc="SETTING"),
    Column("protocol", String(64), nullable=False),
    Column("device_id", Id),
    Column("observer", Text),
    Column("location", Text),
    Column("encounter", Text),
    Column("based_on", Text),
    # The mean as a resource of its own: its content, the version that decided it, and its last move. Null before the first
    # mean.
    Column("mean_version", Integer),
    Column("mean_status", SmallInteger, doc="OBSERVATION_STATUS"),
    Column("mean_from_version", Integer, doc="the set_version whose evaluation the mean shows"),
    Column("mean_updated_at", Instant),
    Column("mean_taken_from", Instant, doc="first reading that counts in the mean shown; first attempt where it has no result"),
    Column("mean_taken_to", Instant, doc="the last of them"),
    Column("systolic", SmallInteger, doc="mmHg, as the mean shows it; null where it says that there is no result"),
    Column("diastolic", SmallInteger, doc="mmHg, as the mean shows it"),
    Column("counted", SmallInteger),
    Column("mean_systolic", Integer, doc="ten-thousandths of mmHg, exactly as the mean shows it"),
    Column("mean_diastolic", Integer, doc="ten-thousandths of mmHg, exactly as the mean shows it"),
    Column("hours_24_systolic", Integer, doc="the same of a mean of 24 hours; null where there is none"),
    Column("hours_24_diastolic", Integer),
    Column("mean_device_id", Id, doc="the device of every reading that counts in the mean shown, where it is one"),
    Column("mean_cuff", SmallInteger, doc="CUFF_SIZE of every reading that counts in the mean shown, where it is one"),
    Column("mean_method", SmallInteger, doc="METHOD of every reading that counts in the mean shown, where it is one"),
    Column("mean_has_device", Boolean(create_constraint=False), doc="true where the mean shown names a device, else null"),
    Column("mean_is_long", Boolean(create_constraint=False), doc="the period of the mean shown is longer than a day"),
    Column("labels", Text, doc="guideline:category of its labels, a space before and after each"),
    Column("findings", Text, doc="the codes of its findings, a space before and after each"),
    Column("sitting", LargeBinary, doc="JSON: what later sets need of this one as history"),
    Index("ix_reading_set_set", "tenant_id", "set_id"),
    Index("ix_reading_set_subject_taken", "tenant_id", "subject_id", "taken_from"),
    Index("ix_reading_set_taken", "tenant_id", "taken_from"),
    Index("ix_reading_set_updated", "tenant_id", "updated_at"),
    sqlite_with_rowid=False,
)
Index("ix_reading_set_open", reading_set.c.tenant_id, reading_set.c.touched_at, **where(reading_set.c.closed_at.is_(None)))
Index(
    "ix_reading_set_mean_taken",
    reading_set.c.tenant_id,
    reading_set.c.mean_taken_from,
    **where(reading_set.c.mean_version.is_not(None)),
)
Index(
    "ix_reading_set_mean_updated",
    reading_set.c.tenant_id,
    reading_set.c.mean_updated_at,
    **where(reading_set.c.mean_version.is_not(None)),
)
Index(
    "ix_reading_set_mean_device",
    reading_set.c.tenant_id,
    reading_set.c.mean_device_id,
    reading_set.c.mean_taken_from,
    **where(reading_set.c.mean_device_id.is_not(None)),
)
Index(
    "ix_reading_set_mean_long",
    reading_set.c.tenant_id,
    reading_set.c.mean_taken_from,
    **where(reading_set.c.mean_is_long == true()),
)
Index("ix_reading_set_based_on", reading_set.c.tenant_id, reading_set.c.based_on, **where(reading_set.c.based_on.is_not(None)))
Index(
    "ix_reading_set_encounter", reading_set.c.tenant_id, reading_set.c.encounter, **where(reading_set.c.encounter.is_not(None))
)
Index(
    "ix_reading_set_observer",
    reading_set.c.tenant_id,
    reading_set.c.observer,
    reading_set.c.taken_from,
    **where(reading_set.c.observer.is_not(None)),
)
Index(
    "ix_reading_set_location",
    reading_set.c.tenant_id,
    reading_set.c.location,
    reading_set.c.taken_from,
    **where(reading_set.c.location.is_not(None)),
)
Index(
    "ix_reading_set_mean_observer",
    reading_set.c.tenant_id,
    reading_set.c.observer,
    reading_set.c.mean_taken_from,
    **where(reading_set.c.observer.is_not(None)),
)
Index(
    "ix_reading_set_mean_location",
    reading_set.c.tenant_id,
    reading_set.c.location,
    reading_set.c.mean_taken_from,
    **where(reading_set.c.location.is_not(None)),
)

set_version = Table(
    "set_version",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("set_id", Id, primary_key=True),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("cause", SmallInteger, nullable=False, doc="CAUSE"),
    Column("status", SmallInteger, nullable=False, doc="SET_STATUS"),
    Column("closes_at", Instant, doc="null where this version is closed"),
    Column("document", LargeBinary, nullable=False, doc="the reading set as answered, JSON"),
    Column("evaluation", LargeBinary, nullable=False, doc="the evaluation as answered, JSON"),
    Column("rules_digest", String(80), nullable=False),
    Column("changed", Text, nullable=False, doc="places whose resource moved, such as: r2 p2 mean"),
    Column("author", Text),
    Column("reason", Text),
    Column("created_by", String(255), nullable=False),
    Column("created_at", Instant, nullable=False, doc="later than that of the version before"),
    Column(
        "tells_no_result",
        Boolean(create_constraint=False),
        doc="true where a closed set without a result has an Observation that says so; null of what was stored before",
    ),
    Index("ix_set_version_created", "tenant_id", "created_at"),
)

reading = Table(
    "reading",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("subject_id", Id, primary_key=True),
    Column("set_id", Id, primary_key=True),
    Column("reading_index", SmallInteger, primary_key=True, autoincrement=False),
    Column("taken_at", Instant, nullable=False),
    Column("offset_minutes", SmallInteger, nullable=False),
    Column("systolic", Integer, doc="hundredths of mmHg"),
    Column("diastolic", Integer, doc="hundredths of mmHg"),
    Column("mean_arterial", Integer, doc="hundredths of mmHg"),
    Column("pulse", Integer, doc="hundredths per minute"),
    Column("site", SmallInteger, nullable=False, doc="SITE"),
    Column("position", SmallInteger, nullable=False, doc="POSITION"),
    Column("method", SmallInteger, doc="METHOD"),
    Column("rhythm", SmallInteger, nullable=False, doc="RHYTHM"),
    Column("flags", SmallInteger, nullable=False, doc="DEVICE_FLAG, one bit each"),
    Column("cuff", SmallInteger, doc="CUFF_SIZE of its own cuff, else the set's; null where no size is known"),
    Column("counts", Boolean(create_constraint=False), nullable=False),
    Column("reason", SmallInteger, doc="REASON, null where it counts"),
    Column("device_id", Id, doc="the reading's own device, else the set's"),
    Column("has_device", Boolean(create_constraint=False), doc="true where its Observations name a device, else null"),
    Column("performer", Text, doc="who measured, system|value: the reading's own observer, else the set's"),
    Column("identifier", Text, doc="the sender's own name of the reading, system|value"),
    Column("source_key", LargeBinary(16), doc="keyed digest of a device's or sender's own key of the reading"),
    # The reading, its pulse and its flags are three resources. Each gets a new version only when its own content changed.
    Column("version", Integer, nullable=False),
    Column("status", SmallInteger, nullable=False, doc="OBSERVATION_STATUS"),
    Column("updated_at", Instant, nullable=False),
    Column("pulse_version", Integer, doc="null: there never was a pulse"),
    Column("pulse_status", SmallInteger, doc="OBSERVATION_STATUS"),
    Column("pulse_updated_at", Instant),
    Column("flags_version", Integer, doc="null: there never was a flag"),
    Column("flags_status", SmallInteger, doc="OBSERVATION_STATUS"),
    Column("flags_updated_at", Instant),
    Index("ix_reading_subject_taken", "tenant_id", "subject_id", "taken_at"),
    Index("ix_reading_taken", "tenant_id", "taken_at"),
    sqlite_with_rowid=False,
)
Index("ix_reading_flags_taken", reading.c.tenant_id, reading.c.taken_at, **where(reading.c.flags_version.is_not(None)))
Index(
    "ix_reading_flags_updated", reading.c.tenant_id, reading.c.flags_updated_at, **where(reading.c.flags_version.is_not(None))
)
Index(
    "ix_reading_device", reading.c.tenant_id, reading.c.device_id, reading.c.taken_at, **where(reading.c.device_id.is_not(None))
)
Index(
    "ix_reading_flags_device",
    reading.c.tenant_id,
    reading.c.device_id,
    reading.c.taken_at,
    **where(reading.c.flags_version.is_not(None)),
)
Index(
    "ix_reading_performer",
    reading.c.tenant_id,
    reading.c.performer,
    reading.c.taken_at,
    **where(reading.c.performer.is_not(None)),
)
Index("ix_reading_identifier", reading.c.tenant_id, reading.c.identifier, **where(reading.c.identifier.is_not(None)))
Index(
    "ix_reading_source",
    reading.c.tenant_id,
    reading.c.subject_id,
    reading.c.source_key,
    **where(reading.c.source_key.is_not(None)),
)

claim = Table(
    "claim",
    metadata,
    Column("tenant_id", Integer, primary_key=True, autoincrement=False),
    Column("key_digest", LargeBinary(16), primary_key=True, doc="keyed digest of kind and key or identifier"),
    Column("kind", SmallInteger, nullable=False, doc="CLAIM_KIND"),
    Column("subject_id", Id, nullable=False),
    Column("set_id", Id, nullable=False),
    Column("version", Integer, nullable=False),
    Column("body_digest", LargeBinary(16), nullable=False),
    Column("created_at", Instant, nullable=False),
    Index("ix_claim_set", "tenant_id", "set_id"),
    sqlite_with_rowid=False,
)


# Tables that are read before a tenant is known, or belong to none.
OPEN_TABLES = (tenant, installation, api_key, key_use, client, assertion_use, delivery_place)
# Tables whose rows belong to one tenant. PostgreSQL's row security keeps them from every other tenant.
DELIVERY_TABLES = (target, outbox)
PAYLOAD_TABLES = (payload, payload_link, payload_claim, payload_person, refused_payload)
RETENTION_TABLES = (deleted_set, deleted_subject, subject_hold)
EXPORT_TABLES = (patient_group, group_former, export_job, export_file, export_chunk)
GUARDED_TABLES = (
    *(subject, subject_past, device, device_past, reading_set, set_version, reading, claim, trail, trail_seal),
    *DELIVERY_TABLES,
    *PAYLOAD_TABLES,
    *EXPORT_TABLES,
    *RETENTION_TABLES,
    what_if_job,
)
EVERY_TABLE = tuple(sorted((*OPEN_TABLES, *GUARDED_TABLES), key=lambda table: table.name))


def of_set(table: Table, whole: FromClause = reading_set) -> ColumnElement[bool]:
    """The rows of a table that belong to a set, joined by the set's whole key."""
    return and_(
        table.c.tenant_id == whole.c.tenant_id,
        table.c.subject_id == whole.c.subject_id,
        table.c.set_id == whole.c.set_id,
    )
