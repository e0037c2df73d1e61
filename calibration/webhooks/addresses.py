"""Where may be sent to: public addresses by https, and what the site allows beside them.

A dealer names the address, our server calls it: it must not reach what only our server can.
"""

import ipaddress
import socket
from dataclasses import dataclass
from urllib.parse import SplitResult, urlsplit

from django.conf import settings

_PORTS = {"http": 80, "https": 443}
# What a gateway takes for an IPv4 address, of which these networks say nothing: translated
# (RFC 6052, RFC 2765), 6to4 (RFC 3056), Teredo (RFC 4380), IPv4-compatible (RFC 4291).
_CARRIERS = tuple(
    ipaddress.ip_network(each)
    for each in ("64:ff9b::/96", "::ffff:0:0:0/96", "2002::/16", "2001::/32", "::/96")
)
ACCEPTED = "https://host/path of a public host, without a user name and without #"


class Refused(Exception):
    """An address that is not called, and why."""


@dataclass(frozen=True)
class Target:
    """An address that may be called, and the one IP address that is called for it."""

    url: SplitResult
    ip: str

    @property
    def host(self) -> str:
        """The host by its name, in ASCII."""
        return _in_ascii(self.url.hostname or "")

    @property
    def authority(self) -> str:
        """Host and port as the Host header says them."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.url.port}" if self.url.port else host

    @property
    def port(self) -> int:
        """The port."""
        return self.url.port or _PORTS[self.url.scheme]

    @property
    def path(self) -> str:
        """What is asked for there."""
        query = f"?{self.url.query}" if self.url.query else ""
        return (self.url.path or "/") + query


def read(url: str) -> SplitResult:
    """Return an address in its parts.

    Raises
    ------
    Refused
        If it is not one that could be called.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
        _in_ascii(parts.hostname or "")
    except ValueError as wrong:
        raise Refused(f"not an address: {wrong}") from wrong
    if parts.scheme not in _PORTS or not parts.hostname:
        raise Refused("neither http nor https, or no host")
    if parts.username is not None or parts.password is not None or parts.fragment:
        raise Refused("a user name, a password or a # in the address")
    if port == 0 or any(ord(character) <= 32 or ord(character) == 127 for character in url):
        raise Refused("a blank, a control character or port 0 in the address")
    if parts.scheme == "http" and not settings.WEBHOOK_NETWORKS:
        raise Refused("http is not encrypted")
    return parts


def find(url: str) -> Target:
    """Look the host up, and return the address to call: exactly the one that was looked at.

    Raises
    ------
    Refused
        If any of its IP addresses is not public, and not of the networks that the site allows.
    OSError
        If the host is not known.
    """
    parts = read(url)
    host, port = parts.hostname or "", parts.port or _PORTS[parts.scheme]
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    ips = [ipaddress.ip_address(str(row[4][0]).split("%")[0]) for row in found]
    for ip in ips:
        if not _may(ip, parts.scheme):
            raise Refused(f"{host} is at {ip}, which is not a public address")
    return Target(parts, str(ips[0]))


def _may(ip: ipaddress.IPv4Address | ipaddress.IPv6Address, scheme: str) -> bool:
    if isinstance(ip, ipaddress.IPv6Address) and ip.ipv4_mapped:
        ip = ip.ipv4_mapped
    own = any(ip in ipaddress.ip_network(network) for network in settings.WEBHOOK_NETWORKS)
    outside = ip.is_global and not ip.is_multicast and not any(ip in each for each in _CARRIERS)
    return own or (scheme == "https" and outside)


def _in_ascii(host: str) -> str:
    """Return a host name as it is looked up (RFC 3490); UnicodeError where it has no such form."""
    return host.encode("idna").decode()
