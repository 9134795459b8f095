"""Places: GeoJSON (RFC 7946), positions and symbols of the standard, and names from the air."""

import json
from typing import Any
from urllib.parse import unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bus.schemas import complaint
from ridgepost.bus.kept import PLACES_KEPT, Projection
from ridgepost.bus.payloads import Publication
from ridgepost.bus.topics import Topics
from ridgepost.radio import ax25
from ridgepost.station.moment import Moment
from ridgepost.station.records import Entry, Heard

TOPICS = Topics("QZ1HUB-10")
BASE = "ridgepost/QZ1HUB-10/"
AT = Moment(1000.0, 1_800_000_000.0)


def places(projection: Projection, *monitors: str, first: int = 1) -> list[Publication]:
    """The states that follow from frames."""
    states: list[Publication] = []
    for seq, monitor in enumerate(monitors, first):
        frame = ax25.encode(ax25.from_monitor(monitor))
        made = projection.take(Entry(seq, 3, AT, Heard(tnc="vhf", port=1, frame=frame)))
        states += [message.made() for message in made if message.state]
    return states


def place(monitor: str) -> tuple[str, dict[str, Any]]:
    (state,) = places(Projection("a1b2c3", TOPICS), monitor)
    assert state.retain
    assert complaint(state.topic, json.loads(state.payload)) is None
    return state.topic.removeprefix(BASE), json.loads(state.payload)


def test_position() -> None:
    """The example position of APRS 1.2c ch. 6 (49 deg 3.50' N, 72 deg 1.75' W), with course and
    speed (ch. 7) and altitude (ch. 6); RFC 7946 3.1.1 has the longitude first."""
    topic, feature = place(
        "QZ1SAG-9>APZ001,QZ1RDG*,WIDE2-1:!4903.50N/07201.75W>088/036/A=001234 hot"
    )
    assert topic == "place/QZ1SAG-9"
    assert feature["type"] == "Feature"
    assert feature["geometry"] == {"type": "Point", "coordinates": [-72.029167, 49.058333]}
    assert (feature["id"], feature["of"]) == ("QZ1SAG-9", "a1b2c3.3.1")
    known = feature["properties"]
    assert (known["name"], known["kind"], known["source"]) == ("QZ1SAG-9", "station", "QZ1SAG-9")
    assert (known["symbol"], known["symbol_name"]) == ("/>", "car")
    # 36 knots are 66.7 km/h, 1234 ft are 376.1 m (1852 m and 0.3048 m by definition).
    assert (known["course_deg"], known["speed_kmh"], known["altitude_m"]) == (88, 66.7, 376.1)
    assert (known["via"], known["path"]) == ("QZ1RDG", ["QZ1RDG*", "WIDE2-1"])
    assert (known["tnc"], known["port"]) == ("vhf", 1)
    assert known["at"] == feature["at"] == "2027-01-15T08:00:00.000Z"


def test_heard_direct() -> None:
    assert place("QZ1SAG-9>APZ001,WIDE2-1:!4903.50N/07201.75W-")[1]["properties"]["via"] is None


def test_ambiguity_is_told() -> None:
    """APRS 1.2c ch. 6, Position Ambiguity: two blanks leave a whole minute open, so the middle is
    at half a minute."""
    feature = place("QZ1SAG-9>APZ001:!4903.  N/07201.  W-")[1]
    longitude_deg, latitude_deg = feature["geometry"]["coordinates"]
    assert latitude_deg == pytest.approx(49 + 3.5 / 60, abs=1e-5)
    assert longitude_deg == pytest.approx(-72 - 1.5 / 60, abs=1e-5)
    # Half a minute of latitude is half a nautical mile, so nothing of the box is nearer than that.
    assert feature["properties"]["uncertainty_m"] >= 926


def test_object_and_its_end() -> None:
    """APRS 1.2c ch. 11: '*' for live, '_' for killed. An empty retained payload takes away what was
    retained (MQTT 5, 3.3.1.3)."""
    projection = Projection("a1b2c3", TOPICS)
    live, killed = places(
        projection,
        "QZ1NET>APZ001:;LEADER   *092345z4903.50N/07201.75W>088/036",
        "QZ1NET>APZ001:;LEADER   _092345z4903.50N/07201.75W>088/036",
    )
    assert live.topic == killed.topic == f"{BASE}place/object/LEADER"
    known = json.loads(live.payload)["properties"]
    assert (known["name"], known["kind"], known["source"]) == ("LEADER", "object", "QZ1NET")
    assert (killed.payload, killed.retain) == (b"", True)


def test_item_and_its_end() -> None:
    """APRS 1.2c ch. 11: '!' for live, '_' for killed."""
    projection = Projection("a1b2c3", TOPICS)
    live, killed = places(
        projection,
        "QZ1NET>APZ001:)AID #2!4903.50N/07201.75WA",
        "QZ1NET>APZ001:)AID #2_4903.50N/07201.75WA",
    )
    assert live.topic == killed.topic == f"{BASE}place/object/AID%20%232"
    assert json.loads(live.payload)["properties"]["symbol_name"] == "aid station"
    assert killed.payload == b""


def test_object_with_the_name_of_a_station_is_not_that_station() -> None:
    """Anybody may name an object as they like; nobody's position is overwritten or taken away."""
    projection = Projection("a1b2c3", TOPICS)
    station, thing, killed = places(
        projection,
        "QZ1SAG-9>APZ001:!4903.50N/07201.75W>",
        "QZ1BAD>APZ001:;QZ1SAG-9 *092345z4000.00N/07000.00W>",
        "QZ1BAD>APZ001:;QZ1SAG-9 _092345z4000.00N/07000.00W>",
    )
    assert station.topic not in (thing.topic, killed.topic)


def test_third_party_is_where_its_author_is() -> None:
    """APRS 1.2c ch. 17."""
    topic, feature = place("QZ1GAT>APZ001:}QZ1FAR-2>APZ002,TCPIP,QZ1GAT*:!4903.50N/07201.75W-")
    assert topic == "place/QZ1FAR-2"
    assert feature["properties"]["source"] == "QZ1FAR-2"
    assert feature["properties"]["gated_by"] == "QZ1GAT"


@pytest.mark.parametrize(
    "info",
    [
        "!0000.00N\\00000.00W.",  # the null position of who does not know (ch. 6)
        ">no position",
        ":QZ1HUB-10:!4903.50N/07201.75W-",
        "!9903.50N/07201.75W-",
        "$GPRMC,063909,V,3349.4302,N,11700.3721,W,43.022,89.3,291099,13.6,E",
    ],
)
def test_no_place(info: str) -> None:
    """Nothing is said of where it is, or that it is not known (V: a warning, NMEA 0183)."""
    assert places(Projection("a1b2c3", TOPICS), f"QZ1SAG-9>APZ001:{info}") == []


def test_places_are_bounded() -> None:
    """Whoever invents names pushes out those heard of least lately, whose topics are emptied."""
    projection = Projection("a1b2c3", TOPICS)
    info = "!4903.50N/07201.75W-"
    states = places(
        projection, *[f"QZ{number:04}>APZ001:{info}" for number in range(PLACES_KEPT + 3)]
    )
    emptied = [state.topic for state in states if not state.payload]
    assert emptied == [f"{BASE}place/QZ{number:04}" for number in range(3)]


# What an address or a name may hold here: APRS 1.2c ch. 11 has objects of nine printable
# characters, and what is on the air may be anything.
names = st.text(max_size=12)


@given(names, names)
def test_no_two_names_share_a_topic(one: str, other: str) -> None:
    """MQTT 5, 4.7: '+', '#', '/' and U+0000 have meanings of their own in topics."""
    for topic_of in (TOPICS.place, TOPICS.place_of_object):
        topic = topic_of(one)
        assert (topic == topic_of(other)) == (one == other)
        level = topic.rpartition("/")[2]
        assert level
        assert not set(level) & set("+#/\0$ ")
        assert level.isascii()
        assert level.isprintable()
        assert unquote(level, errors="strict") == (one or "%")
    assert TOPICS.place(one) != TOPICS.place_of_object(other)


@given(st.binary(max_size=120), st.sampled_from(["APZ001", "T2SP0W", "SYUSSP"]))
def test_any_frame(info: bytes, destination: str) -> None:
    """Whatever is on the air, what is published of it keeps to the contract."""
    frame = ax25.encode(ax25.Frame("QZ1SAG-9", destination, info=info))
    entry = Entry(1, 1, AT, Heard(tnc="vhf", port=0, frame=frame))
    for message in Projection("a1b2c3", TOPICS).take(entry):
        if not message.empties:
            assert complaint(message.topic, json.loads(message.made().payload)) is None


@pytest.mark.parametrize(
    ("symbol", "words"),
    [
        # APRS 1.2c, Appendix 2; the whole table is held by tests/aprs/test_symbol.py.
        ("/>", "car"),
        ("/j", "jeep"),
        ("/[", "person on foot"),
        ("/\\", "direction-finding triangle"),
        ("\\>", "car"),
        ("3>", "car, overlay 3"),  # an overlay is for the alternate table
        ("\\\\", "satellite navigation user"),
        ("/~", "reserved symbol"),
        ("\\~", "reserved symbol"),
    ],
)
def test_symbols(symbol: str, words: str) -> None:
    _, feature = place(f"QZ1SAG-9>APZ001:!4903.50N{symbol[0]}07201.75W{symbol[1]}")
    known = feature["properties"]
    assert (known["symbol"], known["symbol_name"]) == (symbol, words)
