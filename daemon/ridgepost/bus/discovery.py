"""Discovery for home automation, in the open convention of MQTT discovery.

Below a prefix, 'homeassistant' unless it is set otherwise, a retained message describes each thing
that there is, and on which of our topics its value stands. (Keys of the convention from memory.)

These messages stay with the broker when the station is set otherwise. So the broker also keeps, as
`announced` among our own topics, below which prefixes there are any: before the first goes out, and
until the last has been taken away.
"""

from typing import Any

import msgspec

from ridgepost import __version__
from ridgepost.bus.common import SCHEMA, SchemaVersion
from ridgepost.bus.topics import ROOT, Topics, can_be_published

MOST_TRACKERS = 200
"""Stations that become trackers; a home automation takes each for a device of its own."""

MOST_PREFIXES = 16
"""Prefixes that are taken from the broker's word for ours; more than anybody tries out."""


class AnnouncedPayload(msgspec.Struct, frozen=True, kw_only=True):
    """Below which prefixes home automation has been told of the station and its trackers."""

    schema: SchemaVersion = SCHEMA
    prefixes: list[str]


def announced(prefixes: frozenset[str]) -> bytes:
    """The payload that says so; empty if there are none."""
    said = AnnouncedPayload(prefixes=sorted(prefixes))
    return msgspec.json.encode(said) if prefixes else b""


def read_announced(octets: bytes) -> frozenset[str]:
    """The prefixes in such a payload, as far as they can be any."""
    try:
        said = msgspec.json.decode(octets, type=AnnouncedPayload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return frozenset()  # not by us
    return frozenset([each for each in said.prefixes if _is_prefix(each)][:MOST_PREFIXES])


def _is_prefix(text: str) -> bool:
    """Also for us, and for a broker that would hang up over a topic that is none."""
    return can_be_published(f"{text}/binary_sensor/{ROOT}/presence/config") and not (
        f"{text}/".startswith(f"{ROOT}/")
    )


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
        self.mine = self._topic("+", "+")
        """A filter for all topics that are told of this station."""

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
            {
                "unique_id": f"{self._node}-{thing}",
                "device": self._device,
                "origin": {"name": "Ridgepost", "sw_version": __version__},
                **availability,
                **more,
            }
        )
