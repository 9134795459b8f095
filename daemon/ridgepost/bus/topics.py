"""Topic names. Everything hangs below `ridgepost/<station>/`."""

import functools
from urllib.parse import quote

ROOT = "ridgepost"

WORDS_KEPT = 1024
"""Names whose form in a topic is remembered: the same stations are heard again and again."""


@functools.lru_cache(maxsize=WORDS_KEPT)
def word(text: str) -> str:
    """Text from the air as one level of a topic.

    Letters, digits and `-._~` stay, every other octet of its UTF-8 becomes %XX (RFC 3986 2.1),
    so no wildcard, slash or control character gets in and no two texts share a topic.
    """
    return quote(text, safe="") or "%"


MAX_TOPIC = 256
MAX_LEVELS = 8
"""What the strictest brokers take. A topic that a broker finds fault with ends the connection."""


def can_be_published(topic: str) -> bool:
    """MQTT 5, 4.7: no wildcards, and what begins with $ belongs to the broker. A broker may refuse
    control characters and non-characters (1.5.4), so they are not tried."""
    return (
        0 < len(topic) <= MAX_TOPIC
        and topic.count("/") < MAX_LEVELS
        and topic.isprintable()
        and not topic.startswith("$")
        and not any(character in topic for character in "+#")
    )


class Topics:
    """The topics of one station."""

    def __init__(self, station: str) -> None:
        self.station = station
        self.base = f"{ROOT}/{word(station)}"
        self.presence = f"{self.base}/presence"
        self.all_asks = f"{self.base}/ask/"
        self.asks = (f"{self.all_asks}+", f"{self.all_asks}+/+")
        self.answers = f"{self.base}/answer/"
        self.traffic = f"{self.base}/traffic/"
        self.all_traffic_out = f"{self.base}/traffic/out/+"
        self.all_traffic_in = f"{self.base}/traffic/in/+"
        self.all_places = f"{self.base}/place/#"
        self.all_roster = f"{self.base}/roster/+"
        self.all_bulletins = f"{self.base}/bulletin/+/+"
        self.published = f"{self.base}/published"
        self.announced = f"{self.base}/announced"
        self.unread = f"{self.base}/unread"
        self.notices = f"{self.base}/notices"
        self.retained = tuple(
            f"{self.base}/{below}"
            for below in (
                "bulletin/+/+",
                "link/+",
                "place/#",
                "roster/+",
                "traffic/+/+",
                "unread",
                "notices",
            )
        )
        """Everything that the broker may keep, but for presence and how far it is."""

    def heard(self, kind: str) -> str:
        """A decoded report."""
        return f"{self.base}/heard/{word(kind)}"

    def copies(self) -> str:
        """How many copies of a report there were in the end."""
        return f"{self.base}/copies"

    def traffic_in(self, key: str) -> str:
        """A message to us."""
        return f"{self.base}/traffic/in/{word(key)}"

    def traffic_out(self, key: str) -> str:
        """A change of an outgoing message."""
        return f"{self.base}/traffic/out/{word(key)}"

    def acknowledgement(self) -> str:
        """An acknowledgement that we sent."""
        return f"{self.base}/traffic/ack"

    def joined(self, key: str) -> str:
        """A long text whose parts have all come."""
        return f"{self.base}/traffic/joined/{word(key)}"

    def read(self) -> str:
        """Somebody has read messages."""
        return f"{self.base}/traffic/read"

    def question(self, key: str) -> str:
        """A change of a query that we send to a station."""
        return f"{self.base}/traffic/question/{word(key)}"

    def place(self, callsign: str) -> str:
        """Where a station is."""
        return f"{self.base}/place/{word(callsign)}"

    def place_of_object(self, name: str) -> str:
        """Where an object or item is: a level deeper, since it may bear any station's name."""
        return f"{self.base}/place/object/{word(name)}"

    def roster(self, callsign: str) -> str:
        """What is known of a station that takes part in the event."""
        return f"{self.base}/roster/{word(callsign)}"

    def bulletin_out(self, line: str) -> str:
        """A bulletin or announcement of ours on this line."""
        return f"{self.base}/traffic/bulletin/{word(line)}"

    def query(self) -> str:
        """An answer to a query that we sent."""
        return f"{self.base}/traffic/query"

    def bulletin(self, source: str, line: str) -> str:
        """A line of the bulletin board."""
        return f"{self.base}/bulletin/{word(source)}/{word(line)}"

    def notice(self, kind: str) -> str:
        """Something for a person to look at."""
        return f"{self.base}/notice/{word(kind)}"

    def cleared(self) -> str:
        """Somebody has dealt with a notice."""
        return f"{self.base}/cleared"

    def link(self, tnc: str) -> str:
        """Whether a TNC is there."""
        return f"{self.base}/link/{word(tnc)}"

    def ask(self, verb: str, client: str = "") -> str:
        """Where a client puts an ask; brokers can see to it that nobody uses another's name."""
        below = f"/{word(client)}" if client else ""
        return f"{self.all_asks}{word(verb)}{below}"

    def answer(self, request: str) -> str:
        """Where the answer to it appears."""
        return f"{self.answers}{word(request)}"
