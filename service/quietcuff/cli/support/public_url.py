"""The public URL of a command: the database's own, which is set once and then stays.

Identifiers begin with it, and other systems keep them. A guess from host and port must never replace a real address.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from ipaddress import ip_address
from urllib.parse import urlsplit

import msgspec

from quietcuff.cli.support.tenant_work import record_in_every_trail
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.settings import Settings, is_address_said
from quietcuff.storage.engine.installation import find_public_url, keep_public_url
from quietcuff.storage.engine.store import NO_TENANT, Store


async def settle_public_url(store: Store, settings: Settings, environment: Mapping[str, str]) -> Settings:
    """The settings with the public URL in force. The first one that others can reach is stored in the database.

    Raises:
        StoreNotUsable: the environment names another one than the database.
    """
    said, is_said = settings.public_url, is_address_said(environment)
    known = await store.read(NO_TENANT, find_public_url)
    is_first = known is None and is_said and not is_of_this_machine(said)
    if is_first:
        known = await store.write(NO_TENANT, lambda transaction: keep_public_url(transaction, said, datetime.now(UTC)))
        await record_in_every_trail(store, settings.trail, "change-settings", "public-url, for the first time")
    if known is None:
        say(f"Identifiers begin with {said}, which means this machine alone. Set QUIETCUFF_PUBLIC_URL before others keep them.")
        return settings
    if is_said and said != known:
        raise StoreNotUsable(
            f"The public URL of this database is {known}, and QUIETCUFF_PUBLIC_URL says {said}: identifiers that others keep "
            f"begin with it. Leave the variable out, or move the database: quietcuff database public-url {said}"
        )
    return msgspec.structs.replace(settings, public_url=known)


def is_of_this_machine(url: str) -> bool:
    """True if an address can be used on this machine only."""
    host = urlsplit(url).hostname or ""
    if host == "localhost" or host.endswith(".localhost"):
        return True
    try:
        address = ip_address(host)
    except ValueError:
        return False
    return address.is_loopback or address.is_unspecified
