"""The MLLP listener on a socket of this machine: many at once, half-sent, slow, endless, killed and stopped."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import ssl
import subprocess
import sys
import zlib
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address
from pathlib import Path
from typing import Any
from uuid import uuid4

import hl7
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from api.serving import new_key
from databases import SqliteFiles
from decode.hl7_messages import message, pair
from quietcuff.api.hl7v2_listener import Listener, ListenerLimits
from quietcuff.application import open_desk
from quietcuff.cli import main
from quietcuff.core.model.errors import Busy, NotAuthenticated
from quietcuff.decode.hl7v2.mllp import framed
from quietcuff.rules.catalog import load_rulebook
from quietcuff.security.api_keys import Principal
from quietcuff.security.scopes import parse_scopes
from quietcuff.storage.engine.store import Store, open_store
from quietcuff.storage.schema.sittings import payload, reading

QUICK = ListenerLimits(message_bytes=20_000, pause_seconds=0.4, message_seconds=1.2, idle_seconds=0.6)


def report(**how: str) -> bytes:
    """A message about a person of its own."""
    number = uuid4().hex
    obr = f"OBR|1||F-{number}|85354-9^Panel^LN|||20260314070500+0000"
    return message(*pair(142, 91), pid=f"PID|1||{number}^^^WESTWING^MR", obr=obr, **how)


class Sender:
    """A connection of a sender."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    async def send(self, data: bytes) -> None:
        self.writer.write(data)
        await self.writer.drain()

    async def answer(self) -> str:
        """MSA-1 and MSA-2 of the next acknowledgement; empty where the connection is closed instead."""
        try:
            async with asyncio.timeout(20):
                said = await self.reader.readuntil(b"\x1c\r")
        except (asyncio.IncompleteReadError, ConnectionError):
            return ""
        assert said.startswith(b"\x0b")
        found = hl7.parse(said[1:-2].decode()).segment("MSA")
        return f"{found[1]} {found[2]}"

    async def close(self) -> None:
        self.writer.close()
        with contextlib.suppress(OSError):
            await self.writer.wait_closed()


class House:
    """A listener on a database of its own, in this process."""

    def __init__(self, store: Store, listener: Listener, port: int) -> None:
        self.store = store
        self.listener = listener
        self.port = port
        self.principal: Exception | None = None
        self.senders: list[Sender] = []

    async def connect(self) -> Sender:
        self.senders.append(Sender(*await asyncio.open_connection("127.0.0.1", self.port)))
        return self.senders[-1]

    async def count(self, table: Any) -> int:
        return await count(self.store, table)


async def count(store: Store, table: Any) -> int:
    found: int = await store.read(1, lambda connection: connection.execute(table.select()).fetchall().__len__())
    return found


@asynccontextmanager
async def listening(url: str, limits: ListenerLimits = QUICK) -> AsyncIterator[House]:
    store = open_store(url)
    house: House | None = None

    async def principal() -> Principal:
        if house is not None and house.principal is not None:
            raise house.principal
        return Principal(1, "key:test", parse_scopes("system/Binary.c"))

    listener = Listener(open_desk(store, load_rulebook()), principal, limits)
    house = House(store, listener, await listener.start("127.0.0.1", 0))
    try:
        yield house
    finally:
        await listener.stop()
        for sender in house.senders:
            await sender.close()
        await store.close()


def with_house(url: str, work: Callable[[House], Coroutine[Any, Any, None]], limits: ListenerLimits = QUICK) -> None:
    new_key(url)

    async def run() -> None:
        async with listening(url, limits) as house:
            await work(house)

    asyncio.run(run())


@pytest.fixture
def url(sqlite_files: SqliteFiles) -> str:
    return sqlite_files.new()


def test_messages_are_acknowledged_however_their_bytes_arrive(url: str) -> None:
    async def work(house: House) -> None:
        sender = await house.connect()
        two = framed(report(control="C1")) + framed(report(control="C2", head="2.5.1|||AL|NE"))
        await sender.send(two)
        assert [await sender.answer(), await sender.answer()] == ["AA C1", "CA C2"]
        for byte in framed(report(control="C3")):
            await sender.send(bytes([byte]))
        assert await sender.answer() == "AA C3"
        await sender.send(b"\r\n" + framed(report(control="C4"))[:-1])
        await asyncio.sleep(0.1)
        await sender.send(b"\r")
        assert await sender.answer() == "AA C4"
        await sender.send(framed(report(control="C5").replace(b"|F|", b"|Q|")))
        assert await sender.answer() == "AE C5"
        await sender.send(framed(report(control="C6").replace(b"ORU^R01", b"ADT^A01")))
        assert await sender.answer() == "AR C6"
        await sender.send(framed(report(control="C7", head="2.5.1|||NE|NE")) + framed(report(control="C8")))
        assert await sender.answer() == "AA C8"
        assert await house.count(payload) == 8

    with_house(url, work)


def test_both_acknowledgements_are_sent_where_both_are_asked_for(url: str) -> None:
    async def work(house: House) -> None:
        sender = await house.connect()
        await sender.send(framed(report(control="C1", head="2.5.1|||AL|AL")))
        assert [await sender.answer(), await sender.answer()] == ["CA C1", "AA C1"]

    with_house(url, work)


def test_two_hundred_at_once_are_all_stored_and_acknowledged(url: str) -> None:
    async def one(house: House, number: int) -> str:
        sender = await house.connect()
        await sender.send(framed(report(control=f"C{number}")))
        answer = await sender.answer()
        sender.writer.close()
        return answer

    async def work(house: House) -> None:
        answers = await asyncio.gather(*(one(house, number) for number in range(200)))
        assert sorted(answers) == sorted(f"AA C{number}" for number in range(200))
        assert await house.count(payload) == 200 and await house.count(reading) == 200

    with_house(url, work, ListenerLimits(connections=200))


def test_a_half_sent_message_stores_nothing_and_hinders_nobody(url: str) -> None:
    async def work(house: House) -> None:
        halves = [await house.connect() for _ in range(20)]
        for half in halves:
            await half.send(framed(report(control="HALF"))[:-200])
        halves[0].writer.close()
        other = await house.connect()
        await other.send(framed(report(control="C1")))
        assert await other.answer() == "AA C1"
        answers = [await half.answer() for half in halves[1:]]
        assert set(answers) == {"AR HALF"}
        assert [await half.reader.read() for half in halves[1:]] == [b""] * 19
        assert await house.count(payload) == 1

    with_house(url, work)


def test_who_sends_too_slowly_or_nothing_is_closed(url: str) -> None:
    async def drip(sender: Sender) -> None:
        for byte in framed(report(control="SLOW")):
            if sender.reader.at_eof():
                return
            with contextlib.suppress(ConnectionError):
                await sender.send(bytes([byte]))
            await asyncio.sleep(0.01)

    async def work(house: House) -> None:
        silent, slow = await house.connect(), await house.connect()
        began = asyncio.get_running_loop().time()
        dripping = asyncio.create_task(drip(slow))
        assert await silent.answer() == ""
        assert await slow.answer() == "AR SLOW"
        assert 1.1 < asyncio.get_running_loop().time() - began < 10
        dripping.cancel()
        await asyncio.wait([dripping])
        assert await house.count(payload) == 0

    with_house(url, work)


def test_a_message_without_end_is_turned_away_at_the_limit(url: str) -> None:
    """A hundred million bytes are offered; what is taken of them ends soon after the limit."""

    async def work(house: House) -> None:
        sender, taken = await house.connect(), 0
        begin = b"\x0b" + report(control="ENDLESS")
        try:
            await sender.send(begin)
            while taken < 100_000_000:
                await sender.send(b"Z" * 100_000)
                taken += 100_000
        except ConnectionError:
            pass
        assert taken < 20_000_000
        assert await house.count(payload) == 0
        other = await house.connect()
        await other.send(begin + b"Z" * (QUICK.message_bytes + 1))
        assert await other.answer() == "AR ENDLESS"

    with_house(url, work)


@pytest.mark.parametrize("data", [b"GET / HTTP/1.1\r\n\r\n", b"\x0bnot a message\x1c\r", b"\x0bMSH|^~\\&|\x1c\n", b"\x0b\x0b"])
def test_what_makes_no_sense_ends_the_connection(url: str, data: bytes) -> None:
    async def work(house: House) -> None:
        sender = await house.connect()
        await sender.send(data)
        said = await sender.reader.read()
        assert said == b"" or b"\rMSA|AR\r" in said

    with_house(url, work)


def test_further_connections_than_allowed_are_closed(url: str) -> None:
    async def work(house: House) -> None:
        held = [await house.connect() for _ in range(3)]
        for sender in held:
            await sender.send(framed(report(control="C1")))
            assert await sender.answer() == "AA C1"
        assert await (await house.connect()).answer() == ""
        held[0].writer.close()
        await asyncio.sleep(0.1)
        freed = await house.connect()
        await freed.send(framed(report(control="C2")))
        assert await freed.answer() == "AA C2"

    with_house(url, work, ListenerLimits(connections=3))


def test_nothing_is_acknowledged_that_was_not_stored(url: str) -> None:
    async def work(house: House) -> None:
        sender = await house.connect()
        for trouble, goes_on in ((Busy(2), True), (RuntimeError("unforeseen"), True), (NotAuthenticated(), False)):
            house.principal = trouble
            await sender.send(framed(report(control="C1")))
            assert await sender.answer() == "AR C1"
            if not goes_on:
                assert await sender.reader.read() == b""
        assert await house.count(payload) == 0

    with_house(url, work)


def test_stopping_finishes_what_is_being_stored(url: str) -> None:
    async def work(house: House) -> None:
        senders = [await house.connect() for _ in range(20)]
        idle = await house.connect()
        for number, sender in enumerate(senders):
            await sender.send(framed(report(control=f"C{number}")))
        await asyncio.sleep(0.02)
        await house.listener.stop()
        answers = [await sender.answer() for sender in senders]
        assert await idle.answer() == ""
        assert await house.count(payload) >= sum(answer.startswith("AA") for answer in answers)
        with pytest.raises(OSError):
            await house.connect()

    with_house(url, work)


@asynccontextmanager
async def process(url: str, key: str, *options: str) -> AsyncIterator[tuple[subprocess.Popen[str], int]]:
    """The command as a process, once it listens, and its port."""
    environment = {**os.environ, "QUIETCUFF_DATABASE_URL": url, "QUIETCUFF_MLLP_KEY": key, "QUIETCUFF_LOG_LEVEL": "error"}
    command = [sys.executable, "-m", "quietcuff", "listen-mllp", "--port", "0", *options]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment) as running:
        assert running.stderr is not None
        line = await asyncio.to_thread(running.stderr.readline)
        try:
            yield running, int(line.rpartition(":")[2].split()[0])
        finally:
            running.kill()


async def send_until_killed(port: int, number: int, acknowledged: set[str]) -> None:
    sender, answer = Sender(*await asyncio.open_connection("127.0.0.1", port)), "any"
    for place in range(1000):
        control = f"K{number}-{place}"
        with contextlib.suppress(ConnectionError):
            await sender.send(framed(report(control=control)))
            answer = await sender.answer()
        if not answer or sender.reader.at_eof():
            break
        assert answer == f"AA {control}"
        acknowledged.add(control)
    await sender.close()


def test_what_was_acknowledged_is_stored_when_the_process_is_killed(url: str) -> None:
    key = new_key(url)

    async def run() -> set[str]:
        acknowledged: set[str] = set()
        for begin in (0, 10):
            async with process(url, key) as (running, port):
                sending = [asyncio.create_task(send_until_killed(port, begin + each, acknowledged)) for each in range(8)]
                while len(acknowledged) < 20 * (1 + begin // 10):
                    await asyncio.sleep(0.01)
                running.send_signal(signal.SIGKILL)
                await asyncio.gather(*sending)
        return acknowledged

    async def stored() -> set[str]:
        store = open_store(url)
        try:
            rows = await store.read(1, lambda connection: connection.execute(payload.select()).fetchall())
        finally:
            await store.close()
        return {hl7.parse(zlib.decompress(row.body).decode()).segment("MSH")[10][0] for row in rows}

    acknowledged = asyncio.run(run())
    assert len(acknowledged) >= 40 and acknowledged <= asyncio.run(stored())


def test_the_command_ends_well_and_speaks_tls(url: str, tmp_path: Path) -> None:
    certificate, key_file = tmp_path / "certificate.pem", tmp_path / "key.pem"
    write_certificate(certificate, key_file)
    key = new_key(url)

    async def run() -> None:
        options = ("--tls-certificate", str(certificate), "--tls-key", str(key_file))
        async with process(url, key, *options) as (running, port):
            trusted = ssl.create_default_context(cafile=str(certificate))
            sender = Sender(*await asyncio.open_connection("127.0.0.1", port, ssl=trusted))
            await sender.send(framed(report(control="T1")))
            assert await sender.answer() == "AA T1"
            await sender.close()
            running.send_signal(signal.SIGTERM)
            assert await asyncio.to_thread(running.wait, 20) == 0

    asyncio.run(run())


def write_certificate(certificate: Path, key_file: Path) -> None:
    """A certificate of this machine's address, signed by itself."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "invented")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(hours=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(IPv4Address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    plain = serialization.NoEncryption()
    key_file.write_bytes(key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain))


@pytest.mark.parametrize(
    ("options", "variable", "named"),
    [
        ([], "", "QUIETCUFF_MLLP_KEY"),
        ([], "qc_aaaaaaaa_" + "a" * 43, "QUIETCUFF_MLLP_KEY"),
        (["--connections", "0"], "x", "connections"),
        (["--tls-key", "nowhere.pem"], "x", "tls-certificate"),
        (["--tls-certificate", "nowhere.pem"], "x", "tls-certificate"),
    ],
)
def test_a_bad_setting_is_named_before_anybody_connects(
    url: str,
    options: list[str],
    variable: str,
    named: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    new_key(url)
    monkeypatch.setattr("quietcuff.api.logs.configure_logs", lambda level: None)
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", url)
    monkeypatch.setenv("QUIETCUFF_MLLP_KEY", variable)
    assert main(["listen-mllp", *options]) == 1
    said = capsys.readouterr().err
    assert named in said and (len(variable) < 2 or variable not in said)
