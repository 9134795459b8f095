"""The simulated channel against published results on random access, each with its source.

Every figure is measured over independent replications with fixed seeds; it agrees if theory lies
within four standard errors of their mean (Student's t with 19 degrees of freedom: one seed in a
thousand would fail), and the interval must be narrow, so that agreeing means something. The load G
counts frames offered in the time of one frame, the throughput S frames that come through in it.

Where the model is not the published one, the result is derived here for what the model does, and
the same derivation is shown to give the published formula for the published assumptions.
"""

import itertools
import math
import random
import statistics
from collections.abc import Callable, Iterable, Iterator

import pytest

from ridgepost.radio.airtime import airtime_s
from ridgepost.rehearsal.channel import Channel, Happening, RadioParameters, Received, Sent

BARE = RadioParameters(txdelay_s=0.0, tx_tail_s=0.0, persistence=1.0)
"""No key-up and no tail, so that a transmission is nothing but the frame."""

FRAME = b"\x55" * 60
T_S = airtime_s(FRAME, 1200, 0.0, 0.0)
AT_ONCE_S = 1e-9
"""Carrier sense without delay, but two that start in one instant still don't notice each other."""

REPLICATIONS = 20
STANDARD_ERRORS = 4.0


def agree(samples: Iterable[float], expected: float, *, within: float) -> None:
    """The mean of the replications is `expected`; `within` is how far off would be noticed."""
    values = list(samples)
    assert len(values) == REPLICATIONS
    mean = statistics.fmean(values)
    half_width = STANDARD_ERRORS * statistics.stdev(values) / math.sqrt(len(values))
    assert half_width <= within, f"±{half_width:.4f} is too wide to tell"
    assert abs(mean - expected) <= half_width, f"{mean:.4f} ± {half_width:.4f}, not {expected:.4f}"


def replications(play: Callable[[random.Random], float]) -> list[float]:
    return [play(random.Random(1000 + number)) for number in range(REPLICATIONS)]


def poisson(rng: random.Random, rate: float, count: int) -> Iterator[float]:
    """Times of `count` arrivals."""
    at_s = 0.0
    for _ in range(count):
        at_s += rng.expovariate(rate)
        yield at_s


def crowd(
    rng: random.Random,
    *,
    groups: int,
    group_size: int,
    radio: RadioParameters = BARE,
    carrier_detect_s: float = AT_ONCE_S,
    capture_db: float | None = None,
) -> tuple[Channel, list[list[str]]]:
    """Groups of stations that hear their own group and no other, and R who hears them all."""
    channel = Channel(rng, loss=0.0, carrier_detect_s=carrier_detect_s, capture_db=capture_db)
    channel.add_node("R", BARE)
    members = [[f"{group}-{n}" for n in range(group_size)] for group in range(groups)]
    for names in members:
        for name in names:
            channel.add_node(name, radio)
            channel.hear("R", name)
        channel.hear_each_other(names)
    return channel, members


# --- random access without carrier sense --------------------------------------------------------


@pytest.mark.parametrize("load", [0.1, 0.5, 1.0])
def test_pure_aloha(load: float) -> None:
    # Source: Abramson 1970: S = G exp(-2G), at most 1/(2e) = 18.4 % at G = 1/2.
    frames = 1000

    def throughput(rng: random.Random) -> float:
        channel, groups = crowd(rng, groups=40, group_size=1)
        names = itertools.cycle(name for [name] in groups)
        at_s = 0.0
        for at_s in poisson(rng, load / T_S, frames):
            channel.transmit(next(names), FRAME, at_s)
        channel.advance(at_s + 10.0)
        return channel.totals("R").received * T_S / at_s

    agree(replications(throughput), load * math.exp(-2 * load), within=0.025)


@pytest.mark.parametrize("load", [0.5, 1.0, 2.0])
def test_slotted_aloha(load: float) -> None:
    # Source: Roberts 1972 (from memory): with all starts on the marks of a common clock S = G
    # exp(-G), at most 1/e = 36.8 % at G = 1. The stations have no such clock; here the hand-overs
    # keep to one, with a millisecond between the frames.
    slots, slot_s = 800, T_S + 0.001

    def throughput(rng: random.Random) -> float:
        channel, groups = crowd(rng, groups=20, group_size=1)
        names = itertools.cycle(name for [name] in groups)
        for at_s in poisson(rng, load / slot_s, round(slots * load)):
            channel.transmit(next(names), FRAME, math.ceil(at_s / slot_s) * slot_s)
        channel.advance(2 * slots * slot_s)
        return channel.totals("R").received / slots

    agree(replications(throughput), load * math.exp(-load), within=0.03)


@pytest.mark.parametrize("stations", [2, 4, 8])
def test_a_few_hidden_stations(stations: int) -> None:
    # By renewal theory (Cox 1962, from memory): a station that is silent for an exponential time of
    # mean 1/r and then sends for T is silent at a random moment with probability 1/(1 + rT), and
    # stays so for T with exp(-rT). A frame needs that of each other station.
    rate = 0.25 / T_S
    frames = 1200 // stations

    def success(rng: random.Random) -> float:
        channel, groups = crowd(rng, groups=stations, group_size=1)
        for [name] in groups:
            at_s = rng.expovariate(rate)
            for _ in range(frames):
                channel.transmit(name, FRAME, at_s)
                at_s += T_S + rng.expovariate(rate)
        channel.advance(frames * (T_S + 1 / rate) * 0.8)  # before the first of them is through
        totals = channel.totals()
        return channel.totals("R").received / totals.sent

    expected = (math.exp(-rate * T_S) / (1 + rate * T_S)) ** (stations - 1)
    agree(replications(success), expected, within=0.03)


def test_the_slots_of_persistence_do_not_help_who_hears_nobody() -> None:
    # Source: Tobagi & Kleinrock 1975 (hidden terminals): carrier sense that senses nothing is pure
    # ALOHA. The random waits change nothing either: a Poisson stream whose points are moved
    # independently is one of the same rate (Doob 1953, from memory).
    load, frames = 0.5, 1000
    radio = RadioParameters(txdelay_s=0.0, tx_tail_s=0.0)

    def throughput(rng: random.Random) -> float:
        channel, groups = crowd(rng, groups=100, group_size=1, radio=radio)
        names = itertools.cycle(name for [name] in groups)
        at_s = 0.0
        for at_s in poisson(rng, load / T_S, frames):
            channel.transmit(next(names), FRAME, at_s)
        channel.advance(at_s + 10.0)
        return channel.totals("R").received * T_S / at_s

    agree(replications(throughput), load * math.exp(-2 * load), within=0.025)


# --- carrier sense ------------------------------------------------------------------------------


def nonpersistent(load: float, sense: float, release: float) -> float:
    """Throughput of nonpersistent CSMA; times in frame times.

    Kleinrock & Tobagi 1975: a carrier is noticed `sense` after it starts, so a busy period is as
    long as one frame and the start of the last that was let in, which is E[Y] = sense - (1 -
    exp(-sense G)) / G after the first, and the end is noticed `release` after it. Idle time is
    1 / G, and the period is a success with exp(-sense G). The sum is
    S = G exp(-sense G) / (G (1 + sense + release) + exp(-sense G)); theirs has release = sense.
    """
    quiet = math.exp(-sense * load)
    return load * quiet / (load * (1 + sense + release) + quiet)


def one_persistent(load: float, sense: float, release: float) -> float:
    """Throughput of 1-persistent CSMA; times in frame times.

    Kleinrock & Tobagi 1975, for a `release` of its own. A transmission period lasts 1 + Y +
    release, with Y as above. Those who arrive in all of it but the first `sense` start the next one
    together, so it begins with none, one or more of them: with r = 1 - sense + release,
    q0 = E exp(-G (r + Y)) = exp(-G (r + sense)) (1 + sense G) and
    q1 = E G (r + Y) exp(-G (r + Y)) = G exp(-G (r + sense)) (r + sense G (r + sense / 2)).
    1 / q0 periods follow each other. The first begins with one, any other with probability
    q1 / (1 - q0), and one that does is a success with exp(-sense G).
    """
    quiet = math.exp(-sense * load)
    accumulating = 1 - sense + release
    none_or_one = math.exp(-load * (accumulating + sense))
    q0 = none_or_one * (1 + sense * load)
    q1 = none_or_one * load * (accumulating + sense * load * (accumulating + sense / 2))
    mean_y = sense - (1 - quiet) / load
    return quiet * (q0 + q1) / (q0 / load + 1 + mean_y + release)


@pytest.mark.parametrize("load", [0.1, 0.7, 1.0, 3.0, 20.0])
@pytest.mark.parametrize("sense", [0.0, 0.01, 0.1, 0.4])
def test_the_derivation_gives_the_published_formulas(load: float, sense: float) -> None:
    # Source: Kleinrock & Tobagi 1975, equations for unslotted CSMA, from memory.
    g, a = load, sense
    published = g * math.exp(-a * g) / (g * (1 + 2 * a) + math.exp(-a * g))
    assert nonpersistent(g, a, release=a) == pytest.approx(published)
    published = (
        g
        * (1 + g + a * g * (1 + g + a * g / 2))
        * math.exp(-g * (1 + 2 * a))
        / (g * (1 + 2 * a) - (1 - math.exp(-a * g)) + (1 + a * g) * math.exp(-g * (1 + a)))
    )
    assert one_persistent(g, a, release=a) == pytest.approx(published)


def test_the_published_capacities() -> None:
    # Source: Kleinrock & Tobagi 1975, table of capacities for a = 0.01, from memory: nonpersistent
    # 0.815, 1-persistent 0.529.
    loads = [0.02 * step for step in range(1, 2000)]
    best = max(nonpersistent(load, 0.01, 0.01) for load in loads)
    assert best == pytest.approx(0.815, abs=0.0005)
    best = max(one_persistent(load, 0.01, 0.01) for load in loads)
    assert best == pytest.approx(0.529, abs=0.0005)


def offered_once(rng: random.Random, load: float, *, groups: int, sense: float = 0.0) -> float:
    """The throughput if those who find the channel busy go away, as the nonpersistent do.

    A station of the model waits. Here it is switched off and on if the hand-over did not make it
    key up, so that it is still the channel itself that says what it found.
    """
    channel, members = crowd(
        rng,
        groups=groups,
        group_size=12 + round(2 * load),  # no two arrivals at one station within a frame
        carrier_detect_s=max(AT_ONCE_S, sense * T_S),
    )
    places = [itertools.cycle(names) for names in members]

    def give_up(name: str) -> Callable[[], None]:
        def look() -> None:
            if channel.waiting(name):
                channel.switch_off(name, channel.now_s)
                channel.switch_on(name, channel.now_s)

        return look

    at_s = 0.0
    for at_s in poisson(rng, load / T_S, round(300 * (1 + load))):
        name = next(rng.choice(places))
        channel.transmit(name, FRAME, at_s)
        channel.schedule(at_s, give_up(name))
    channel.advance(at_s + 10.0)
    assert channel.totals().cut_short == 0
    return channel.totals("R").received * T_S / at_s


@pytest.mark.parametrize(
    ("load", "sense"), [(0.5, 0.0), (1.0, 0.05), (3.0, 0.1), (3.0, 0.3), (6.0, 0.1)]
)
def test_nonpersistent_csma(load: float, sense: float) -> None:
    # Source: Kleinrock & Tobagi 1975; in the model the end of a carrier is noticed at once.
    samples = replications(lambda rng: offered_once(rng, load, groups=1, sense=sense))
    agree(samples, nonpersistent(load, sense, release=0.0), within=0.04)


@pytest.mark.parametrize("groups", [1, 2, 4])
@pytest.mark.parametrize("load", [0.6, 2.0])
def test_hidden_groups_go_from_csma_to_aloha(load: float, groups: int) -> None:
    # Source: Tobagi & Kleinrock 1975 (hidden terminals), for groups that hear themselves and no
    # other. Without sensing delay each of M groups is silent for an exponential time of mean M/G
    # and then sends for 1, independently of the others, so by renewal as above a frame meets no
    # other group's with exp(-G/M) / (1 + G/M) for each. M = 1 is nonpersistent CSMA, G / (1 + G);
    # without end it is pure ALOHA, G exp(-2G).
    def expected(groups: int) -> float:
        share = load / groups
        return load / (1 + share) * (math.exp(-share) / (1 + share)) ** (groups - 1)

    assert expected(1) == pytest.approx(nonpersistent(load, 0.0, 0.0))
    assert expected(10**6) == pytest.approx(load * math.exp(-2 * load), rel=1e-4)
    samples = replications(lambda rng: offered_once(rng, load, groups=groups))
    agree(samples, expected(groups), within=0.04)


@pytest.mark.parametrize(
    ("load", "sense"), [(0.5, 0.0), (1.0, 0.0), (2.0, 0.0), (0.7, 0.1), (1.5, 0.3)]
)
def test_one_persistent_csma(load: float, sense: float) -> None:
    # Source: Kleinrock & Tobagi 1975; in the model the end of a carrier is noticed at once.
    frames = 600

    def throughput(rng: random.Random) -> float:
        detect_s = max(AT_ONCE_S, sense * T_S)
        channel, [names] = crowd(rng, groups=1, group_size=20, carrier_detect_s=detect_s)
        places = itertools.cycle(names)
        at_s = 0.0
        for at_s in poisson(rng, load / T_S, frames):
            channel.transmit(next(places), FRAME, at_s)
        channel.advance(at_s + 60.0)
        assert channel.totals().sent == frames
        return channel.totals("R").received * T_S / at_s

    agree(replications(throughput), one_persistent(load, sense, release=0.0), within=0.04)


# --- p-persistence ------------------------------------------------------------------------------

SLOT_S = 0.125
"""With the numbers below all times are sums of powers of two, and equal ones are equal."""


def binomial(count: int, chance: float) -> list[float]:
    return [math.comb(count, k) * chance**k * (1 - chance) ** (count - k) for k in range(count + 1)]


def p_persistent(stations: int, p: float, arrival: float, frame_slots: int) -> float:
    """The share of time in which a frame comes through, by a Markov chain of its own.

    At each slot mark a station without a frame gets one with probability `arrival`; if no carrier
    is on, each of the `n` that have one keys up with probability `p`, for `frame_slots`, and keeps
    it otherwise. The chain steps from one mark at which the channel is clear to the next: one slot
    on if nobody keyed up; after the frame if m of them did, which is a success if m = 1. Meanwhile
    the others had `frame_slots` chances to get a frame, and the m who sent had one.
    """
    steps: list[list[float]] = []
    length: list[float] = []
    successes: list[float] = []
    for n in range(stations + 1):
        row = [0.0] * (stations + 1)
        length.append(0.0)
        for m, chance in enumerate(binomial(n, p)):
            slots = frame_slots if m else 1
            length[n] += chance * slots
            others = binomial(stations - n, 1 - (1 - arrival) ** slots)
            senders = binomial(m, arrival)
            for (i, p_others), (j, p_senders) in itertools.product(
                enumerate(others), enumerate(senders)
            ):
                row[n - m + i + j] += chance * p_others * p_senders
        steps.append(row)
        successes.append(n * p * (1 - p) ** (n - 1) if n else 0.0)
    share = [1.0 / (stations + 1)] * (stations + 1)
    for _ in range(2000):
        share = [
            sum(share[n] * steps[n][after] for n in range(stations + 1))
            for after in range(stations + 1)
        ]
    marks = list(zip(share, successes, length, strict=True))
    return (
        frame_slots
        * sum(weight * success for weight, success, _ in marks)
        / sum(weight * slots for weight, _, slots in marks)
    )


def test_the_chain_in_saturation() -> None:
    # By hand: if all always have a frame, a busy mark comes after q / (1 - q) idle slots, q = (1 -
    # p)^N, and is a success with N p (1 - p)^(N - 1) / (1 - q).
    stations, p, frame_slots = 6, 0.2, 9
    q = (1 - p) ** stations
    success = stations * p * (1 - p) ** (stations - 1) / (1 - q)
    by_hand = success * frame_slots / (frame_slots + q / (1 - q))
    assert p_persistent(stations, p, 1.0, frame_slots) == pytest.approx(by_hand)
    # And by hand for one station: it has an idle time of geometric slots, then a frame.
    alone = frame_slots / (frame_slots + (1 - p) / p)
    assert p_persistent(1, p, 1.0, frame_slots) == pytest.approx(alone)


@pytest.mark.parametrize(
    ("stations", "p", "arrival"),
    [
        (5, 0.25, 0.01),
        (5, 0.25, 0.05),
        (10, 0.25, 1.0),
        (10, 0.0625, 1.0),
        (3, 0.625, 0.1),
        (8, 1.0, 0.02),
    ],
)
def test_p_persistent_csma(stations: int, p: float, arrival: float) -> None:
    # Source: p-persistence as Kleinrock & Tobagi 1975 and the KISS paper describe it; expected
    # values from the chain above, since their analytic form assumes endlessly many stations.
    frame_slots, slots = 8, 2000
    bits_s = airtime_s(FRAME, 1024, 0.0, 0.0)
    radio = RadioParameters(
        txdelay_s=0.0,
        tx_tail_s=frame_slots * SLOT_S - bits_s,
        persistence=p,
        slot_time_s=SLOT_S,
    )

    def throughput(rng: random.Random) -> float:
        channel = Channel(random.Random(rng.random()), bit_rate=1024, loss=0.0)
        names = [f"S{number}" for number in range(stations)]
        channel.add_node("R")
        for name in names:
            channel.add_node(name, radio)
            channel.hear("R", name)
        channel.hear_each_other(names)

        def mark() -> None:
            for name in names:
                totals = channel.totals(name)
                if totals.sent == totals.handed_over and rng.random() < arrival:
                    channel.transmit(name, FRAME, channel.now_s)
            channel.schedule(channel.now_s + SLOT_S, mark)

        channel.schedule(0.0, mark)
        channel.advance(slots * SLOT_S)
        return channel.totals("R").received * frame_slots / slots

    samples = replications(throughput)
    agree(samples, p_persistent(stations, p, arrival, frame_slots), within=0.04)


def test_waiting_for_ones_turn_is_an_m_g_1_queue() -> None:
    # Source: Pollaczek & Khinchine (textbook): with Poisson arrivals and a service of mean m and
    # variance v the mean wait is r (m^2 + v) / (2 (1 - r m)). The service of one station alone is
    # its slots, geometric with mean (1-p)/p and variance (1-p)/p^2, and then the frame.
    radio = RadioParameters()
    p, slot_s = radio.persistence, radio.slot_time_s
    mean_slots_s = slot_s * (1 - p) / p
    air_s = airtime_s(FRAME, 1200, radio.txdelay_s, radio.tx_tail_s)
    service_s, variance = mean_slots_s + air_s, slot_s**2 * (1 - p) / p**2
    rate = 0.6 / service_s
    frames, warm_up = 1500, 100

    def wait_s(rng: random.Random) -> float:
        channel = Channel(random.Random(rng.random()), queue_limit=frames)
        channel.add_node("A", radio)
        arrivals = list(poisson(rng, rate, frames))
        for at_s in arrivals:
            channel.transmit("A", FRAME, at_s)
        happenings = channel.advance(arrivals[-1] + 600.0)
        starts = [h.started_s for h in happenings if isinstance(h, Sent)]
        pairs = list(zip(arrivals, starts, strict=True))[warm_up:]
        return statistics.fmean(start - arrival for arrival, start in pairs)

    expected = rate * (service_s**2 + variance) / (2 * (1 - rate * service_s)) + mean_slots_s
    agree(replications(wait_s), expected, within=0.15)


# --- capture ------------------------------------------------------------------------------------


def db(power: float) -> float:
    return 10.0 * math.log10(power)


@pytest.mark.parametrize("spread_db", [3.0, 8.0])
def test_capture_between_two_of_random_strength(spread_db: float) -> None:
    # By arithmetic: two levels in dB that are normal with the same spread differ by a normal value
    # with sqrt(2) times it, and one of the two survives if that is 6 dB or more either way.
    pairs = 300
    expected = 2 * (1 - statistics.NormalDist(0.0, spread_db * math.sqrt(2)).cdf(6.0))

    def survivors(rng: random.Random) -> float:
        channel, [[a], [b]] = crowd(rng, groups=2, group_size=1, capture_db=6.0)
        for number in range(pairs):
            at_s = 2.0 * number
            channel.advance(at_s)
            for name in (a, b):
                channel.hear("R", name, level_db=rng.gauss(0.0, spread_db))
                channel.transmit(name, FRAME, at_s)
        channel.advance(2.0 * pairs)
        return channel.totals("R").received / pairs

    agree(replications(survivors), expected, within=0.04)


@pytest.mark.parametrize("load", [0.5, 1.0, 2.0])
def test_slotted_aloha_with_capture_in_rayleigh_fading(load: float) -> None:
    # Source: Arnbak & van Blitterswijk 1987 (from memory; it follows at once): received powers are
    # exponential, so one exceeds z times another with probability 1 / (1 + z) and z times the sum
    # of k others with its k-th power; over a Poisson number of others S = G exp(-G z / (1 + z)).
    slots, slot_s = 1000, T_S + 0.001
    ratio_db = 6.0
    z = 10 ** (ratio_db / 10)

    def throughput(rng: random.Random) -> float:
        channel, groups = crowd(rng, groups=40, group_size=1, capture_db=ratio_db)
        names = itertools.cycle(name for [name] in groups)
        starts = [
            math.ceil(at_s / slot_s) for at_s in poisson(rng, load / slot_s, round(slots * load))
        ]
        for start in starts:
            at_s = start * slot_s
            if at_s > channel.now_s:
                channel.advance(at_s)
            name = next(names)
            channel.hear("R", name, level_db=db(rng.expovariate(1.0)))
            channel.transmit(name, FRAME, at_s)
        channel.advance(2 * slots * slot_s)
        return channel.totals("R").received / slots

    agree(replications(throughput), load * math.exp(-load * z / (1 + z)), within=0.03)


# --- time on air --------------------------------------------------------------------------------


def on_air_s(octets: bytes, radio: RadioParameters, bit_rate: int = 1200) -> tuple[float, float]:
    """How long the carrier was on, and how long it took until the frame was received."""
    channel = Channel(random.Random(1), loss=0.0, bit_rate=bit_rate)
    channel.add_node("A", radio)
    channel.add_node("B")
    channel.hear("B", "A")
    channel.transmit("A", octets, 0.0)
    happenings: list[Happening] = channel.advance(60.0)
    (sent,) = (h for h in happenings if isinstance(h, Sent))
    (got,) = (h for h in happenings if isinstance(h, Received))
    return sent.ended_s - sent.started_s, got.at_s


def test_a_frame_with_much_to_stuff_by_hand() -> None:
    # Source: AX.25 2.2 ch. 3: the FCS is CRC-16/X-25, and a 0 follows each five ones. For two
    # octets FF: the register starts as FFFF; the first octet makes it FFFF ^ FF = FF00, by the
    # table's entry for 00 (0000) it is shifted to 00FF; the second makes it 0000; inverted, the
    # FCS is FFFF. So 32 ones in a row get 6 zeros: 38 bits, with the two flags 54, at 1200 bit/s
    # 45 ms; with 300 ms TXDELAY and 30 ms tail 375 ms, and it is received after 345 ms.
    air_s, received_s = on_air_s(b"\xff\xff", RadioParameters(persistence=1.0))
    assert air_s == pytest.approx(0.375)
    assert received_s == pytest.approx(0.345)
    # The same at 9600 bit/s with 60 ms and 10 ms: 54 bits are 5.625 ms.
    fast = RadioParameters(txdelay_s=0.06, tx_tail_s=0.01, persistence=1.0)
    assert on_air_s(b"\xff\xff", fast, 9600)[0] == pytest.approx(0.075625)


def test_stuffing_takes_one_bit_in_62() -> None:
    # Source: Feller 1968, success runs: fresh runs of five ones come 2^6 - 2 = 62 random bits
    # apart in the mean. So a frame of n random bits is n / 62 bits longer, less what the start
    # costs, which in 16,000 bits is a fraction of one.
    octets, flags = 2000, 16

    def stuffed(rng: random.Random) -> float:
        air_s, _ = on_air_s(rng.randbytes(octets), BARE)
        bits = air_s * 1200 - flags
        return (bits / (8 * (octets + 2)) - 1) * 62

    agree(replications(stuffed), 1.0, within=0.1)
