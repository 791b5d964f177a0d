"""One POST: where it goes, what it carries, how long it may take and how much it may answer."""

from __future__ import annotations

import ssl
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from delivery.receiver import Answer, Receiver
from quietcuff.delivery.http_sender import HttpSender, Parcel, seconds_asked
from quietcuff.delivery.outcomes import DELAYS_SECONDS, MOST_ATTEMPTS, TargetReply, judge, wait_after
from quietcuff.security.allowed_addresses import read_allowances

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
BODY = b'{"resourceType":"Bundle","type":"transaction","entry":[]}'
HEADERS = {"Content-Type": "application/fhir+json"}


def parcel(url: str) -> Parcel:
    return Parcel(url=url, headers=HEADERS, body=BODY)


class Names:
    """A resolver that knows some names, and tells how often it was asked."""

    def __init__(self, *answers: list[str]) -> None:
        self.answers, self.asked = list(answers), 0

    async def __call__(self, host: str, port: int) -> list[str]:
        self.asked += 1
        return self.answers[min(self.asked, len(self.answers)) - 1]


async def send(url: str, names: Names, *allowed: str, **more: object) -> TargetReply:
    sender = HttpSender(read_allowances(allowed), lambda: NOON, resolve=names, **more)  # type: ignore[arg-type]
    try:
        return await sender.send(uuid4(), parcel(url))
    finally:
        await sender.close()


async def test_a_name_is_looked_up_once_and_the_checked_address_is_what_is_connected_to(receiver: Receiver) -> None:
    seen: list[str] = []
    receiver.fault = lambda receiver, body: None
    names = Names(["127.0.0.1"], ["10.0.0.1"])
    answer = receiver.answer

    def note(path: str, headers: dict[str, str], body: bytes) -> Answer:
        seen.append(headers["host"])
        return answer(path, headers, body)

    receiver.answer = note  # type: ignore[method-assign]
    reply = await send(f"http://record.internal:{receiver.port}/fhir", names, "record.internal")
    assert (reply.status, names.asked, seen) == (200, 1, [f"record.internal:{receiver.port}"])


async def test_a_name_that_leads_inside_is_not_connected_to(receiver: Receiver) -> None:
    for inside in ("127.0.0.1", "10.1.2.3", "169.254.169.254", "::1", "::ffff:127.0.0.1", "fe80::1%1", "fd00::1"):
        reply = await send(f"https://record.example.org:{receiver.port}/fhir", Names([inside]))
        assert (reply.status, reply.failure) == (None, "address-not-allowed"), inside
    assert receiver.requests == 0


async def test_a_url_that_is_no_longer_allowed_is_not_sent_to(receiver: Receiver) -> None:
    reply = await send(f"{receiver.url}/fhir", Names(["127.0.0.1"]))
    assert (reply.failure, receiver.requests) == ("address-not-allowed", 0)


async def test_a_redirect_is_not_followed(receiver: Receiver) -> None:
    receiver.fault = lambda receiver, body: Answer(307, Location=f"{receiver.url}/fhir")
    reply = await send(f"{receiver.url}/fhir", Names(["127.0.0.1"]), "127.0.0.1")
    assert (reply.status, receiver.requests, judge(reply).outcome) == (307, 1, "later")


async def test_the_whole_exchange_has_a_time(receiver: Receiver) -> None:
    receiver.fault = lambda receiver, body: time.sleep(1) or None  # type: ignore[func-returns-value]
    began = time.monotonic()
    reply = await send(f"{receiver.url}/fhir", Names(["127.0.0.1"]), "127.0.0.1", seconds=0.2)
    assert (reply.failure, time.monotonic() - began < 0.9) == ("timed-out", True)


async def test_only_the_start_of_an_answer_is_read(receiver: Receiver) -> None:
    receiver.fault = lambda receiver, body: Answer(200, b" " * (5 << 20))
    reply = await send(f"{receiver.url}/fhir", Names(["127.0.0.1"]), "127.0.0.1")
    assert (reply.status, reply.body, judge(reply).outcome) == (200, b"", "delivered")


async def test_nobody_there_is_unreachable() -> None:
    async def nowhere(host: str, port: int) -> list[str]:
        raise OSError("no such name")

    assert (await send("http://127.0.0.1:1/", Names(["127.0.0.1"]), "127.0.0.1")).failure == "unreachable"
    assert (await send("https://nowhere.example/", nowhere)).failure == "unreachable"  # type: ignore[arg-type]


def certificate(folder: Path, name: str) -> Path:
    """A certificate of its own authority for a name, with its key, in one PEM file."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    builder = x509.CertificateBuilder().subject_name(subject).issuer_name(subject).public_key(key.public_key())
    builder = builder.serial_number(1).not_valid_before(now - timedelta(days=1)).not_valid_after(now + timedelta(days=1))
    builder = builder.add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
    made = builder.sign(key, hashes.SHA256())
    kinds = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    path = folder / f"{name}.pem"
    path.write_bytes(key.private_bytes(*kinds) + made.public_bytes(serialization.Encoding.PEM))
    return path


@pytest.mark.parametrize(("name", "status"), [("record.example.org", 200), ("other.example.org", None)])
async def test_the_certificate_is_held_against_the_name_and_not_the_address(
    receiver: Receiver, tmp_path: Path, name: str, status: int | None
) -> None:
    pem = certificate(tmp_path, "record.example.org")
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(pem)
    asked: list[str | None] = []
    server.sni_callback = lambda connection, sni, context: asked.append(sni)
    receiver.use_tls(server)
    trusted = ssl.create_default_context(cafile=str(pem))
    reply = await send(f"https://{name}:{receiver.port}/fhir", Names(["127.0.0.1"]), "127.0.0.0/8", context=trusted)
    assert (reply.status, asked) == (status, [name])
    assert status or reply.failure == "unreachable"


def test_retry_after_as_seconds_as_a_date_and_as_nonsense() -> None:
    # RFC 9110, 10.2.3.
    assert seconds_asked("120", NOON) == 120
    assert seconds_asked("Mon, 04 May 2026 12:10:00 GMT", NOON) == 600
    assert seconds_asked("Mon, 04 May 2026 11:00:00 GMT", NOON) == 0
    assert [seconds_asked(text, NOON) for text in (None, "", "soon", "-5", "1.5", "٣")] == [None] * 6
    assert seconds_asked("9" * 400, NOON) == 999_999_999


def test_the_delays_are_the_specifications_example() -> None:
    # Standard Webhooks 1.0.0: immediately, 5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h, 20 h, 24 h: 75 h 35 min 5 s in all.
    assert sum(DELAYS_SECONDS) == 75 * 3600 + 35 * 60 + 5 and MOST_ATTEMPTS == 10
    assert wait_after(1, None, 0) == timedelta(seconds=5)
    assert wait_after(1, 60, 1) == timedelta(seconds=66)
    assert wait_after(9, 60, 0) == timedelta(hours=24)
    assert wait_after(1, 10**9, 0) == timedelta(hours=24)
    assert wait_after(10, 60, 0) is None


@pytest.mark.parametrize(
    ("body", "outcome"),
    [
        (b'{"entry":[{"response":{"status":"201 Created"}},{"response":{"status":"200"}}]}', "delivered"),
        (b'{"entry":[{"response":{"status":"201"}},{"response":{"status":"422 Unprocessable"}}]}', "give-up"),
        (b'{"entry":[{}]}', "delivered"),
        (b"", "delivered"),
        (b"<html>", "delivered"),
        (b'{"entry":7}', "delivered"),
        (b"\xff", "delivered"),
        (b"[" * 5_000, "delivered"),
    ],
)
def test_an_entry_that_was_refused_is_not_taken_for_delivered(body: bytes, outcome: str) -> None:
    assert judge(TargetReply(status=200, body=body)).outcome == outcome


def test_every_status_has_a_meaning() -> None:
    outcomes = {status: judge(TargetReply(status=status)).outcome for status in range(100, 600)}
    assert {status for status, outcome in outcomes.items() if outcome == "delivered"} == set(range(200, 300))
    assert {status for status, outcome in outcomes.items() if outcome == "pause"} == {401, 403}
    assert {status for status, outcome in outcomes.items() if outcome == "disable"} == {410}
    assert {status for status, outcome in outcomes.items() if outcome == "give-up"} == {400, 412, 413, 415, 422}
