"""Addresses that may be sent to and fetched from: public ones over https, and what the operator allows besides.

A name is resolved once, and the connection goes to the very address that was checked, so a name that changes in between leads
nowhere.

Sources: RFC 6890 and the IANA registries of special-purpose addresses, as Python's ipaddress has them; OWASP, server-side
request forgery (from memory).
"""

from __future__ import annotations

import asyncio
import re
import socket
from collections.abc import Awaitable, Callable, Iterable
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from urllib.parse import urlsplit

import msgspec

Address = IPv4Address | IPv6Address
Resolve = Callable[[str, int], Awaitable[list[str]]]

LONGEST_URL = 2_000
# Addresses of IPv6 that stand for one of IPv4, where a translator reaches it: 6to4, Teredo, NAT64.
TRANSLATED = [ip_network(text) for text in ("2002::/16", "2001::/32", "64:ff9b::/96", "64:ff9b:1::/48")]
# Ranges that the interpreter may still call public: protocol assignments, relays of 6to4 that are no more, documentation.
# Sources: RFC 6890, RFC 7526, RFC 9637.
NOT_PUBLIC = [ip_network(text) for text in ("192.0.0.0/24", "192.88.99.0/24", "3fff::/20")]
URL_ACCEPTED = (
    "An https URL of at most 2,000 ASCII characters, without user, query and fragment, whose host is not of this machine or a "
    "private network. The operator can allow hosts and networks, for plain http too."
)


class Allowances(msgspec.Struct, frozen=True, kw_only=True):
    """Hosts and networks that the operator allows beyond public addresses over https."""

    hosts: frozenset[str] = frozenset()
    networks: tuple[IPv4Network | IPv6Network, ...] = ()

    def has_host(self, host: str) -> bool:
        """True where a host is allowed by name, or is an address in an allowed network."""
        literal = read_address(host)
        return host in self.hosts or (literal is not None and self.has_address(literal))

    def has_address(self, address: Address) -> bool:
        return any(address in network for network in self.networks)


def read_allowances(names: Iterable[str]) -> Allowances:
    """Host names and networks such as ``10.2.0.0/16``, as the settings give them."""
    hosts, networks = [], []
    for name in names:
        try:
            networks.append(ip_network(name))
        except ValueError:
            hosts.append(name.lower())
    return Allowances(hosts=frozenset(hosts), networks=tuple(networks))


def is_url_allowed(url: str, allowed: Allowances) -> bool:
    """True where a target may have this URL, as far as can be told without looking up its host."""
    # Parsers of URLs differ over these characters; a URL that two parsers read differently could pass here and lead elsewhere.
    if len(url) > LONGEST_URL or not re.fullmatch(r"[\x21-\x7e]+", url, re.ASCII) or re.search(r"[\\<>\"{}|^`]", url):
        return False
    try:
        parts = urlsplit(url)
        host, port = (parts.hostname or "").rstrip("."), parts.port
    except ValueError:
        return False
    if not host or port == 0 or "@" in parts.netloc or "?" in url or "#" in url:
        return False
    if allowed.has_host(host):
        return parts.scheme in ("http", "https")
    literal = read_address(host)
    is_local = host == "localhost" or host.endswith(".localhost") or (literal is None and not is_name(host))
    return parts.scheme == "https" and not is_local and (literal is None or is_public(literal))


def is_name(host: str) -> bool:
    """True for a name of the DNS; False for a number that some resolvers would read as an address."""
    labels = host.split(".")
    is_well_formed = all(re.fullmatch(r"[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?", label, re.ASCII) for label in labels)
    return is_well_formed and not re.fullmatch(r"\d+|0x[0-9a-f]*", labels[-1], re.ASCII)


def read_address(text: str) -> Address | None:
    """The address that a text holds; None where it holds none."""
    try:
        return ip_address(text)
    except ValueError:
        return None


def is_public(address: Address) -> bool:
    """True where an address belongs to the public internet, and to no special or private range."""
    if address.is_multicast or address.is_unspecified or address.is_loopback or address.is_link_local or address.is_reserved:
        return False
    if any(address in network for network in NOT_PUBLIC):
        return False
    if isinstance(address, IPv6Address):
        # An address that carries one of IPv4 could lead through a translator into a private network.
        is_translated = address.ipv4_mapped is not None or any(address in network for network in TRANSLATED)
        if is_translated or address.is_site_local:
            return False
    return address.is_global and not address.is_private


async def find_address(host: str, port: int, allowed: Allowances, resolve: Resolve) -> str | None:
    """The first address of a host that may be reached; None where it has none.

    Raises:
        OSError: the host cannot be looked up.
    """
    for text in await resolve(host, port):
        address = read_address(text)
        # A host allowed by name may have a private address: that is the reason to allow it.
        if address is not None and (host in allowed.hosts or allowed.has_address(address) or is_public(address)):
            return text
    return None


async def resolve_by_system(host: str, port: int) -> list[str]:
    """Every address of a host, in the system's order.

    Raises:
        OSError: there is none.
    """
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return [str(entry[4][0]) for entry in found]
