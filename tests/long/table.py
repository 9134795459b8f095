"""What a client of the bus keeps: each event once, and the latest on each retained topic.

By the contract alone (config/bus-contract.md): events have an `id`, the same whenever they come,
and a `seq`; at least once, and in order. That a broker without our session has to be asked anew is
MQTT 5, 3.2.2.1.1.
"""

import json
from typing import Any


class Table:
    """Fed with what a client sees, message by message."""

    def __init__(self) -> None:
        self.events: dict[str, tuple[str, dict[str, Any]]] = {}
        """Topic and payload by id, in the order in which they first came."""

        self.retained: dict[str, Any] = {}
        self.messages = 0
        self.duplicates = 0
        self.out_of_order: list[str] = []
        self.differing: list[str] = []
        """Events that came again with something else in them."""

        self._highest = 0

    def connected(self, *, session_present: bool) -> None:
        """A broker that knows nothing of us tells what is retained from the beginning."""
        if not session_present:
            self.retained.clear()

    def take(self, topic: str, payload: str, *, retain: bool) -> None:
        """A message; asks are not the station's, and are passed over."""
        if topic.split("/")[2] == "ask":
            return
        self.messages += 1
        content = json.loads(payload) if payload else None
        if retain and not payload:
            self.retained.pop(topic, None)
        elif retain:
            self.retained[topic] = content
        if isinstance(content, dict) and "seq" in content:
            self._event(topic, content)

    def _event(self, topic: str, content: dict[str, Any]) -> None:
        key, seq = content["id"], content["seq"]
        if key in self.events:
            self.duplicates += 1
            if self.events[key] != (topic, content):
                self.differing.append(key)
            return
        self.events[key] = (topic, content)
        if seq < self._highest:
            self.out_of_order.append(key)
        self._highest = max(self._highest, seq)
