"""``quietcuff clients``: register, list and revoke clients that sign their own assertions and receive tokens."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

from quietcuff.cli.keys import on_store, rows_of_tenant, short_text
from quietcuff.cli.support.listing import make_list, show_list
from quietcuff.cli.support.tenant_work import record_command
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.security.key_sets import check_key_set_url, key_set_of_pem, read_key_set
from quietcuff.security.scopes import parse_scopes
from quietcuff.storage.rows.api_keys import revoke_tokens
from quietcuff.storage.rows.clients import (
    ClientRow,
    clients_of_tenant,
    find_client,
    insert_client,
    revoke_client,
    set_client_keys,
)
from quietcuff.storage.rows.tenants import find_or_create_tenant

NO_SUCH_CLIENT = "There is no client of that id, or it was revoked before: quietcuff clients list shows those of a tenant."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    register = actions.add_parser("register", help="register a client and print its id, alone on its line")
    register.add_argument("--tenant", required=True, help="whose data the client may see; made if there is none of that name")
    register.add_argument("--name", required=True, help="what the client is")
    register.add_argument(
        "--scope", required=True, action="append", help="the most its tokens may carry, such as system/*.rs; may be repeated"
    )
    add_keys_to(register)
    register.set_defaults(run=run_register)
    keys = actions.add_parser("keys", help="give a client other public keys")
    keys.add_argument("client")
    add_keys_to(keys)
    keys.set_defaults(run=run_keys)
    make_list(actions.add_parser("list", help="the clients of a tenant"), run_list)
    revoke = actions.add_parser("revoke", help="end a client and its tokens; servers notice within five seconds")
    revoke.add_argument("client")
    revoke.set_defaults(run=run_revoke)


def add_keys_to(parser: argparse.ArgumentParser) -> None:
    """Add the three ways of giving a client's public keys."""
    ways = parser.add_mutually_exclusive_group(required=True)
    ways.add_argument("--key-set", metavar="FILE", help="a JSON Web Key Set of its public keys")
    ways.add_argument("--key-set-url", metavar="URL", help="the https address of its key set, where it changes its keys itself")
    ways.add_argument("--public-key", metavar="FILE", help="one public key in PEM; its kid is the thumbprint of RFC 7638")


def keys_of(arguments: argparse.Namespace) -> tuple[bytes | None, str | None]:
    """The given key set, or its address.

    Raises:
        NotAcceptable: no key set, or no public key.
        OSError: a file that cannot be read.
    """
    if arguments.key_set_url is not None:
        return None, check_key_set_url(arguments.key_set_url)
    if arguments.public_key is not None:
        return key_set_of_pem(Path(arguments.public_key).read_bytes()), None
    document = Path(arguments.key_set).read_bytes()
    # Read only to be checked: what is stored is the document as it was given.
    read_key_set(document)
    return document, None


def run_register(arguments: argparse.Namespace) -> int:
    """Register a client and print its id."""
    scopes = " ".join(" ".join(arguments.scope).split())
    parse_scopes(scopes)
    tenant_name, name = short_text("tenant", arguments.tenant), short_text("name", arguments.name)
    key_set, url = keys_of(arguments)
    client_id, now = uuid4(), datetime.now(UTC)

    def insert(connection: Any) -> None:
        tenant = find_or_create_tenant(connection, tenant_name, now)
        insert_client(connection, ClientRow(client_id, tenant.tenant_id, name, scopes, key_set, url, now))
        record_command(connection, tenant.tenant_id, "create-client", f"client:{client_id}")

    on_store(insert, makes=True)
    sys.stdout.write(f"{client_id}\n")
    for kid in () if key_set is None else (key["kid"] for key in read_key_set(key_set)):
        say(f"Its assertions are signed with the key whose kid is {kid}.")
    return 0


def run_keys(arguments: argparse.Namespace) -> int:
    """Replace the keys of a client; 1 if there is no such client or it was revoked."""
    key_set, url = keys_of(arguments)
    client_id = id_of(arguments.client)

    def change(connection: Any) -> bool:
        is_changed = set_client_keys(connection, client_id, key_set, url)
        return is_changed and tell_of_client(connection, client_id, "change-client")

    if on_store(change):
        say("From now on assertions are held against these keys. Tokens given before live out their minutes.")
        return 0
    say(NO_SUCH_CLIENT)
    return 1


def run_list(arguments: argparse.Namespace) -> int:
    """Show the clients of a tenant."""

    def keys_of_row(row: ClientRow) -> str:
        return row.key_set_url or ", ".join(key["kid"] for key in read_key_set(row.key_set or b""))

    names = ("id", "name", "scopes", "keys", "made", "revoked")
    rows = (
        (str(row.client_id), row.name, row.scopes, keys_of_row(row), row.created_at, row.revoked_at)
        for row in rows_of_tenant(arguments.tenant, "clients list", clients_of_tenant)
    )
    show_list(names, rows, as_json=arguments.json)
    return 0


def run_revoke(arguments: argparse.Namespace) -> int:
    """Revoke a client and all its tokens; 1 if there is no such client or it was revoked before."""
    client_id, now = id_of(arguments.client), datetime.now(UTC)

    def revoke(connection: Any) -> bool:
        # In one transaction: at no moment does a revoked client still hold a token.
        revoke_tokens(connection, client_id, now)
        is_revoked = revoke_client(connection, client_id, now)
        return is_revoked and tell_of_client(connection, client_id, "revoke-client")

    if on_store(revoke):
        say("Revoked.")
        return 0
    say(NO_SUCH_CLIENT)
    return 1


def tell_of_client(connection: Any, client_id: UUID, action: str) -> bool:
    """Record in the trail of its tenant what is done to an existing client."""
    client = find_client(connection, client_id)
    if client is not None:
        record_command(connection, client.tenant_id, action, f"client:{client_id}")
    return client is not None


def id_of(text: str) -> UUID:
    """Id of a client.

    Raises:
        NotAcceptable: not the form of one.
    """
    try:
        return UUID(text)
    except ValueError as error:
        raise NotAcceptable.of(
            parameter="client", code="not-an-id", detail="The id printed at registration, of 36 characters."
        ) from error
