"""Octets on a link: KISS framing, AX.25 frames, time on air, and the link itself.

Everything here but the link is pure: octets in, values out, no I/O and no clock.
"""


class RefusedError(ValueError):
    """Octets or text that a standard does not allow.

    `reason` is a short snake_case word, fit for counting; `detail` tells a person what was wrong.
    It quotes what came from outside escaped and shortened, so that it can go into a log as it is.
    """

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(f"{detail} ({reason})")
        self.reason = reason
        self.detail = detail


def quoted(what: str | bytes, limit: int = 40) -> str:
    """`what` as printable ASCII in quotes, cut after about `limit` characters."""
    shown = ascii(what[:limit])
    cut = len(what) > limit or len(shown) > limit + len("b''")
    return shown[:limit] + "..." if cut else shown
