"""What the station counts since its start."""

import msgspec


class Counts(msgspec.Struct):
    """Plain counters; every frame and every ask is in exactly one of its group."""

    # Frames off the air.
    frames: int = 0
    malformed: int = 0
    """No AX.25 frame at all."""

    other_protocols: int = 0
    """Well-formed AX.25 that is not APRS: connected mode, other PIDs."""

    own_heard: int = 0
    """Our own frames, heard from a digipeater."""

    copies: int = 0
    reports: int = 0
    """First copies of other stations' frames."""

    unreadable: int = 0
    """Of those, broken by the standard."""

    # Messages.
    messages_in: int = 0
    message_copies: int = 0
    acks_sent: int = 0
    acks_guarded: int = 0
    """Of those sent, the ones sent again because no digipeater was heard to repeat them."""

    acks_withheld: int = 0
    """Not sent, because too many had gone out just before."""

    acks_heard: int = 0
    acks_late: int = 0
    """Acknowledgements and rejections, reply-acks included, of a message already settled: mostly
    the answers to its other copies."""

    acks_unmatched: int = 0
    """The same of nothing that we sent to that station."""

    # Queries.
    queries_answered: int = 0
    queries_unanswered: int = 0
    """Nothing was known, asked too often, or no room on the channel."""

    # Asks.
    asks_accepted: int = 0
    asks_refused: int = 0
    asks_repeated: int = 0
    asks_told: int = 0
    """Those that only wanted to know something."""
