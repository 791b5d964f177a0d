"""One POST to a target: to a checked address, within a time limit, without redirects, reading little of the answer."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any
from uuid import UUID

import msgspec

from quietcuff import __version__
from quietcuff.delivery.outcomes import TargetReply
from quietcuff.security.allowed_addresses import Allowances, Resolve, find_address, is_url_allowed, resolve_by_system

SEND_SECONDS = 20
MOST_ANSWER_BYTES = 1 << 20
CONNECTIONS = 16
DEFAULT_PORTS = {"http": 80, "https": 443}
NOT_ALLOWED = TargetReply(failure="address-not-allowed")


class Parcel(msgspec.Struct, frozen=True, kw_only=True):
    """A request that is sent: its URL, headers and body."""

    url: str
    headers: dict[str, str]
    body: bytes

    def __repr__(self) -> str:
        return f"Parcel({len(self.body)} bytes)"


class HttpSender:
    """Sends parcels. Each target has its own connections, so that none is shared between hosts."""

    def __init__(
        self,
        allowed: Allowances,
        clock: Callable[[], datetime],
        *,
        resolve: Resolve = resolve_by_system,
        seconds: float = SEND_SECONDS,
        context: ssl.SSLContext | None = None,
    ) -> None:
        self._allowed = allowed
        self._clock = clock
        self._resolve = resolve
        self._seconds = seconds
        self._context = context
        # Of httpx, which takes a tenth of a second to load: a service that never sends starts without it.
        self._clients: dict[UUID, Any] = {}

    async def send(self, target_id: UUID, parcel: Parcel) -> TargetReply:
        """Send a parcel; the target's reply. A failure on the way is a reply too."""
        # Checked again before each sending: the operator may have withdrawn an allowance since the target was made.
        if not is_url_allowed(parcel.url, self._allowed):
            return NOT_ALLOWED
        import httpx

        try:
            async with asyncio.timeout(self._seconds):
                return await self._exchange(target_id, parcel)
        except (TimeoutError, httpx.TimeoutException):
            return TargetReply(failure="timed-out")
        except (httpx.HTTPError, OSError, UnicodeError):
            return TargetReply(failure="unreachable")

    async def keep_only(self, target_ids: set[UUID]) -> None:
        """Close the connections to targets that no longer exist."""
        for target_id in self._clients.keys() - target_ids:
            await self._clients.pop(target_id).aclose()

    async def close(self) -> None:
        """Close every connection."""
        await self.keep_only(set())

    async def _exchange(self, target_id: UUID, parcel: Parcel) -> TargetReply:
        import httpx

        url = httpx.URL(parcel.url)
        host = url.raw_host.decode("ascii").rstrip(".")
        address = await find_address(host, url.port or DEFAULT_PORTS[url.scheme], self._allowed, self._resolve)
        if address is None:
            return NOT_ALLOWED
        headers = {
            **parcel.headers,
            "Host": url.netloc.decode("ascii"),
            "User-Agent": f"quietcuff/{__version__}",
            # A small compressed answer could unpack to gigabytes.
            "Accept-Encoding": "identity",
        }
        # The connection goes to the checked address, but the certificate must still be that of the name.
        extensions = {"sni_hostname": host} if url.scheme == "https" else {}
        checked = url.copy_with(host=address)
        client = self._client(target_id)
        async with client.stream("POST", checked, content=parcel.body, headers=headers, extensions=extensions) as answer:
            body = await read_start(answer)
        return TargetReply(
            status=answer.status_code,
            body=body,
            retry_after_seconds=seconds_asked(answer.headers.get("Retry-After"), self._clock()),
        )

    def _client(self, target_id: UUID) -> Any:
        client = self._clients.get(target_id)
        if client is None:
            import httpx

            self._context = self._context or ssl.create_default_context()
            client = self._clients[target_id] = httpx.AsyncClient(
                verify=self._context,
                timeout=self._seconds,
                # A redirect could lead to an address that was never checked.
                follow_redirects=False,
                # A proxy from the environment would connect elsewhere than to the checked address.
                trust_env=False,
                limits=httpx.Limits(max_connections=CONNECTIONS, max_keepalive_connections=CONNECTIONS),
            )
        return client


async def read_start(answer: Any) -> bytes:
    """The body of an answer; empty where it is too long, because the connection is then closed."""
    parts: list[bytes] = []
    length = 0
    async for part in answer.aiter_raw():
        length += len(part)
        if length > MOST_ANSWER_BYTES:
            return b""
        parts.append(part)
    return b"".join(parts)


def seconds_asked(retry_after: str | None, now: datetime) -> float | None:
    """The seconds that a Retry-After header asks for, as a number or a date; None where it cannot be read."""
    if retry_after is None:
        return None
    if retry_after.strip().isascii() and retry_after.strip().isdecimal():
        # Nine digits are more than thirty years: nothing longer needs to be read.
        return float(retry_after[:9])
    try:
        moment = parsedate_to_datetime(retry_after)
    except ValueError:
        return None
    aware = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
    return max(0.0, (aware - now).total_seconds())
