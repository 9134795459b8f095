"""Topic names. Everything hangs below `ridgepost/<station>/`."""

from urllib.parse import quote

ROOT = "ridgepost"


def word(text: str) -> str:
    """Text from the air as one level of a topic.

    Letters, digits and `-._~` stay, every other octet of its UTF-8 becomes %XX (RFC 3986 2.1),
    so no wildcard, slash or control character gets in and no two texts share a topic.
    """
    return quote(text, safe="") or "%"


class Topics:
    """The topics of one station."""

    def __init__(self, station: str) -> None:
        self.base = f"{ROOT}/{word(station)}"
        self.presence = f"{self.base}/presence"
        self.asks = f"{self.base}/ask/+"
        self.answers = f"{self.base}/answer/"
        self.all_traffic_out = f"{self.base}/traffic/out/+"

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

    def bulletin(self, source: str, line: str) -> str:
        """A line of the bulletin board."""
        return f"{self.base}/bulletin/{word(source)}/{word(line)}"

    def notice(self, kind: str) -> str:
        """Something for a person to look at."""
        return f"{self.base}/notice/{word(kind)}"

    def link(self, tnc: str) -> str:
        """Whether a TNC is there."""
        return f"{self.base}/link/{word(tnc)}"

    def ask(self, verb: str) -> str:
        """Where a client puts an ask."""
        return f"{self.base}/ask/{word(verb)}"

    def answer(self, request: str) -> str:
        """Where the answer to it appears."""
        return f"{self.answers}{word(request)}"
