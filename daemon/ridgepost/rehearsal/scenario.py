"""What is played in a rehearsal: an event as plain data, and its stations put on a channel.

The race, its places and its people are invented.
"""

import itertools
import math
import random
from collections.abc import Iterable

import msgspec

from ridgepost import aprs
from ridgepost.rehearsal.channel import Channel, RadioParameters
from ridgepost.rehearsal.digipeater import Digipeater
from ridgepost.rehearsal.stations import (
    Beacons,
    Habits,
    PlainStation,
    RelayStation,
    Waypoint,
    doubling_schedule,
    fixed_schedule,
)
from ridgepost.station.records import Precedence

RELAY_RADIO = RadioParameters(persistence=1.0)
"""A digipeater keys up as soon as the channel is clear (APRS Digipeater Algorithm sec. 3.2.1)."""


class PlannedMessage(msgspec.Struct, frozen=True):
    """What a station sends to the gateway, and when its operator asks for it."""

    at_s: float
    text: str


class OperatorAsk(msgspec.Struct, frozen=True):
    """What an operator at the gateway asks to be sent."""

    at_s: float
    to: str
    text: str
    precedence: Precedence = Precedence.ROUTINE


class StationPlan(msgspec.Struct, frozen=True, kw_only=True):
    """One scripted station. `tactical` is what people call it; `away` are times off the air."""

    callsign: str
    tactical: str
    waypoints: tuple[Waypoint, ...]
    beacons: Beacons
    habits: Habits = Habits()
    sends: tuple[PlannedMessage, ...] = ()
    away: tuple[tuple[float, float], ...] = ()
    status: str = ""
    """Sent once with the first beacon."""

    repeats: tuple[str, ...] = ()
    """Generic names it answers as a digipeater; () for a station that is none."""


class Hearing(msgspec.Struct, frozen=True):
    """`receiver` hears `sender`, with this strength against its other signals."""

    receiver: str
    sender: str
    level_db: float = 0.0


class Cast(msgspec.Struct, frozen=True):
    """The scripted stations and digipeaters on a channel, by callsign."""

    stations: dict[str, PlainStation]
    relays: dict[str, RelayStation]


class Scenario(msgspec.Struct, frozen=True, kw_only=True):
    """An event from 0 to `end_s`, gateway excluded: that is what is rehearsed."""

    title: str
    seed: int
    end_s: float
    gateway: str
    gateway_tactical: str
    gateway_latitude_deg: float
    gateway_longitude_deg: float
    stations: tuple[StationPlan, ...]
    hearing: tuple[Hearing, ...]
    asks: tuple[OperatorAsk, ...]
    loss: float = 0.05

    @property
    def tacticals(self) -> dict[str, str]:
        """Tactical name by callsign, the gateway's own included."""
        named = {plan.callsign: plan.tactical for plan in self.stations}
        return {self.gateway: self.gateway_tactical} | named

    def open_channel(self) -> Channel:
        """A channel for `build`, its chance drawn from the scenario's seed."""
        return Channel(self._rng("channel"), loss=self.loss)

    def build(self, channel: Channel) -> Cast:
        """Put the gateway's node and all stations on `channel`, and their scripts into its time.

        What the gateway does is not scripted: attach a TNC or a station to its node.
        """
        channel.add_node(self.gateway)
        for plan in self.stations:
            channel.add_node(plan.callsign, RELAY_RADIO if plan.repeats else RadioParameters())
        for link in self.hearing:
            channel.hear(link.receiver, link.sender, level_db=link.level_db)
        return Cast(
            {plan.callsign: self._station(channel, plan) for plan in self.stations},
            {
                plan.callsign: RelayStation(
                    channel, Digipeater(plan.callsign, generic=plan.repeats)
                )
                for plan in self.stations
                if plan.repeats
            },
        )

    def _station(self, channel: Channel, plan: StationPlan) -> PlainStation:
        station = PlainStation(channel, plan.callsign, self._rng(plan.callsign), plan.habits)
        station.beacon(plan.beacons, plan.waypoints)
        if plan.status:
            station.status_at(plan.beacons.first_s, plan.status)
        for message in plan.sends:
            station.send_at(message.at_s, self.gateway, message.text)
        for off_s, on_s in plan.away:
            station.off_between(off_s, on_s)
        return station

    def _rng(self, what: str) -> random.Random:
        # One stream for each: what one station does leaves the chance of the others alone.
        return random.Random(f"{self.seed}/{what}")  # noqa: S311 - a simulation, not a secret


# --- the race -----------------------------------------------------------------------------------

GATEWAY = "QZ1HUB-10"
RIDGE = "QZ1RDG-3"
GULLY = "QZ1GUL"
"""Below the ridge in the gully: hears only the digipeater, and only the digipeater hears it."""

LEAD = "QZ1LED-7"
"""Reads its messages and never acknowledges."""

LEAD_TACTICAL = "LEAD BIKE"
AWAY = "QZ1SAG-2"
"""Goes off the air and comes back."""

AWAY_FROM_S, AWAY_UNTIL_S = 390.0, 810.0
END_S = 1380.0

_START = (61.5012, -149.2041)
_POSTS = (
    (61.5127, -149.2263),
    (61.5268, -149.2105),
    (61.5391, -149.1757),
    (61.5334, -149.1312),
    (61.5176, -149.1148),
    (61.5049, -149.1524),
)
_GULLY = (61.5301, -149.1580)
_RIDGE = (61.5462, -149.1604)
_BRIDGE = (61.4935, -149.1711)
_CAMP = (61.4878, -149.2312)

_FIXED_30 = Habits(retry_after_s=fixed_schedule(30.0, 5))
_DOUBLING_8 = Habits(retry_after_s=doubling_schedule(8.0, 5))
_DIRECT_TRACKER = Habits(path=("WIDE1-1",), retry_after_s=fixed_schedule(30.0, 3))


def trail_race(seed: int) -> Scenario:
    """A mountain trail race on a ring of six posts, 23 minutes of its busiest hour.

    23 stations and one digipeater on the ridge that all of them hear. The seed sets the terrain
    (who hears whom: half of all pairs do not), when beacons start and the small change of timing.
    """
    rng = random.Random(f"{seed}/trail race")  # noqa: S311 - a simulation, not a secret
    plans = _plans(rng)
    places = {GATEWAY: _START} | {plan.callsign: _first_place(plan) for plan in plans}
    return Scenario(
        title="Lantern Ridge 50",
        seed=seed,
        end_s=END_S,
        gateway=GATEWAY,
        gateway_tactical="RACE OFFICE",
        gateway_latitude_deg=_START[0],
        gateway_longitude_deg=_START[1],
        stations=plans,
        hearing=tuple(_hearing(rng, places)),
        asks=_ASKS,
    )


def _plans(rng: random.Random) -> tuple[StationPlan, ...]:
    def plan(
        callsign: str,
        tactical: str,
        symbol_code: str,
        every_s: float,
        *route: tuple[float, float],
        habits: Habits = _FIXED_30,
        sends: tuple[PlannedMessage, ...] = (),
        away: tuple[tuple[float, float], ...] = (),
        status: str = "",
        repeats: tuple[str, ...] = (),
    ) -> StationPlan:
        """A station that takes the whole time from the first place of `route` to the last."""
        legs = max(1, len(route) - 1)
        return StationPlan(
            callsign=callsign,
            tactical=tactical,
            waypoints=tuple(
                Waypoint(number * END_S / legs, *place) for number, place in enumerate(route)
            ),
            beacons=Beacons(
                first_s=rng.uniform(1.0, every_s),
                interval_s=every_s,
                jitter_s=every_s * 0.1,
                symbol_code=symbol_code,
                comment=tactical,
            ),
            habits=habits,
            sends=tuple(
                PlannedMessage(message.at_s + rng.uniform(0.0, 10.0), message.text)
                for message in sends
            ),
            away=away,
            status=status,
            repeats=repeats,
        )

    say = PlannedMessage
    finish, (one, two, three, four, five, six) = _START, _POSTS
    return (
        plan(
            RIDGE, "RIDGE", "#", 600.0, _RIDGE,
            habits=Habits(path=()), repeats=("WIDE1", "WIDE2"),
        ),
        plan(
            "QZ1PST-1", "POST 1", "+", 300.0, one, status="Post 1 open",
            sends=(
                say(95.0, "Post 1: 214 through, none waiting"),
                say(640.0, "Post 1: last runner in, closing in 20 min"),
            ),
        ),
        plan(
            "QZ1PST-2", "POST 2", "+", 300.0, two, status="Post 2 open", habits=_DOUBLING_8,
            sends=(
                say(150.0, "Post 2: bib 88 stops here, ride wanted, not urgent"),
                say(700.0, "Post 2: 180 through, water for 30 left"),
            ),
        ),
        plan(
            "QZ1PST-3", "POST 3", "+", 300.0, three, status="Post 3 open",
            sends=(
                say(210.0, "Post 3: bib 131 twisted ankle, can walk with help"),
                say(480.0, "Post 3: fog coming in, marker flags hard to see"),
                say(960.0, "Post 3: bib 131 handed over to MEDIC 1"),
            ),
        ),
        plan(
            "QZ1PST-4", "POST 4", "+", 300.0, four, status="Post 4 open", habits=_DOUBLING_8,
            sends=(
                say(260.0, "Post 4: leader bib 7 through at 10:42"),
                say(805.0, "Post 4: gas stove out, no hot drinks"),
            ),
        ),
        plan(
            "QZ1PST-5", "POST 5", "+", 300.0, five, status="Post 5 open",
            sends=(say(330.0, "Post 5: all set, no runners yet"),),
        ),
        plan(
            "QZ1PST-6", "POST 6", "+", 300.0, six, status="Post 6 open", habits=_DOUBLING_8,
            sends=(say(545.0, "Post 6: leader bib 7 in sight"),),
        ),
        plan(
            GULLY, "GULLY", "[", 180.0, _GULLY,
            sends=(
                say(120.0, "Gully: rope section in place, one marshal here"),
                say(570.0, "Gully: two runners off the trail, calling them back"),
                say(900.0, "Gully: both runners back on the trail"),
            ),
        ),
        plan(
            "QZ1SWP-7", "SWEEP 1", "[", 120.0, one, two,
            sends=(
                say(420.0, "Sweep 1: with bib 203, slow but well"),
                say(1005.0, "Sweep 1: at the stream, 1 km to post 2"),
            ),
        ),
        plan(
            "QZ1SWP-8", "SWEEP 2", "[", 120.0, two, three,
            sends=(say(760.0, "Sweep 2: jacket found, no bib on it"),),
        ),
        plan(LEAD, LEAD_TACTICAL, "b", 90.0, three, four, five,
             habits=Habits(acknowledges=False)),
        plan(
            "QZ1TRK-9", "SUPPLY", "k", 100.0, _CAMP, finish, one,
            sends=(
                say(300.0, "Supply: leaving camp with 40 cans of water"),
                say(860.0, "Supply: at the office, next stop post 2"),
            ),
        ),
        plan(
            AWAY, "SAG 2", "v", 150.0, _BRIDGE, six, habits=_DOUBLING_8,
            sends=(
                say(180.0, "SAG 2: waiting at the bridge"),
                say(380.0, "SAG 2: going into the tunnel road, no signal there"),
                say(850.0, "SAG 2: back on the air with one rider"),
            ),
            away=((AWAY_FROM_S, AWAY_UNTIL_S),),
        ),
        plan(
            "QZ1SAG-1", "SAG 1", "v", 150.0, finish, one, two,
            sends=(say(610.0, "SAG 1: on the way to post 2 for bib 88"),),
        ),
        plan(
            "QZ1MED-1", "MEDIC 1", "a", 150.0, three,
            sends=(
                say(520.0, "Medic 1: with bib 131, no fracture, needs transport"),
                say(930.0, "Medic 1: free again at post 3"),
            ),
        ),
        plan("QZ1MED-2", "MEDIC 2", "a", 150.0, six,
             sends=(say(360.0, "Medic 2: standing by at post 6"),)),
        plan("QZ1FIN", "FINISH", "-", 300.0, finish, habits=_DOUBLING_8,
             sends=(say(1010.0, "Finish: clock and mats tested, ready"),)),
        plan("QZ1BRG", "BRIDGE", "[", 300.0, _BRIDGE,
             sends=(say(450.0, "Bridge: road crossing held, traffic 4 min"),)),
        plan("QZ1BUS", "BUS", "U", 150.0, _CAMP, _BRIDGE),
        plan("QZ1RUN-1", "BIB 7", "[", 90.0, three, four, habits=_DIRECT_TRACKER),
        plan("QZ1RUN-2", "BIB 21", "[", 90.0, two, three, habits=_DIRECT_TRACKER),
        plan("QZ1RUN-3", "BIB 88", "[", 90.0, two, habits=_DIRECT_TRACKER),
        plan("QZ1RUN-4", "BIB 203", "[", 90.0, one, two, habits=_DIRECT_TRACKER),
        plan("QZ1CMP", "CAMP", "-", 300.0, _CAMP,
             sends=(say(1040.0, "Camp: 12 beds free for tonight"),)),
    )  # fmt: skip


_ASKS = (
    OperatorAsk(60.0, "QZ1PST-1", "Radio check, please answer", Precedence.ROUTINE),
    OperatorAsk(75.0, GULLY, "Radio check, please answer", Precedence.ROUTINE),
    OperatorAsk(140.0, "QZ1TRK-9", "Post 2 wants water, 30 left", Precedence.ROUTINE),
    OperatorAsk(170.0, "QZ1SAG-1", "Fetch bib 88 at post 2, not urgent", Precedence.WELFARE),
    OperatorAsk(235.0, "QZ1MED-1", "Bib 131 at post 3, ankle. Please go", Precedence.PRIORITY),
    OperatorAsk(240.0, "QZ1PST-3", "Medic 1 is on the way to you", Precedence.PRIORITY),
    OperatorAsk(290.0, LEAD, "How far to post 5?", Precedence.ROUTINE),
    OperatorAsk(320.0, "QZ1FIN", "Leader passed post 4 at 10:42", Precedence.ROUTINE),
    OperatorAsk(410.0, AWAY, "Take one rider at the bridge", Precedence.WELFARE),
    OperatorAsk(
        500.0, "QZ1PST-3", "Fog: put a marshal at each turn, flags every 10 m", Precedence.PRIORITY
    ),
    OperatorAsk(
        505.0, "QZ1SWP-8", "Fog at post 3: keep the last runners together", Precedence.PRIORITY
    ),
    OperatorAsk(
        585.0, GULLY, "Which two bibs? Report as soon as you have them", Precedence.EMERGENCY
    ),
    OperatorAsk(590.0, "QZ1MED-2", "Be ready to go to the gully", Precedence.EMERGENCY),
    OperatorAsk(
        595.0, "QZ1PST-4", "Hold all runners for the gully till I tell you", Precedence.EMERGENCY
    ),
    OperatorAsk(660.0, "QZ1SWP-7", "Is bib 203 fit to go on?", Precedence.WELFARE),
    OperatorAsk(720.0, "QZ1CMP", "How many beds are free tonight?", Precedence.ROUTINE),
    OperatorAsk(780.0, "QZ1BUS", "Ten people to fetch at the bridge", Precedence.ROUTINE),
    OperatorAsk(915.0, "QZ1PST-4", "Gully is clear, let the runners go", Precedence.PRIORITY),
    OperatorAsk(920.0, "QZ1MED-2", "Gully is clear, stand down", Precedence.ROUTINE),
    OperatorAsk(975.0, "QZ1SAG-1", "Bib 131 to be fetched at post 3", Precedence.WELFARE),
    OperatorAsk(1015.0, "QZ1PST-1", "You may close", Precedence.ROUTINE),
    OperatorAsk(1050.0, "QZ1BRG", "Bus comes to you in ten minutes", Precedence.ROUTINE),
)


# --- who hears whom -----------------------------------------------------------------------------


def _hearing(rng: random.Random, places: dict[str, tuple[float, float]]) -> Iterable[Hearing]:
    """Everyone and the ridge hear each other; of the other pairs the stronger half do."""
    level_db: dict[tuple[str, str], float] = {}
    for one, other in itertools.combinations(places, 2):
        # Free space takes 20 dB for ten times the distance, hills are log-normal (common practice).
        miles = max(0.1, aprs.great_circle_miles(*places[one], *places[other]))
        level_db[one, other] = -20.0 * math.log10(miles) + rng.gauss(0.0, 8.0)
    on_the_ground = sorted(
        (pair for pair in level_db if RIDGE not in pair),
        key=lambda pair: (GULLY not in pair, level_db[pair]),
    )
    audible = {pair for pair in level_db if RIDGE in pair}
    audible.update(on_the_ground[len(on_the_ground) // 2 :])
    for (one, other), level in level_db.items():
        if (one, other) in audible:
            yield Hearing(one, other, level)
            yield Hearing(other, one, level)


def _first_place(plan: StationPlan) -> tuple[float, float]:
    return plan.waypoints[0].latitude_deg, plan.waypoints[0].longitude_deg
