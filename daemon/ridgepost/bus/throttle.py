"""How often each client may ask, so that none of them fills the channel by itself.

MQTT does not say who published a message. A client is known by the name in the topic of its asks,
which a broker's access rules can hold it to; those that give none count as one client together.
"""

from collections import OrderedDict

import msgspec

NAMELESS = ""


class Rate(msgspec.Struct, frozen=True):
    """So many at once, and then one in every `every_s` seconds."""

    at_once: int
    every_s: float


ON_AIR = Rate(at_once=30, every_s=10.0)
"""Asks that put something on the air: 6 a minute, where the channel carries 14.6 acknowledged
messages a minute at most (1200 baud, one digipeater; measured on a simulated channel)."""

OTHER = Rate(at_once=100, every_s=0.2)

CLIENTS_KEPT = 256


class Throttle:
    """One bucket of tokens for each client, `CLIENTS_KEPT` of them; further clients share one."""

    def __init__(self, rate: Rate) -> None:
        self._rate = rate
        # When each client's bucket will be full again: that is all there is to know of it.
        self._full_at_s: OrderedDict[str, float] = OrderedDict()

    def __len__(self) -> int:
        return len(self._full_at_s)

    def wait_s(self, client: str, now_s: float, count: int = 1) -> float:
        """0.0 if the client may ask now for so much, and it has then; else the seconds to wait."""
        self._forget(now_s)
        if client not in self._full_at_s and len(self._full_at_s) >= CLIENTS_KEPT:
            client = NAMELESS
        rate = self._rate
        full_at_s = max(self._full_at_s.get(client, now_s), now_s) + count * rate.every_s
        too_soon_s = full_at_s - now_s - rate.at_once * rate.every_s
        if too_soon_s > 1e-6:
            return too_soon_s
        self._full_at_s[client] = full_at_s
        self._full_at_s.move_to_end(client)
        return 0.0

    def _forget(self, now_s: float) -> None:
        """Clients whose bucket is full again, as far as they are the first that come to hand."""
        while self._full_at_s:
            client, full_at_s = next(iter(self._full_at_s.items()))
            if full_at_s > now_s:
                return
            del self._full_at_s[client]
