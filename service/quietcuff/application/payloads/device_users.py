"""Removal of an erased person from the users of registered devices."""

from __future__ import annotations

import msgspec

from quietcuff.application.context import UnitOfWork, note
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.readings import Identifier
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.storage.rows.devices import DeviceRow, change_device, lock_registered_devices, rewrite_device
from quietcuff.storage.rows.former_parties import devices_before

ENCODER = msgspec.json.Encoder()
REGISTERED = DocumentDecoder(RegisteredDevice)


def forget_user(turn: UnitOfWork, identifier: Identifier) -> int:
    """Remove a person from the users of every registered device, earlier versions included; return the number of devices.

    Each such device gets a new version, so that a client that still has the version before cannot write the person back
    unnoticed.
    """
    registered = lock_registered_devices(turn.transaction, turn.tenant.tenant_id)
    return sum(forget_user_of(turn, row, identifier) for row in registered)


def forget_user_of(turn: UnitOfWork, row: DeviceRow, identifier: Identifier) -> bool:
    """Remove a person from the users of one device. True if they were among them."""
    before = [
        (early, less)
        for early in devices_before(turn.transaction, row.tenant_id, row.device_id)
        if (less := without_user(early.document, identifier)) is not None
    ]
    now = without_user(row.document, identifier)
    # Earlier versions are rewritten in place: a history that still names the person would undo the erasure.
    for early, document in [*before, *([(row, now)] if now is not None else [])]:
        rewrite_device(turn.transaction, msgspec.structs.replace(early, document=document))
    if now is not None:
        changed = msgspec.structs.replace(row, document=now, version=row.version + 1, updated_at=turn.now)
        change_device(turn.transaction, changed)
        note(turn.transaction, turn.caller, "save-device", turn.now, version=changed.version)
    return bool(before) or now is not None


def without_user(document: bytes, identifier: Identifier) -> bytes | None:
    """A device's document without a person among its users; None if they are not among them.

    A device that was only seen in a set has no registration and no users. Such a document can be an earlier version of a device
    that was registered later.
    """
    # Looked for in the bytes first: most documents have no users, and that of a device only seen is no registration.
    if b'"users":[{' not in document:
        return None
    said = REGISTERED.decode(document)
    others = [user for user in said.users if user.subject != identifier]
    return None if len(others) == len(said.users) else ENCODER.encode(msgspec.structs.replace(said, users=others))
