"""``quietcuff listen-mllp``: receive HL7 v2 messages over plain or TLS connections into the same store as the API."""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import ssl
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from quietcuff.api.hl7v2_listener import Listener, ListenerLimits
from quietcuff.api.logs import configure_logs
from quietcuff.application import open_desk
from quietcuff.cli.support.opening import opened
from quietcuff.cli.support.words import PORT_ACCEPTED, say
from quietcuff.core.model.errors import Fault, NotAcceptable, NotAllowed, NotAuthenticated
from quietcuff.rules.catalog import load_rulebook
from quietcuff.security.api_keys import Keyring, Principal
from quietcuff.security.scopes import Need
from quietcuff.settings import Settings, read_settings
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.api_keys import find_key

KEY_VARIABLE = "QUIETCUFF_MLLP_KEY"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        f"Stores for the tenant of an API key with the scope system/Binary.c, which it reads from {KEY_VARIABLE} "
        "or from --key-file. Runs beside `serve`, which closes the sets that it leaves open. Stops at SIGTERM, "
        "when what it is storing is stored and acknowledged."
    )
    parser.add_argument("--host", default="127.0.0.1", help="the address to listen on; this machine only by default")
    parser.add_argument("--port", type=int, default=2575)
    parser.add_argument("--key-file", metavar="FILE", help="the file that holds the API key, alone")
    parser.add_argument("--tls-certificate", metavar="FILE", help="PEM, with its chain; speaks TLS only")
    parser.add_argument("--tls-key", metavar="FILE", help="PEM; the certificate's own file by default")
    parser.add_argument("--tls-client-ca", metavar="FILE", help="PEM; only senders with a certificate of this authority")
    parser.add_argument("--connections", type=int, default=256, help="at once; further ones are closed")
    parser.add_argument(
        "--message-bytes", type=int, default=256 * 1024, help="the longest message; 256 KiB by default and at most"
    )
    parser.add_argument("--pause-seconds", type=float, default=30, help="the longest silence within a message")
    parser.add_argument("--message-seconds", type=float, default=300, help="the longest that one message may take")
    parser.add_argument("--idle-seconds", type=float, default=300, help="the longest silence between messages")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Listen until stopped."""
    settings = read_settings(os.environ)
    configure_logs(settings.log_level)
    check_limits(arguments)
    asyncio.run(listen(settings, arguments, key_of(arguments), tls_of(arguments)))
    return 0


def check_limits(arguments: argparse.Namespace) -> None:
    """Refuse limits that would admit nothing, or too much.

    Raises:
        NotAcceptable: with every fault.
    """
    most = {
        "connections": 10_000,
        "message_bytes": 256 * 1024,
        "pause_seconds": 3600,
        "message_seconds": 3600,
        "idle_seconds": 86400,
    }
    faults = [
        Fault(parameter=name.replace("_", "-"), code="out-of-range", detail=f"Above 0, at most {limit}.")
        for name, limit in most.items()
        if not 0 < getattr(arguments, name) <= limit
    ]
    if faults:
        raise NotAcceptable(faults)


def key_of(arguments: argparse.Namespace) -> str:
    """The API key. It is never given on the command line.

    Raises:
        NotAcceptable: there is none.
    """
    # Arguments of a process can be seen by every user of the machine.
    text = (
        Path(arguments.key_file).read_bytes().decode(errors="replace")
        if arguments.key_file
        else os.environ.get(KEY_VARIABLE, "")
    )
    if not text.strip():
        raise NotAcceptable.of(parameter=KEY_VARIABLE, code="missing", detail="An API key, here or in --key-file.")
    return text.strip()


def tls_of(arguments: argparse.Namespace) -> ssl.SSLContext | None:
    """TLS settings; None for plain connections.

    Raises:
        NotAcceptable: files that do not hold what they should, or TLS options without a certificate.
    """
    if arguments.tls_certificate is None:
        if arguments.tls_key or arguments.tls_client_ca:
            raise NotAcceptable.of(parameter="tls-certificate", code="missing", detail="A certificate to speak TLS with.")
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(arguments.tls_certificate, arguments.tls_key)
        if arguments.tls_client_ca:
            context.load_verify_locations(arguments.tls_client_ca)
            context.verify_mode = ssl.CERT_REQUIRED
    except OSError as error:
        accepted = "PEM files that can be read: a certificate, its key without a passphrase, an authority."
        raise NotAcceptable.of(parameter="tls-certificate", code="bad-setting", detail=accepted) from error
    return context


async def check_key(principal: Callable[[], Awaitable[Any]]) -> None:
    """Check the key before anybody connects.

    Raises:
        NotAcceptable: it is not valid, or may not store payloads.
    """
    try:
        await principal()
    except (NotAuthenticated, NotAllowed) as error:
        accepted = "A key that is known, not revoked, not expired, with the scope system/Binary.c."
        raise NotAcceptable.of(parameter=KEY_VARIABLE, code="bad-setting", detail=accepted) from error


async def listen(settings: Settings, arguments: argparse.Namespace, key: str, tls: ssl.SSLContext | None) -> None:
    """Listen until told to stop.

    Raises:
        NotAcceptable: the key is not valid, or may not store payloads.
        StoreNotUsable: the schema is not the one needed.
    """
    async with opened(settings) as store:
        await listen_into(store, arguments, key, tls)


async def listen_into(store: Store, arguments: argparse.Namespace, key: str, tls: ssl.SSLContext | None) -> None:
    """Listen and store until told to stop.

    Raises:
        NotAcceptable: the key is not valid or may not store payloads, or the port is not available.
    """
    need = Need("Binary", "c")

    async def find(prefix: str) -> Any:
        return await store.read(NO_TENANT, lambda transaction: find_key(transaction, prefix))

    async def principal() -> Principal:
        # Asked of the keyring for each message; it remembers a key for a few seconds, so that a revoked one soon ends.
        who = await keyring.principal(key)
        if who.scopes.parts(need) is not None:
            raise NotAllowed(str(need))
        return who

    stopped = asyncio.Event()
    for wanted in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(wanted, stopped.set)
    desk = open_desk(store, load_rulebook())
    keyring = Keyring(find, desk.clock, time.monotonic)
    await check_key(principal)
    limits = {name: getattr(arguments, name) for name in ListenerLimits.__struct_fields__}
    listener = Listener(desk, principal, ListenerLimits(**limits))
    try:
        port = await listener.start(arguments.host, arguments.port, tls)
    except (OSError, OverflowError) as error:
        raise NotAcceptable.of(parameter="host and port", code="bad-setting", detail=PORT_ACCEPTED) from error
    say(f"Listening for HL7 v2 at {arguments.host}:{port}{' with TLS' if tls else ''}")
    await stopped.wait()
    await listener.stop()
