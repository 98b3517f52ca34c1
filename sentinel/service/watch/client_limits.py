"""Keeps a few clients of the page from shutting out the others: bounds for each address, never for all."""

import threading
from collections import OrderedDict
from collections.abc import Callable
from ipaddress import IPv6Address, ip_address
from typing import Any

WRONG_AT_ONCE = 30
WRONG_EVERY_S = 1.0
"""An address may be wrong so often at once, and then once in so long: a guess costs a second."""
MOST_ADDRESSES = 1000
CONNECTIONS_EACH = 8
CONNECTIONS = 64
"""What waits is let go of, the oldest first, so that a newcomer always gets in."""


def _sender(address: str) -> str:
    """Return what counts as one sender: of IPv6 the network, of which a computer has all the addresses."""
    try:
        known = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(known, IPv6Address) and known.ipv4_mapped is None:
        return known.exploded[:19]
    return str(getattr(known, "ipv4_mapped", None) or known)


class WrongTokens:
    """Counts wrong tokens, by address."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._until_s: OrderedDict[str, float] = OrderedDict()
        """When each address's wrong tokens will be forgotten."""

    def allowed(self, address: str, now_s: float) -> bool:
        """Whether a token from there is looked at."""
        with self._lock:
            until_s = self._until_s.get(_sender(address), now_s)
        return until_s - now_s <= (WRONG_AT_ONCE - 1) * WRONG_EVERY_S

    def wrong(self, address: str, now_s: float) -> None:
        """Note that one was wrong."""
        sender = _sender(address)
        with self._lock:
            self._until_s[sender] = max(self._until_s.get(sender, now_s), now_s) + WRONG_EVERY_S
            self._until_s.move_to_end(sender)
            if len(self._until_s) > MOST_ADDRESSES:
                self._until_s.popitem(last=False)


def bounded(make: Callable[..., Any]) -> Callable[..., Any]:
    """Return how connections are taken in: where too many wait, the oldest of them makes room.

    `make`: how the server itself takes one in (`waitress.channel.HTTPChannel`); called in its loop.
    """

    def taken_in(server: Any, sock: Any, addr: Any, adj: Any, **rest: Any) -> Any:
        # One whose request is complete is being answered, which takes a moment only.
        waiting = [one for one in list(server.active_channels.values()) if not one.requests]
        waiting.sort(key=lambda one: float(one.creation_time))
        same = [one for one in waiting if _sender(one.addr[0]) == _sender(addr[0])]
        if len(same) >= CONNECTIONS_EACH:
            same[0].handle_close()
        elif len(waiting) >= CONNECTIONS:
            waiting[0].handle_close()
        return make(server, sock, addr, adj, **rest)

    return taken_in
