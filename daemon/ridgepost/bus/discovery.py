"""Discovery for home automation, in the open convention of MQTT discovery.

Below a prefix, 'homeassistant' unless it is set otherwise, a retained message describes each thing
that there is, and on which of our topics its value stands. (Keys of the convention from memory.)
"""

from typing import Any

import msgspec

from ridgepost import __version__
from ridgepost.bus.topics import Topics

MOST_TRACKERS = 200
"""Stations that become trackers; a home automation takes each for a device of its own."""


def plain_name(text: str) -> str:
    """Text as one name of the convention: letters, digits and '-' stay, every other octet of its
    UTF-8 becomes '_' and two hexadecimal digits, so that no two texts share a name."""
    return "".join(
        chr(octet) if octet < 128 and (chr(octet).isalnum() or octet == 0x2D) else f"_{octet:02x}"
        for octet in text.encode()
    )


class Discovery:
    """What is told of one station. `prefix` is a topic, of one level or several."""

    def __init__(self, prefix: str, station: str, topics: Topics) -> None:
        self.prefix = prefix
        self._topics = topics
        self._node = f"ridgepost-{plain_name(station)}"
        self._device = {
            "identifiers": [self._node],
            "name": f"Ridgepost {station}",
            "model": "Ridgepost",
            "sw_version": __version__,
        }

    def own(self) -> dict[str, bytes]:
        """Topics and payloads for the station itself: presence, what is unread, the last notice."""
        topics = self._topics
        return {
            self._topic("binary_sensor", "presence"): self._config(
                "presence",
                name="Online",
                state_topic=topics.presence,
                value_template="{{ 'ON' if value_json.online else 'OFF' }}",
                device_class="connectivity",
                entity_category="diagnostic",
            ),
            self._topic("sensor", "unread"): self._config(
                "unread",
                name="Unread messages",
                state_topic=topics.unread,
                value_template="{{ value_json.count }}",
                json_attributes_topic=topics.unread,
                state_class="measurement",
                icon="mdi:message-text",
            ),
            self._topic("sensor", "notice"): self._config(
                "notice",
                name="Last notice",
                state_topic=topics.notices,
                # A state has at most 255 characters there.
                value_template="{{ (value_json.notices | first | default({'text': 'none'})).text"
                " | truncate(250, True) }}",
                json_attributes_topic=topics.notices,
                icon="mdi:alert-circle-outline",
            ),
        }

    def tracker(self, callsign: str) -> bytes:
        """The payload for a station whose position is known."""
        place = "value_json.geometry.coordinates"
        return self._config(
            f"place-{plain_name(callsign)}",
            name=callsign,
            json_attributes_topic=self._topics.place(callsign),
            json_attributes_template=(
                "{{ {"
                f"'latitude': {place}[1], 'longitude': {place}[0], "
                "'gps_accuracy': value_json.properties.uncertainty_m | default(0, true), "
                "'course': value_json.properties.course_deg, "
                "'speed': value_json.properties.speed_kmh, "
                "'altitude': value_json.properties.altitude_m, "
                "'last_heard': value_json.at} | tojson }}"
            ),
            source_type="gps",
        )

    def tracker_topic(self, callsign: str) -> str:
        """Where a tracker is described."""
        return self._topic("device_tracker", f"place-{plain_name(callsign)}")

    def _topic(self, component: str, thing: str) -> str:
        return f"{self.prefix}/{component}/{self._node}/{thing}/config"

    def _config(self, thing: str, **more: Any) -> bytes:
        availability = {}
        if thing != "presence":
            availability = {
                "availability_topic": self._topics.presence,
                "availability_template": "{{ 'online' if value_json.online else 'offline' }}",
            }
        return msgspec.json.encode(
            {"unique_id": f"{self._node}-{thing}", "device": self._device, **availability, **more}
        )
