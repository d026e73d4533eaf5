"""Where the carrier may send to: what its URL may be, and to which addresses a connection may lead.

The address is looked at once the connection stands and before anything is sent over it: between a look-up of one's own
and the look-up of the connection a name can change its address.
"""

from __future__ import annotations

import socket
from collections.abc import Mapping
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Any, cast
from urllib.parse import urlsplit

from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from repairadvisor.plugin import RemoteRefusedError

Address = IPv4Address | IPv6Address


def written_address(host: str) -> Address | None:
    """The address that stands in a URL in place of a name; ``localhost`` stands for 127.0.0.1. None for a name."""
    if host == "localhost":
        return IPv4Address("127.0.0.1")
    try:
        return _plain(ip_address(host))
    except ValueError:
        return None


def _plain(address: Address) -> Address:
    """IPv4 as such where it is written as IPv6: ``::ffff:169.254.1.1`` leads to the same place."""
    mapped = address.ipv4_mapped if isinstance(address, IPv6Address) else None
    return mapped or address


def refusal_of(address: Address, *, allow_private: bool) -> str:
    """Why nothing is sent to ``address``; "" where something may be."""
    if address.is_link_local:
        return "is link-local"
    if address.is_multicast or address.is_unspecified:
        return "is not the address of one host"
    if not address.is_global and not allow_private:
        return "is not a public address, and allow_private is not set"
    return ""


def checked_host(url: str, *, allow_plain_http: bool) -> str:
    """The host of ``url`` in small letters. Raises :class:`ValueError`, naming no more of the URL than its host: tokens
    stand in paths."""
    if not (url.isascii() and url.isprintable()) or " " in url:
        raise ValueError("url: holds something else than visible ASCII characters")
    try:
        parts = urlsplit(url)
        host = parts.hostname or ""
        parts.port  # noqa: B018  # is read only here, and raises for what is no port
    except ValueError:
        raise ValueError("url: is no URL; allowed: https://host/path") from None
    if parts.scheme not in ("http", "https") or not host:
        raise ValueError("url: allowed: https://host/path")
    if "@" in parts.netloc or parts.fragment:
        raise ValueError(f"url: that of {host} holds a user, a password or a fragment; allowed: none of them")
    address = written_address(host)
    if parts.scheme == "http" and not allow_plain_http and not (address and address.is_loopback):
        raise ValueError(f"url: http to {host} can be read on the way; allowed: https, or allow_plain_http = true")
    problem = refusal_of(address, allow_private=True) if address else ""
    if problem:
        raise ValueError(f"url: {host} {problem}")
    return host


class CheckedAdapter(HTTPAdapter):
    """Sends nothing to an address of which :func:`refusal_of` says why not. Where a proxy is set it is the proxy that
    connects, and this looks at nothing."""

    def __init__(self, *, allow_private: bool) -> None:
        self._allow_private = allow_private
        super().__init__(max_retries=0)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs)
        self.poolmanager.pool_classes_by_scheme = _pools(self._allow_private)


def _pools(allow_private: bool) -> Mapping[str, type[HTTPConnectionPool]]:
    def checked(connection: socket.socket) -> socket.socket:
        address = _plain(ip_address(connection.getpeername()[0]))
        problem = refusal_of(address, allow_private=allow_private)
        if problem:
            connection.close()
            raise RemoteRefusedError(f"nothing was sent: the address that the host's name leads to {problem}")
        return connection

    class Plain(HTTPConnection):
        def _new_conn(self) -> socket.socket:
            return checked(super()._new_conn())

    class Encrypted(HTTPSConnection):
        def _new_conn(self) -> socket.socket:
            return checked(super()._new_conn())

    class PlainPool(HTTPConnectionPool):
        ConnectionCls = cast(Any, Plain)

    class EncryptedPool(HTTPSConnectionPool):
        ConnectionCls = cast(Any, Encrypted)

    return {"http": PlainPool, "https": EncryptedPool}
