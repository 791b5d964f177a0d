"""The check whether a database may deliver: a restored copy delivers nothing until an operator allows it.

The original has delivered the same results, or will. The copy would send them again, perhaps under other identifiers.
"""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from functools import partial

from quietcuff.cli.support.tenant_work import record_command
from quietcuff.settings import Settings
from quietcuff.storage.engine.delivery_place import (
    DeliveryPlace,
    find_delivery_place,
    keep_delivery_place,
    present_place,
)
from quietcuff.storage.engine.installation import find_public_url
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.tenants import all_tenant_ids

OPTION = "--resume-delivery"


def add_resuming_to(parser: argparse.ArgumentParser) -> None:
    """Add the option of the commands that deliver."""
    parser.add_argument(
        OPTION, action="store_true", help="deliver from here from now on: this is the database that is meant, and no copy of it"
    )


async def why_not_deliver(store: Store, settings: Settings, *, resumes: bool) -> str | None:
    """Reason not to deliver from here; None if delivery is allowed. The first place is stored, and with ``resumes`` this
    one."""
    known = await store.read(NO_TENANT, find_delivery_place)
    place = await store.read(NO_TENANT, partial(present_place, instance=settings.instance))
    public_url = await store.read(NO_TENANT, find_public_url)
    now = DeliveryPlace(place, public_url or "")
    moved = None if known is None else what_moved(known, now)
    if moved is not None and not resumes:
        return (
            f"Delivery is paused, for this may be a copy: {moved}. Where it is the database that is to deliver, start once "
            f"with {OPTION}."
        )
    if known != now:
        await store.write(NO_TENANT, lambda transaction: keep_delivery_place(transaction, now, datetime.now(UTC)))
    if moved is not None:
        # In the trail of each tenant, since the results of all of them go out from here from now on.
        for tenant_id in await store.read(NO_TENANT, all_tenant_ids):
            await store.write(
                tenant_id, partial(record_command, tenant_id=tenant_id, action="run-command", what="resume delivery")
            )
    return None


def what_moved(known: DeliveryPlace, now: DeliveryPlace) -> str | None:
    """The difference from the place of the last delivery; None if there is none. A first public URL is no difference."""
    if known.place != now.place:
        return f"it delivered from {known.place}, and is at {now.place} now"
    if known.public_url and known.public_url != now.public_url:
        return f"it delivered as {known.public_url}, and its public URL is {now.public_url or 'not set'} now"
    return None
