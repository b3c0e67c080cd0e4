"""The listening socket: so many connections of one neighbour, and in all, counted before a word is said.

A TLS handshake that never comes holds a descriptor like any other connection, and no protocol hears of it.
"""

from __future__ import annotations

import socket
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Any

MOST_OF_ONE = 12
"""Connections of one address: a browser opens six at most."""
MOST_IN_ALL = 120
"""Less than half of the descriptors that the page's unit may have."""
MOST_OF_ONE_NETWORK = 60
"""Connections of one /64 of IPv6. All phones of a house are in the same one, so it gets half of the room, not
a host's share; the rest stays for IPv4, which a browser tries 250 ms after IPv6 (RFC 8305, 5 and 8).
"""


def shares(host: str) -> Iterator[tuple[str, int]]:
    """What a connection of this address counts among, each with its limit.

    A host takes as many addresses of its /64 as it likes: an interface identifier has 64 bits (RFC 4291,
    2.5.1), and systems change it of themselves (RFC 8981). Link-local addresses are such a network too, one
    for each link. An address of IPv4 that came as IPv6 (RFC 4291, 2.5.5.2) is that one of IPv4.

    >>> list(shares("::ffff:192.0.2.7")), list(shares("2001:db8::7"))
    ([('192.0.2.7', 12)], [('2001:db8::7', 12), ('2001:db8::/64', 60)])
    >>> list(shares("fe80::7%wlan0"))[1]
    ('fe80::/64 wlan0', 60)
    """
    address: IPv4Address | IPv6Address = ip_address(host)
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    yield str(address), MOST_OF_ONE
    if isinstance(address, IPv6Address):
        network = f"{IPv6Address(int(address) >> 64 << 64)}/64"
        yield f"{network} {address.scope_id or ''}".strip(), MOST_OF_ONE_NETWORK


class Door(socket.socket):
    """Takes the place of a listening socket; a connection beyond the limits is closed as it comes."""

    def __init__(self, listening: socket.socket) -> None:
        super().__init__(fileno=listening.detach())
        self._open: Counter[str] = Counter()
        self._total = 0

    def accept(self) -> tuple[socket.socket, Any]:
        """As of a socket. ConnectionAbortedError for one too many: the caller tries again."""
        taken, peer = super().accept()
        among = dict(shares(str(peer[0])))
        if self._total >= MOST_IN_ALL or any(self._open[one] >= most for one, most in among.items()):
            taken.close()
            raise ConnectionAbortedError(f"too many connections from {peer[0]}")
        self._open.update(among.keys())
        self._total += 1
        return _Counted(taken, partial(self._ended, tuple(among))), peer

    def _ended(self, among: tuple[str, ...]) -> None:
        self._total -= 1
        self._open.subtract(among)
        self._open += Counter()  # those without any are forgotten


class _Counted(socket.socket):
    def __init__(self, taken: socket.socket, ended: Callable[[], None]) -> None:
        super().__init__(fileno=taken.detach())
        self._ended: Callable[[], None] | None = ended

    def close(self) -> None:
        super().close()
        ended, self._ended = self._ended, None
        if ended is not None:
            ended()
