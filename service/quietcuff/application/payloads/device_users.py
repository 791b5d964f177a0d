"""Who the users of registered devices are, forgotten when the person is erased."""

from __future__ import annotations

import msgspec

from quietcuff.application.context import UnitOfWork, note
from quietcuff.core.model.readings import Identifier
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.storage.rows.devices import DeviceRow, change_device, lock_registered_devices, rewrite_device
from quietcuff.storage.rows.former_parties import devices_before

ENCODER = msgspec.json.Encoder()
REGISTERED = msgspec.json.Decoder(RegisteredDevice)


def forget_user(turn: UnitOfWork, identifier: Identifier) -> int:
    """Take a person out of every device registered as theirs, in what it was earlier too; how many named them.

    A device that named them is a version further, so that nobody who has the one before writes them back unseen.
    """
    registered = lock_registered_devices(turn.transaction, turn.tenant.tenant_id)
    return sum(forget_user_of(turn, row, identifier) for row in registered)


def forget_user_of(turn: UnitOfWork, row: DeviceRow, identifier: Identifier) -> bool:
    """Take a person out of one device; whether it named them."""
    before = [
        (early, less)
        for early in devices_before(turn.transaction, row.tenant_id, row.device_id)
        if (less := without_user(early.document, identifier)) is not None
    ]
    now = without_user(row.document, identifier)
    for early, document in [*before, *([(row, now)] if now is not None else [])]:
        rewrite_device(turn.transaction, msgspec.structs.replace(early, document=document))
    if now is not None:
        changed = msgspec.structs.replace(row, document=now, version=row.version + 1, updated_at=turn.now)
        change_device(turn.transaction, changed)
        note(turn.transaction, turn.caller, "save-device", turn.now, version=changed.version)
    return bool(before) or now is not None


def without_user(document: bytes, identifier: Identifier) -> bytes | None:
    """A device's document without a person among its users; None where they are not among them.

    What was only seen in a set is no registration and has no users; it stands in the past of a device registered later.
    """
    if b'"users":[{' not in document:
        return None
    said = REGISTERED.decode(document)
    others = [user for user in said.users if user.subject != identifier]
    return None if len(others) == len(said.users) else ENCODER.encode(msgspec.structs.replace(said, users=others))
