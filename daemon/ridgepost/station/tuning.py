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

    heard_recall_s: float = 7200.0
    """At a start the frames heard in this time before it are read again: who was heard by which way
    and at which interval. Older ways say nothing (`way_memory_s`), and few intervals are longer."""

    recent_frames: int = 2048
    """Frames remembered for the duplicate window: at 9600 baud saturation about 400 fit in 30 s."""

    # -- outgoing messages -----------------------------------------------------------------------

    attempts: int = 8
    """Transmissions before an addressee counts as not there, and is waited for. On a simulated
    channel with 70 % offered load 8 leave fewer than 2 in 100 messages without acknowledgement,
    hardly more than knowing the fate of every frame would (98.2 and 98.9 % measured)."""

    tries_per_path: int = 3
    """Unanswered transmissions by one path before the next wider one has its turn: at half of the
    first hops lost, three failures leave one chance in eight that the path is good."""

    way_memory_s: float = 900.0
    """A way by which a station was heard longer ago than this says nothing about now: at 30 mph a
    mobile is 7 miles farther on."""

    # Where a digipeater is expected to repeat us.

    first_access_s: float = 3.0
    """Before any repeat was timed: the two waits for the channel, ours and the digipeater's. On a
    loaded simulated channel they take 0.3 s in the middle and 2.5 s in 99 cases of 100."""

    echo_deviations: float = 3.0
    """Patience is the mean of these waits and so many mean deviations. The optimum is flat: 2 to
    4 differ by 5 % in airtime (measured on a simulated channel)."""

    least_access_s: float = 0.5
    most_access_s: float = 15.0
    """Bounds for it. A TNC may hold a frame back for long on a full channel."""

    no_repeat_growth: tuple[float, ...] = (1.0, 1.2, 2.0, 4.0, 6.0, 8.0)
    """Patience for the first repeat and for those after repeats missed in a row, as a multiple.
    Quick at first, since nobody has the frame in 9 cases of 10; then slower, so that not all
    transmissions fall into one window."""

    worth_another_copy: float = 0.15
    """While the odds that nobody has a frame are at least this, a copy is sent if no repeat was
    heard; below, one was almost surely repeated unheard, and copies are suppressed for 30 s."""

    unanswered_growth: tuple[float, ...] = (1.0, 1.0, 1.5, 2.0, 3.0, 4.0)
    """The window is waited out once after a first repeat without an answer; after more of them the
    addressee is likely away."""

    after_window_s: float = 2.0
    """A copy goes out at random within this time after the window, so that two stations that were
    repeated together do not meet again."""

    echo_memory_s: float = 1800.0
    """A digipeater heard within this time is still there: the slowest beacons in use."""

    echo_misses: int = 12
    """Repeats missed in a row after which none is expected, from a digipeater that used to repeat
    us: with half of all frames lost on the way to it, that many by chance once in 4,000 times."""

    echo_misses_of_a_stranger: int = 6
    """The same for one that is heard, but never repeated us."""

    # Where no repeat can be expected.

    first_retry_s: float = 8.0
    """The decay algorithm's n (APRS 1.2 ch. 2, Packet Timing, leaves it open): time for a frame,
    its repeat, the acknowledgement and its repeat on a loaded channel (4 to 8 s measured)."""

    least_retry_s: float = 4.0
    most_retry_s: float = 30.0
    """Bounds for it where the addressee's own round trip has been measured."""

    retry_growth: float = 2.0
    """APRS 1.2 ch. 2: 'doubling'."""

    net_cycle_s: float = 600.0
    """APRS 1.2 ch. 2: the net cycle time lies between 10 and 30 minutes; local nets use 10."""

    retry_jitter: float = 0.15
    """Each wait is lengthened by up to this share at random, so that two stations which collided
    once do not meet again at every step."""

    # Standing back for others, and for the addressee.

    contender_gap_s: float = 4.0
    """For each other station busy with messages a retry waits so much longer, on average. With 12
    busy pairs on a simulated channel 4 to 8 s carry the most."""

    contender_memory_s: float = 60.0
    """A station heard with a message or an acknowledgement within this time is busy."""

    messages_in_flight: int = 1
    """Messages to one addressee in the air. A second one may use the time in which no copy of the
    first would be repeated, at the price that it may be read before the first."""

    beside_after_s: float = 5.0
    """From the repeat of the first message to a second one beside it: time for an acknowledgement,
    its repeat and one more of each. Sent sooner it would collide with just that."""

    heard_retry_gap_s: float = 30.0
    """A waiting message is tried again when its addressee is heard, but not sooner after the last
    transmission than this (digipeaters would suppress it); twice as long after each such round,
    since a station may be heard that does not hear us."""

    heard_tries: int = 4
    """Transmissions in each such round."""

    heard_rounds: int = 24
    """Such rounds at most: with the doubling gaps more than a lifetime of two hours takes."""

    kept_for_urgent: float = 0.1
    """Share of the queue that ROUTINE may not fill; WELFARE and PRIORITY in steps between."""

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

    busy_above: float = 0.5
    """Where others take more of the channel than this, our share shrinks, to half of it on a full
    channel: random access carries less and less beyond it."""

    occupancy_memory_s: float = 60.0
    """Time constant of the measured occupancy: some dozens of frames."""

    overdraft_s: tuple[float, float, float, float] = (60.0, 6.0, 2.0, 0.0)
    """Airtime that each precedence, most urgent first, may take ahead of `own_share`: EMERGENCY
    hardly waits, ROUTINE always does."""

    # -- incoming messages -----------------------------------------------------------------------

    ack_gap_s: float = 30.0
    """APRS 1.2 ch. 14, Multiple Acknowledgements: at least 30 seconds apart."""

    guard_growth: tuple[float, ...] = (1.0, 1.2, 1.5, 2.0, 3.0)
    """Patience for the repeat of an acknowledgement and of its copies, as a multiple; there are no
    more copies than that for one copy of the message. Most messages that are not acknowledged have
    been received; it was the acknowledgement that was lost (98 % delivered, 75 % acknowledged on a
    simulated channel at 70 % load)."""

    guard_worth: float = 0.25
    """As `worth_another_copy`. An acknowledgement and its repeat take a third of the airtime of
    the message and acknowledgement that the sender would repeat instead."""

    guard_contender_gap_s: float = 0.5
    """As `contender_gap_s`. An acknowledgement is short, and it ends an exchange."""

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

    # -- bulletins and announcements of ours -----------------------------------------------------

    bulletin_first_wait_s: float = 60.0
    """From a line's first transmission to its second; then twice as long each time (APRS 1.2c
    ch. 2, decay algorithm). Past the 30 s in which digipeaters repeat no copy."""

    bulletin_cycle_s: float = 1200.0
    """The longest wait between copies of a bulletin: 'a few times an hour' (APRS 1.2c ch. 14)."""

    bulletin_lifetime_s: float = 14400.0
    """How long a bulletin is sent: 'for a few hours' (APRS 1.2c ch. 14)."""

    announcement_cycle_s: float = 3600.0
    """The longest wait between copies of an announcement: 'much less frequently than bulletins'
    (APRS 1.2c ch. 14)."""

    announcement_lifetime_s: float = 259200.0
    """How long an announcement is sent: 'perhaps for several days' (APRS 1.2c ch. 14)."""

    max_bulletin_lifetime_s: float = 604800.0
    """The longest lifetime that an ask may give to either: a week."""

    open_bulletins: int = 64
    """Lines that are sent at a time: all digits, all letters and some groups. At their slowest that
    is one frame in some 20 s; the standard warns of a board too busy to be read (ch. 14)."""

    # -- long texts ------------------------------------------------------------------------------

    parts_memory_s: float = 7200.0
    """For how long after its latest part a text waits for the others: as long as a message lives
    unless its sender says otherwise."""

    unfinished_texts: int = 256
    """Texts of which some parts are missing; the one that is waiting longest goes first."""

    # -- queries ---------------------------------------------------------------------------------

    answer_gap_s: float = 60.0
    """The same answer to the same station is given once in this time, and our position and status,
    which everybody hears, once to all. Whoever missed it asks again a minute later."""

    answers_per_asker: int = 6
    answers_in_all: int = 30
    answer_window_s: float = 600.0
    """At most so many answers to one station and to all together within the window, a net cycle
    time (APRS 1.2c ch. 2): 30 frames are about 20 s of airtime in 10 minutes."""

    answer_patience_s: float = 60.0
    """An answer that the channel had no room for within this time is not sent any more."""

    general_answer_spread_s: float = 60.0
    """A query to all stations is answered after a random time of up to this, so that they do not
    all answer at once (common practice; APRS 1.2c ch. 15 names no time)."""

    direct_memory_s: float = 4800.0
    """Stations heard direct within this time are listed: 80 minutes, after which a station may
    be taken to be off the air (APRS 1.2c ch. 2, Time-Out)."""

    # -- who has gone quiet ----------------------------------------------------------------------

    late_chance: float = 0.05
    """A station on the roster is late when mere loss would explain its silence less often than
    this: one that is worth a look and no more."""

    loss_prior_reports: float = 2.0
    """What the losses of all count beforehand for one station, in reports of its own: hardly more
    than none, since one place behind a hill says little about another."""

    loss_first_guess: float = 0.3
    """The share of reports lost before any was counted: a busy 1200-baud channel (3 of 10 frames
    are lost at 50 % load; measured on a simulated one)."""

    loss_memory: float = 200.0
    """Reports that the measured loss remembers: some hours at a report each minute or two."""

    most_missed: int = 60
    """Reports in a row that are weighed at most. With half of them lost, ten are one in 1,000."""

    interval_jitter: float = 0.25
    """Share of its interval by which a report may come late without being lost. Trackers that wait
    for a free channel or draw their times at random stay within it."""

    report_delay_s: float = 20.0
    """The same for short intervals: time for digipeaters on a full channel."""

    alarm_gap_s: float = 600.0
    """After an emergency was cleared the same station raises another notice no sooner than this: it
    may go on saying so for a while, and a new one matters."""

    roster_members: int = 500
    """Stations on the roster at most: a large event has some dozens."""

    gaps_to_learn: int = 6
    gaps_remembered: int = 50
    """Gaps between reports from which an interval is learnt where none is given."""
