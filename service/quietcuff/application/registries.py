"""The registries of people and of devices."""

from __future__ import annotations

from uuid import UUID
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec

from quietcuff.application import parties
from quietcuff.application.context import AppContext, Caller, IfMatch, Record, UnitOfWork, note, turn_of
from quietcuff.application.evaluate_and_keep import history_before
from quietcuff.core.model.changes import SubjectChange, merged
from quietcuff.core.model.errors import Fault, NotAcceptable, NotFound, VersionStale
from quietcuff.core.model.readings import Identifier, Subject
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.storage.engine.ids import NOBODY, device_id, order_of_subject, read_id, subject_id
from quietcuff.storage.engine.transactions import RunAgain, Transaction
from quietcuff.storage.rows.devices import DeviceRow, change_device, find_device, insert_device_if_new, lock_device
from quietcuff.storage.rows.retention import missing_subject
from quietcuff.storage.rows.subjects import SubjectRow, change_subject, insert_subject_if_new, lock_subject
from quietcuff.storage.rows.subjects import find_subject as find_row

ENCODER = msgspec.json.Encoder()


async def save_subject(desk: AppContext, caller: Caller, change: SubjectChange, *, if_match: IfMatch) -> Record:
    """Register a person or change their facts: a missing field stays as it is, null clears it.

    Raises:
        VersionStale: a version is named, and it is not the newest.
    """
    tenant = await desk.tenants.get(caller.tenant_id)
    person = subject_id(tenant.secret, change.identifier)
    return await desk.store.write(
        tenant.tenant_id,
        lambda transaction: store_subject(turn_of(desk, tenant, caller, transaction), person, change, if_match),
        order=order_of_subject(person),
    )


def store_subject(turn: UnitOfWork, person: UUID, change: SubjectChange, if_match: IfMatch) -> Record:
    known = lock_subject(turn.transaction, turn.tenant.tenant_id, person)
    check_version(if_match, None if known is None else known.version)
    if known is None:
        said = Subject(identifier=change.identifier)
        row = parties.row_of(turn, person, merged(said, change), None, None)
        if not insert_subject_if_new(turn.transaction, row):
            # Two processes may both find nobody and insert; the loser runs its work again and then finds the winner's row.
            raise RunAgain
    else:
        facts = parties.DECODER.decode(known.facts)
        changed = merged(facts, change)
        # An unchanged person gets no new version and no trail row: repeating a request must change nothing.
        if changed == facts:
            return subject_record(turn, known)
        row = parties.with_facts(turn, known, changed)
        change_subject(turn.transaction, row)
    note(turn.transaction, turn.caller, "save-subject", turn.now, subject_id=person, version=row.version)
    return subject_record(turn, row, created=known is None)


async def find_subject(desk: AppContext, caller: Caller, identifier: Identifier) -> str:
    """Id of the person with that identifier.

    Raises:
        NotFound: nobody of this tenant.
    """
    tenant = await desk.tenants.get(caller.tenant_id)
    person = subject_id(tenant.secret, identifier)
    known = await desk.store.read(tenant.tenant_id, lambda transaction: find_row(transaction, tenant.tenant_id, person))
    if known is None:
        raise NotFound("subject")
    return str(person)


async def read_subject(desk: AppContext, caller: Caller, wanted: str) -> Record:
    """A registered person, with the history that a sitting taken now would be evaluated with.

    Raises:
        NotFound: nobody of this tenant.
        Deleted: somebody who was deleted.
    """
    tenant = await desk.tenants.get(caller.tenant_id)
    person = read_id(wanted)

    def read(transaction: Transaction) -> Record:
        known = find_row(transaction, tenant.tenant_id, person)
        if known is None:
            raise missing_subject(transaction, tenant.tenant_id, person)
        return subject_record(turn_of(desk, tenant, caller, transaction), known)

    return await desk.store.read(tenant.tenant_id, read)


def subject_record(turn: UnitOfWork, row: SubjectRow, *, created: bool = False) -> Record:
    facts = parties.DECODER.decode(row.facts)
    history = history_before(turn, row.subject_id, facts, turn.now, other_than=NOBODY)
    body = {
        "id": str(row.subject_id),
        "version": row.version,
        "identifier": Identifier(system=row.system, value=row.value),
        **msgspec.structs.asdict(facts),
        "history": history,
    }
    return Record(body=ENCODER.encode(body), id=str(row.subject_id), version=row.version, created=created)


async def save_device(desk: AppContext, caller: Caller, document: RegisteredDevice, *, if_match: IfMatch) -> Record:
    """Register a device, or replace its whole document.

    Raises:
        NotAcceptable: a time zone that the time-zone database does not have.
        VersionStale: a version is named, and it is not the newest.
    """
    if faults := faults_of_device(document):
        raise NotAcceptable(faults)
    tenant = await desk.tenants.get(caller.tenant_id)
    device = device_id(tenant.secret, document.identifier)
    return await desk.store.write(
        tenant.tenant_id,
        lambda transaction: store_device(turn_of(desk, tenant, caller, transaction), device, document, if_match),
        order=order_of_subject(device),
    )


def store_device(turn: UnitOfWork, device: UUID, document: RegisteredDevice, if_match: IfMatch) -> Record:
    known = lock_device(turn.transaction, turn.tenant.tenant_id, device)
    is_registered = known is not None and known.registered
    # A device that was only seen in a set has a version, but its row is no registration that a caller could have read.
    check_version(if_match, known.version if known is not None and is_registered else None)
    row = DeviceRow(
        tenant_id=turn.tenant.tenant_id,
        device_id=device,
        system=document.identifier.system,
        value=document.identifier.value,
        registered=True,
        document=ENCODER.encode(document),
        version=1 if known is None else known.version + 1,
        updated_at=turn.now,
    )
    if known is not None and is_registered and known.document == row.document:
        return device_record(known)
    if known is not None:
        change_device(turn.transaction, row)
    elif not insert_device_if_new(turn.transaction, row):
        raise RunAgain
    note(turn.transaction, turn.caller, "save-device", turn.now, version=row.version)
    return device_record(row, created=not is_registered)


async def read_device(desk: AppContext, caller: Caller, wanted: str) -> Record:
    """A registered device.

    Raises:
        NotFound: this tenant has registered none of that id.
    """
    device = read_id(wanted)
    row = await desk.store.read(caller.tenant_id, lambda transaction: find_device(transaction, caller.tenant_id, device))
    if row is None or not row.registered:
        raise NotFound("device")
    return device_record(row)


def device_record(row: DeviceRow, *, created: bool = False) -> Record:
    head = f'{{"id":"{row.device_id}","version":{row.version},'
    return Record(body=head.encode() + row.document[1:], id=str(row.device_id), version=row.version, created=created)


def check_version(if_match: IfMatch, newest: int | None) -> None:
    """Check a named version of a registry entry; naming none is allowed.

    Raises:
        VersionStale: it is not the newest, or there is no entry yet.
    """
    if if_match is None or (if_match == "*" and newest is not None):
        return
    if if_match == "*" or newest not in if_match:
        raise VersionStale(newest or 0)


def faults_of_device(document: RegisteredDevice) -> list[Fault]:
    """Fault for a time zone that the time-zone database does not have."""
    if document.time_zone is None:
        return []
    try:
        ZoneInfo(document.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        detail = "A zone of the time-zone database, such as Europe/Vienna."
        return [Fault(pointer="/time_zone", code="unknown-code", detail=detail)]
    return []
