"""SSRF guard: refuses webhook addresses outside the public network, and private ones unless the site allows them."""

from __future__ import annotations

import ipaddress
import socket
from typing import Any

from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

Address = ipaddress.IPv4Address | ipaddress.IPv6Address

#: Where clouds hand out credentials to whoever asks from inside; those in link-local ranges are refused with these.
_METADATA = frozenset({ipaddress.ip_address("fd00:ec2::254"), ipaddress.ip_address("100.100.100.200")})
# RFC 6052: an IPv4 address inside an IPv6 one.
_NAT64 = ipaddress.ip_network("64:ff9b::/96")


class AddressRefused(ValueError):
    """The address leads where messages must not go."""


def refusal_reason(address: Address, *, private: bool) -> str | None:
    """Why no message may go to that address; None where one may.

    Parameters
    ----------
    private : whether the site allows addresses of the plant's own network (RFC 1918, RFC 4193, this machine).

    References
    ----------
    IANA special-purpose address registries (RFC 6890), as Python's ``ipaddress`` keeps them.

    >>> refusal_reason(ipaddress.ip_address("169.254.169.254"), private=True)
    'is link-local'
    """
    inner = _unwrapped(address)
    if inner in _METADATA:
        return "hands out credentials of the machine"
    if inner.is_link_local:
        return "is link-local"
    if inner.is_multicast or inner.is_unspecified or (inner.is_reserved and not inner.is_loopback):
        return "is no address of a machine"
    if inner.is_private:  # loopback included
        return None if private else "is private, which the site file does not allow"
    return None if inner.is_global else "is no address of the public network"


def _unwrapped(address: Address) -> Address:
    if isinstance(address, ipaddress.IPv4Address):
        return address
    if address in _NAT64:
        return ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
    return address.ipv4_mapped or address.sixtofour or address


def checked_address(host: str, port: int, *, private: bool) -> str:
    """The numeric address to connect to.

    Raises
    ------
    AddressRefused
        when any of the host's addresses is refused: a name that leads to both kinds is a trick.
    OSError
        when the name is not known.
    """
    found = socket.getaddrinfo(host.strip("[]"), port, type=socket.SOCK_STREAM)
    addresses = [str(entry[4][0]) for entry in found]
    for text in addresses:
        reason = refusal_reason(ipaddress.ip_address(text.partition("%")[0]), private=private)
        if reason is not None:
            raise AddressRefused(f"{host} leads to {text}, which {reason}")
    return addresses[0]


def guarded_adapter(*, private: bool) -> HTTPAdapter:
    """An adapter for requests that connects to the very address it has checked, so that a name cannot change meanwhile."""

    class Plain(HTTPConnection):
        def _new_conn(self) -> socket.socket:
            return _at_checked_address(self, super()._new_conn, private)

    class Secure(HTTPSConnection):
        def _new_conn(self) -> socket.socket:
            return _at_checked_address(self, super()._new_conn, private)

    class PlainPool(HTTPConnectionPool):
        ConnectionCls = Plain

    class SecurePool(HTTPSConnectionPool):
        ConnectionCls = Secure

    class Guarded(HTTPAdapter):
        def init_poolmanager(self, *given: Any, **more: Any) -> None:
            super().init_poolmanager(*given, **more)
            self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": SecurePool}

    return Guarded()


def _at_checked_address(connection: Any, connect: Any, private: bool) -> socket.socket:
    # The name stays what certificates are checked against; only the connection goes to the number.
    name = connection._dns_host
    connection._dns_host = checked_address(name, connection.port, private=private)
    try:
        made: socket.socket = connect()
    finally:
        connection._dns_host = name
    return made
