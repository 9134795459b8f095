"""Every number that shapes the station's behaviour, with its reason and its source."""

import msgspec


class Tuning(msgspec.Struct, frozen=True, kw_only=True):
    """The station's numbers. Times are seconds; derived times are computed, never written down."""

    # -- what is heard ---------------------------------------------------------------------------

    duplicate_window_s: float = 30.0
    """Copies of one frame within this time are one report (APRS 1.2 ch. 2: digipeaters keep a
    packet for about 30 s and repeat no copy of it)."""

    repeat_delay_s: float = 10.0
    """Within this time of the last copy, a copy by another transmitter is taken for the same
    transmission repeated; after it, or by the same transmitter, for the sender trying again.
    A repeat leaves a digipeater 3 to 8 s after the frame on a busy 1200-baud channel (measured
    on a simulated channel); a mistake costs one acknowledgement too many."""

    heard_stations: int = 4096
    """Stations remembered; the one silent longest goes first. A busy region has some hundreds."""

    recent_frames: int = 2048
    """Frames remembered for the duplicate window: at 9600 baud saturation about 400 fit in 30 s."""

    # -- outgoing messages -----------------------------------------------------------------------

    first_retry_s: float = 8.0
    """The decay algorithm's n (APRS 1.2 ch. 2, Packet Timing, leaves it open): time for a frame,
    its repeat, the acknowledgement and its repeat on a loaded channel (4 to 8 s measured)."""

    retry_growth: float = 2.0
    """APRS 1.2 ch. 2: 'doubling'."""

    net_cycle_s: float = 600.0
    """APRS 1.2 ch. 2: the net cycle time lies between 10 and 30 minutes; local nets use 10."""

    retry_jitter: float = 0.15
    """Each wait is lengthened by up to this share at random, so that two stations which collided
    once do not meet again at every step."""

    attempts: int = 8
    """Transmissions before an addressee counts as not there. With the numbers above the wait after
    the eighth is the net cycle time, where the standard turns to message-on-heard."""

    heard_retry_gap_s: float = 60.0
    """A waiting message is tried again when its addressee is heard, but not more often than this:
    a mobile may beacon every few seconds."""

    message_lifetime_s: float = 7200.0
    """A message that nobody cancels or acknowledges expires after this: a shift at an event."""

    max_lifetime_s: float = 86400.0
    """The longest lifetime an ask may give; message numbers do not repeat within it."""

    open_messages: int = 1000
    """Messages not yet settled that the queue takes: more than an hour of airtime at 1200 baud if
    each is acknowledged at once (14.6 a minute measured on a simulated channel)."""

    numbers_memory: int = 32768
    """Messages taken in `max_lifetime_s`, so that all their numbers can be remembered: one every
    2.6 s by day and night, past what a channel of 1200 baud carries."""

    own_share: float = 0.5
    """Of the channel's time, what this station's own messages may take: after a frame of t
    seconds the next waits t / own_share from its start. Acknowledgements go at once but count."""

    # -- incoming messages -----------------------------------------------------------------------

    ack_gap_s: float = 30.0
    """APRS 1.2 ch. 14, Multiple Acknowledgements: at least 30 seconds apart."""

    ack_debt_s: float = 60.0
    """How far acknowledgements may run ahead of `own_share`: some 45 of them in a row. Past that
    they are withheld, so that a flood of messages cannot make this station jam the channel; who
    means it sends again."""

    numbered_memory_s: float = 7200.0
    """A message with the same sender, number and text as one heard within this time (counted
    from its last copy) is a copy. Senders retry for up to hours; small counters come round."""

    unnumbered_memory_s: float = 300.0
    """The same without a number, where a copy cannot be told from a person saying it again."""

    reply_ack_memory_s: float = 600.0
    """For how long the latest number from a station rides on our messages to it (APRS 1.2 ch. 14,
    'latest outstanding ACK')."""

    inbound_memory: int = 4096
    """Incoming messages remembered for the tests above."""

    # -- asks ------------------------------------------------------------------------------------

    ask_memory_s: float = 86400.0
    """For how long the same request id gets the same answer."""

    ask_memory: int = 8192
    """Answers remembered for that."""

    @property
    def give_up_after_s(self) -> float:
        """From the first transmission to the last wait's end, without jitter."""
        wait_s, total_s = self.first_retry_s, 0.0
        for _ in range(self.attempts):
            total_s += min(wait_s, self.net_cycle_s)
            wait_s *= self.retry_growth
        return total_s
