"""Wrong tries are slowed: more and more for one client, and by a rate for all together."""

from __future__ import annotations

import ipaddress
import time
from collections.abc import Callable

#: One client waits 1 s after its first wrong try and twice as long after each further one, up to this.
LONGEST_S = 60.0
#: Wrong tries of a client are forgotten so long after it could have tried again.
FORGOTTEN_S = 3600.0
#: All together have so many wrong tries at once, and then one in so many seconds: more than one client can use up.
AT_ONCE = 20
EVERY_S = 3.0


class Slowing:
    """Says how long the next try of a client waits. A try that waits is not looked at, so it is neither right nor wrong.

    One client can make another wait for no moment; many together can, for as long as they go on.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._wrong: dict[str, tuple[int, float]] = {}  # by client: wrong tries in a row, and until when the next waits
        self._paid_until = clock()

    def wait_s(self, client: str) -> float:
        """Seconds until a try of this client is looked at; 0 where it is at once."""
        now = self._clock()
        _, until = self._wrong.get(client, (0, now))
        return max(0.0, until - now, self._paid_until - now - (AT_ONCE - 1) * EVERY_S)

    def wrong(self, client: str) -> int:
        """Count a wrong try; how many there were in a row."""
        now = self._clock()
        self._wrong = {name: one for name, one in self._wrong.items() if now - one[1] < FORGOTTEN_S}
        n = self._wrong.get(client, (0, now))[0] + 1
        self._wrong[client] = n, now + min(LONGEST_S, 2.0 ** min(n - 1, 9))
        self._paid_until = max(self._paid_until, now) + EVERY_S
        return n

    def right(self, client: str) -> None:
        """Forget the wrong tries of a client that is let in."""
        self._wrong.pop(client, None)


def client_of(host: str) -> str:
    """Who counts as one client: an IPv4 address, or the network of 64 bits in which a machine picks its IPv6 addresses itself.

    >>> client_of("192.168.1.7"), client_of("fd00::1:2"), client_of("fd00::3:4")
    ('192.168.1.7', 'fd00::/64', 'fd00::/64')
    """
    address = ipaddress.ip_address(host.partition("%")[0])
    return str(address) if address.version == 4 else str(ipaddress.ip_network((address, 64), strict=False))
