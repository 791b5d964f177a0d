"""First versions of new sets, made by a worker process from bytes alone, in the steps of ``store_sitting.store_new``."""

from __future__ import annotations

import msgspec

from quietcuff.application.evaluate_and_keep import completed
from quietcuff.application.foreseen import ENCODER, ORDERS, FirstVersion, SetOrder
from quietcuff.application.parties import meet, own_device_id, registry_of, with_known_devices
from quietcuff.application.stored import SET_DECODER
from quietcuff.application.version_rows import Version, first_draft, rows_of_version
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.record.resource_states import ResourceStates, next_stands
from quietcuff.core.record.sitting_version import SittingVersion
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.ids import device_ids
from quietcuff.storage.rows.ready_rows import ready_rows
from quietcuff.storage.rows.tenants import Tenant

JSON = msgspec.json.Encoder()
# As a set is encoded that came without either; its intake is its last field.
NO_HISTORY, NO_INTAKE = b'"history":null', b'"intake":null}'


def all_to_order(raw: bytes, rulebook: Rulebook) -> bytes:
    """The first version of each set that is asked for, in their order; null for one that the rules refuse."""
    return ENCODER.encode(
        [made_to_order(order, part.tenant, part.driver, rulebook) for part in ORDERS.decode(raw) for order in part.sets]
    )


def made_to_order(order: SetOrder, tenant: Tenant, driver: str, rulebook: Rulebook) -> FirstVersion | None:
    """The first version of a new set; None where the rules refuse it."""
    said, seen, at = SET_DECODER.decode(order.reading_set), order.seen, order.received_at
    met = meet(said.subject, seen.facts)
    draft = first_draft(said, met.said, met.differ, is_of_new_person=seen.facts is None)
    registry = registry_of(said, seen.devices)
    known = with_known_devices(draft.reading_set, registry)
    reading_set = completed(known, draft, None, registry, seen.earlier, at, at, tenant.settings)
    try:
        evaluation = evaluate(reading_set, reading_set.history, rulebook)
    except NotAcceptable:
        return None
    sitting = SittingVersion(
        set_id=str(order.set_id),
        subject_id=str(order.subject_id),
        reading_set=reading_set,
        evaluation=evaluation,
        device_ids=device_ids(tenant.secret, reading_set),
    )
    stands = next_stands(ResourceStates(), None, None, sitting, version=1, at=at)
    version = Version(number=1, at=at, sitting=sitting, stands=stands)
    key = {"tenant_id": tenant.tenant_id, "subject_id": order.subject_id, "set_id": order.set_id}
    own_device = own_device_id(tenant.secret, reading_set)
    document = completed_document(order.reading_set, reading_set) if known is said else None
    made = rows_of_version(key, draft, version, None, own_device, rulebook, order.actor, document)
    return FirstVersion(rows=ready_rows(driver, made.row, made.readings, made.version), learnt=met.learnt)


def completed_document(came: bytes, reading_set: ReadingSet) -> bytes | None:
    """The document of a set that differs from what came in its history and its intake alone; None where it came with either."""
    # Joined and not encoded once more, as both are a small part of it. No text looks like a key: quotes are escaped in texts.
    head, history, rest = came.partition(NO_HISTORY)
    if not history or not rest.endswith(NO_INTAKE):
        return None
    added = JSON.encode(reading_set.history), JSON.encode(reading_set.intake)
    return b'%b"history":%b%b"intake":%b}' % (head, added[0], rest[: -len(NO_INTAKE)], added[1])
