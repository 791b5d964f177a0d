"""``quietcuff keys``: create, list and revoke API keys; there is no other way to create them."""

from __future__ import annotations

import argparse
import asyncio
import os
import re
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, TypeVar
from uuid import uuid4

import msgspec

from quietcuff.cli.support.listing import make_list, show_list
from quietcuff.cli.support.opening import make_if_new, opened
from quietcuff.cli.support.tenant_work import named, record_command
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.fields import Text as ShortText
from quietcuff.security.api_keys import make_key
from quietcuff.security.scopes import parse_scopes
from quietcuff.settings import read_settings
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.storage.rows.api_keys import KeyRow, find_key, insert_key, keys_of_tenant, revoke_key
from quietcuff.storage.rows.tenants import find_or_create_tenant

T = TypeVar("T")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    create = actions.add_parser("create", help="make a key and print it, once, alone on its line")
    create.add_argument("--tenant", required=True, help="whose data the key opens; made if there is none of that name")
    create.add_argument("--name", required=True, help="what the key is for")
    create.add_argument(
        "--scope", required=True, action="append", help="such as system/Observation.rs or system/*.cruds; may be repeated"
    )
    create.add_argument("--expires", help="RFC 3339 with an offset; never by default")
    create.set_defaults(run=run_create)
    make_list(actions.add_parser("list", help="the keys of a tenant, without their secrets"), run_list)
    revoke = actions.add_parser("revoke", help="end a key; servers notice within five seconds")
    revoke.add_argument("prefix", help="the eight characters after qc_")
    revoke.set_defaults(run=run_revoke)


def run_create(arguments: argparse.Namespace) -> int:
    """Create a key and print it; only its digest is stored."""
    scopes = " ".join(" ".join(arguments.scope).split())
    parse_scopes(scopes)
    tenant_name, name = short_text("tenant", arguments.tenant), short_text("name", arguments.name)
    expires_at = moment("expires", arguments.expires) if arguments.expires else None
    key, now = make_key(), datetime.now(UTC)

    def insert(connection: Any) -> None:
        tenant = find_or_create_tenant(connection, tenant_name, now)
        row = KeyRow(uuid4(), key.prefix, tenant.tenant_id, key.secret_hash, name, scopes, now, expires_at)
        insert_key(connection, row)
        record_command(connection, tenant.tenant_id, "create-key", f"key:{key.prefix}")

    on_store(insert, makes=True)
    sys.stdout.write(key.text + "\n")
    say("This is the only time the key is shown.")
    return 0


def run_list(arguments: argparse.Namespace) -> int:
    """Show the keys of a tenant."""
    names = ("prefix", "name", "scopes", "made", "expires", "revoked", "last_used")
    rows = (
        (row.prefix, row.name, row.scopes, row.created_at, row.expires_at, row.revoked_at, row.last_used_at)
        for row in rows_of_tenant(arguments.tenant, "keys list", keys_of_tenant)
    )
    show_list(names, rows, as_json=arguments.json)
    return 0


def run_revoke(arguments: argparse.Namespace) -> int:
    """Revoke a key; 1 if there is no such key or it was revoked before."""

    def revoke(connection: Any) -> bool:
        row = find_key(connection, arguments.prefix)
        is_revoked = revoke_key(connection, arguments.prefix, datetime.now(UTC))
        if row is not None and is_revoked:
            record_command(connection, row.tenant_id, "revoke-key", f"key:{row.prefix}")
        return is_revoked

    if on_store(revoke):
        say("Revoked.")
        return 0
    say("There is no key of that prefix, or it was revoked before: quietcuff keys list shows the keys of a tenant.")
    return 1


def rows_of_tenant(tenant_name: str, command: str, rows_of: Callable[[Any, int], list[T]]) -> list[T]:
    """Rows of a tenant that a command shows, with the command in the tenant's trail.

    Raises:
        NotFound: there is no tenant of that name.
    """

    def read(connection: Any) -> list[T]:
        tenant = named(connection, tenant_name)
        record_command(connection, tenant.tenant_id, "run-command", command)
        return rows_of(connection, tenant.tenant_id)

    return on_store(read)


def on_store(work: Callable[[Any], T], *, makes: bool = False) -> T:
    """Do one piece of work in a transaction of its own on the database that the environment names. With ``makes`` a missing
    database is created."""
    settings = read_settings(os.environ)
    if makes:
        make_if_new(settings.database_url)

    async def do() -> T:
        async with opened(settings) as store:
            return await store.write(NO_TENANT, work)

    return asyncio.run(do())


def short_text(option: str, value: str) -> str:
    """Text of an option that can be stored.

    Raises:
        NotAcceptable: empty, longer than 255 characters, or with control characters.
    """
    try:
        return msgspec.convert(value, ShortText)
    except msgspec.ValidationError as error:
        accepted = "1 to 255 characters, not blank, without control characters."
        raise NotAcceptable.of(parameter=option, code="unfit-characters", detail=accepted) from error


def moment(option: str, value: str) -> datetime:
    """Time in an option.

    Raises:
        NotAcceptable: not RFC 3339 with an offset.
    """
    try:
        # Without an offset a time would be read in the zone of whatever machine the command runs on.
        if not re.search(r"([zZ]|[+-]\d\d:\d\d)$", value):
            raise ValueError("no offset")
        return msgspec.convert(value, datetime).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        accepted = "RFC 3339 with an offset, such as 2027-01-01T00:00:00Z."
        raise NotAcceptable.of(parameter=option, code="not-a-time", detail=accepted) from error
