"""Passive acknowledgement: our own frame, repeated by a digipeater, proves the first hop.

Whoever hears the repeat of its own frame knows that the digipeater has it, and that a further copy
within the digipeaters' window would not be repeated. Whoever does not hear it in time may send
again at once: most likely nobody has the frame, so nobody suppresses the copy. Both hold only
where a digipeater can be expected to repeat us at all.

A repeat follows hard on its frame: what varies is the wait for the channel, at our TNC and at the
digipeater's. Its mean and mean deviation are measured for each port as TCP measures its round-trip
time (RFC 6298).
"""

from collections import OrderedDict
from dataclasses import dataclass

import msgspec

from ridgepost.radio.airtime import airtime_s
from ridgepost.station.channel import Port, PortSetup
from ridgepost.station.tuning import Tuning

FRAMES_KEPT = 256
"""Frames of ours that are remembered, the oldest forgotten first; 30 s hold some dozens."""

_FIRST_MISSED_SHARE = 0.3
_FIRST_DEAF_SHARE = 0.08
"""First guesses, near those of a channel with 30 % offered load (measured on a simulated one)."""

_SURELY = 0.95
"""Airtimes are computed, and TNCs differ a little from their settings."""

_GAIN_SHARE = 1 / 64
_GAIN_MEAN = 1 / 8
_GAIN_DEVIATION = 1 / 4


class Echo(msgspec.Struct, frozen=True):
    """A frame of ours was heard repeated: by whom, and how long after its hand-over."""

    via: str
    after_s: float


@dataclass(slots=True)
class _Listening:
    """What one port has taught us about the digipeaters around."""

    mean_s: float | None = None
    deviation_s: float = 0.0
    missed_in_a_row: int = 0
    missed_share: float = _FIRST_MISSED_SHARE
    """Of our frames, those whose repeat was not heard."""

    deaf_share: float = _FIRST_DEAF_SHARE
    """Of our frames that were repeated, those whose repeat was not heard."""

    last_echo_s: float | None = None
    last_repeat_s: float | None = None
    """When a frame of anybody's was last heard through a digipeater."""


@dataclass(slots=True)
class _Sent:
    at_s: float
    airtime_s: float
    before_s: float | None = None
    """When the copy before this one was sent, if its repeat was not heard."""

    heard: bool = False

    def after_s(self, now_s: float) -> float:
        """How long after its hand-over a repeat comes that is heard now. Sooner than the frame and
        its repeat take on the air, it is that of the copy before."""
        after_s = now_s - self.at_s
        if self.before_s is not None and after_s < 2.0 * self.airtime_s * _SURELY:
            after_s = now_s - self.before_s
        return after_s


class Echoes:
    """Listens for the repeats of our frames. Bounded by FRAMES_KEPT."""

    def __init__(self, ports: tuple[PortSetup, ...], tuning: Tuning) -> None:
        self._tuning = tuning
        self._setups = {(setup.tnc, setup.port): setup for setup in ports}
        self._listening = {port: _Listening() for port in self._setups}
        self._sent: OrderedDict[tuple[Port, bytes], _Sent] = OrderedDict()

    # -- our frames ------------------------------------------------------------------------------

    def sent(self, port: Port, octets: bytes, info: bytes, now_s: float) -> float:
        """A frame of ours with a path was handed to a TNC.

        Returns the seconds after which its repeat, if there is to be one, should have been heard.
        """
        setup, listening = self._setups[port], self._listening[port]
        on_air_s = airtime_s(octets, setup.bit_rate, setup.txdelay_s, setup.tx_tail_s)
        before = self._sent.get((port, info))
        before_s = before.at_s if before is not None and not before.heard else None
        self._sent[port, info] = _Sent(now_s, on_air_s, before_s)
        self._sent.move_to_end((port, info))
        if len(self._sent) > FRAMES_KEPT:
            self._sent.popitem(last=False)
        access_s = self._tuning.first_access_s
        if listening.mean_s is not None:
            access_s = max(
                listening.mean_s + self._tuning.echo_deviations * listening.deviation_s,
                self._tuning.least_access_s,
            )
        return 2.0 * on_air_s + min(access_s, self._tuning.most_access_s)

    def heard(self, port: Port, info: bytes, via: str, now_s: float) -> Echo | None:
        """A frame of ours came back from the digipeater `via`; None unless it is one that we sent
        lately on this port, and this is its first repeat."""
        self.repeat_heard(port, now_s)
        sent = self._sent.get((port, info))
        if sent is None or sent.heard or now_s - sent.at_s > self._tuning.duplicate_window_s:
            return None
        sent.heard = True
        listening = self._listening[port]
        listening.missed_in_a_row = 0
        listening.missed_share -= listening.missed_share * _GAIN_SHARE
        listening.last_echo_s = now_s
        after_s = sent.after_s(now_s)
        access_s = max(after_s - 2.0 * sent.airtime_s, 0.0)
        if listening.mean_s is None:
            listening.mean_s, listening.deviation_s = access_s, access_s / 2.0
        else:
            error_s = access_s - listening.mean_s
            listening.deviation_s += (abs(error_s) - listening.deviation_s) * _GAIN_DEVIATION
            listening.mean_s += error_s * _GAIN_MEAN
        return Echo(via, after_s)

    def missed(self, port: Port) -> None:
        """The repeat of a frame was waited for in vain."""
        listening = self._listening[port]
        listening.missed_in_a_row += 1
        listening.missed_share += (1.0 - listening.missed_share) * _GAIN_SHARE

    def answered(self, port: Port, *, repeat_heard: bool) -> None:
        """A frame of ours was answered, so it had been repeated: was that heard?"""
        listening = self._listening[port]
        deaf = 0.0 if repeat_heard else 1.0
        listening.deaf_share += (deaf - listening.deaf_share) * _GAIN_SHARE

    def nobody_has_it(self, port: Port, missed: int) -> float:
        """The probability that no digipeater has a frame of which `missed` copies in a row came
        back unheard.

        Either all copies were lost on the way to the digipeater, or one was repeated and we did not
        hear that; all later ones were suppressed then (Bayes' rule on the two shares measured).
        """
        listening = self._listening[port]
        deaf = min(max(listening.deaf_share, 0.01), 0.9)
        lost = min(max((listening.missed_share - deaf) / (1.0 - deaf), 0.02), 0.98)
        all_lost = lost**missed
        return all_lost / (all_lost + deaf * (1.0 - all_lost))

    # -- what may be expected --------------------------------------------------------------------

    def repeat_heard(self, port: Port, now_s: float) -> None:
        """Some digipeater can be heard on this port."""
        listening = self._listening.get(port)
        if listening is not None:
            listening.last_repeat_s = now_s

    def expected(self, port: Port, now_s: float) -> bool:
        """Whether a frame with a path, sent now, should come back.

        Yes if one did lately, or if a digipeater is heard at all; no when too many in a row were
        missed, so that a digipeater that hears nothing of us draws no storm of copies.
        """
        listening, tuning = self._listening[port], self._tuning

        def lately(at_s: float | None) -> bool:
            return at_s is not None and now_s - at_s < tuning.echo_memory_s

        if lately(listening.last_echo_s):
            return listening.missed_in_a_row < tuning.echo_misses
        return (
            lately(listening.last_repeat_s)
            and listening.missed_in_a_row < tuning.echo_misses_of_a_stranger
        )
