"""What symbols stand for: APRS 1.2c ch. 21 and the tables of appendix 2."""

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepost.aprs import decode, flat
from ridgepost.aprs.symbol import is_symbol_code, is_symbol_table
from ridgepost.aprs.symbol_names import describe

# Words of the published tables (APRS 1.2c appendix 2) that the description must have: a row names
# the same thing, in other words or not.
_PRIMARY = {
    "!": "police",  # Police, Sheriff
    '"': "reserved",
    "#": "digi",  # Digi (green star with white center)
    "$": "phone",
    "%": "dx cluster",
    "&": "hf gateway",
    "'": "small aircraft",
    "(": "mobile satellite ground",
    ")": "wheelchair",
    "*": "snowmobile",
    "+": "red cross",
    ",": "boy scouts",
    "-": "house",  # House QTH (VHF)
    "/": "dot",
    "7": "circle",  # Numerical Circle
    ":": "fire",
    ";": "campground",
    "<": "motorcycle",
    "=": "railroad engine",
    ">": "car",
    "?": "file server",
    "@": "hurricane",  # Hurricane Future Prediction (dot)
    "A": "aid station",
    "C": "canoe",
    "H": "hotel",
    "K": "school",
    "O": "balloon",
    "R": "recreational vehicle",
    "S": "space shuttle",
    "U": "bus",
    "X": "helicopter",
    "[": "person",  # Jogger, Human/person
    "]": "post",  # Mail/Postoffice
    "^": "large aircraft",
    "_": "weather station",
    "`": "dish antenna",
    "a": "ambulance",
    "b": "bicycle",
    "c": "incident command post",
    "d": "fire department",
    "f": "fire truck",
    "g": "glider",
    "h": "hospital",
    "j": "jeep",
    "k": "truck",
    "l": "laptop",
    "o": "emergency operations center",
    "r": "repeater",
    "v": "van",
    "w": "water station",
    "~": "reserved",
}
_ALTERNATE = {
    "!": "emergency",
    "#": "digi",
    "%": "power plant",
    "'": "crash",
    "(": "cloud",
    "*": "snow",  # AVAIL (SNOW moved ...)
    "+": "church",
    ",": "girl scouts",
    "/": "waypoint destination",
    "0": "circle",
    ":": "hail",
    ";": "picnic",
    "<": "advisory",
    ">": "car",  # Cars & Vehicles
    "?": "information kiosk",
    "@": "tropical storm",
    "C": "coast guard",
    "D": "depot",
    "E": "smoke",
    "H": "haze",
    "I": "rain shower",
    "L": "lighthouse",
    "P": "parking",
    "Q": "earthquake",
    "R": "restaurant",
    "S": "satellite",
    "T": "thunderstorm",
    "X": "pharmacy",
    "[": "wall cloud",
    "_": "weather station",  # WX Stn with digi
    "`": "rain",
    "e": "sleet",
    "f": "funnel cloud",
    "g": "gale flags",
    "h": "store",
    "n": "triangle",
    "o": "small circle",
    "r": "restrooms",
    "t": "tornado",
    "w": "flooding",
    "x": "wreck",
    "y": "skywarn",
    "z": "shelter",
    "|": "reserved",
}


@pytest.mark.parametrize(("code", "word"), _PRIMARY.items())
def test_primary_table(code: str, word: str) -> None:
    assert word in describe("/", code).lower()


@pytest.mark.parametrize(("code", "word"), _ALTERNATE.items())
def test_alternate_table(code: str, word: str) -> None:
    assert word in describe("\\", code).lower()


# Ch. 21: two tables, and overlays from 0-9 and A-Z; appendix 2: codes from ! to ~.
def test_octets_of_symbols() -> None:
    octets = [bytes([octet]) for octet in range(256)]
    tables = b"".join(octet for octet in octets if is_symbol_table(octet)).decode()
    assert set(tables) == {"/", "\\", *string.digits, *string.ascii_uppercase}
    codes = b"".join(octet for octet in octets if is_symbol_code(octet)).decode()
    assert set(codes) == {*string.ascii_letters, *string.digits, *string.punctuation}
    for octets_of_none in (b"", b"//", b"--"):
        assert not is_symbol_table(octets_of_none)
        assert not is_symbol_code(octets_of_none)


def test_symbols_of_source_addresses() -> None:
    # Ch. 21, SSID-Specified Icons, with their codes from appendix 2.
    icons = "aUfbYX's><OjRkv"
    names = (
        *("ambulance", "bus", "fire truck", "bicycle", "sailing boat", "helicopter"),
        *("small aircraft", "power boat", "car", "motorcycle", "balloon", "jeep"),
        *("recreational vehicle", "truck", "van"),
    )
    for code, name in zip(icons, names, strict=True):
        assert name in describe("/", code)


@pytest.mark.parametrize("table", ["/", "\\", "3", "Z", "a"])
def test_all_94_codes_have_a_description(table: str) -> None:
    # Appendix 2: codes from ! to ~.
    assert all(describe(table, chr(octet)) for octet in range(0x21, 0x7F))


@pytest.mark.parametrize(
    ("table", "code", "name"),
    [
        # Ch. 21: car number 3, car B, and d for 3 in a compressed position.
        ("3", ">", "car, overlay 3"),
        ("B", ">", "car, overlay B"),
        ("d", ">", "car, overlay 3"),
        ("a", ">", "car, overlay 0"),
        ("j", ">", "car, overlay 9"),
        # Appendix 2: "Circle with overlay" has taken the place of the numerical circle.
        ("3", "0", "numbered circle, overlay 3"),
        ("Q", "0", "circle, overlay Q"),
    ],
)
def test_overlay(table: str, code: str, name: str) -> None:
    assert describe(table, code) == name


# Overlays that appendix 2 gives a meaning ("I=Igate R=RX T=1hopTX 2=2hopTX", "H=HF O=Op Present",
# "A=Army,N=Navy,F=AF", ...), those of digipeaters in ch. 2 and those of voice nodes in ch. 18.
@pytest.mark.parametrize(
    ("table", "code", "word"),
    [
        ("I", "&", "internet gateway"),
        ("R", "&", "only receives"),
        ("T", "&", "one hop"),
        ("2", "&", "two hops"),
        ("H", "-", "HF"),
        ("O", "-", "operator present"),
        ("A", "M", "army"),
        ("N", "M", "navy"),
        ("F", "M", "air force"),
        ("H", "h", "ham radio store"),
        ("S", "`", "snow"),
        ("H", "`", "hail"),
        ("F", "`", "freezing rain"),
        ("S", "I", "snow shower"),
        ("L", "I", "lightning"),
        ("F", "E", "fog"),
        ("B", "E", "blowing snow"),
        ("P", "(", "partly cloudy"),
        ("D", "'", "drizzle"),
        ("I", "#", "gateway"),
        ("A", "#", "another frequency"),
        ("N", "#", "WIDEn-N"),
        ("R", "#", "RELAY only"),
        ("S", "#", "state"),
        ("W", "#", "WIDE and RELAY"),
        ("1", "&", "one hop"),
        ("E", "0", "voice"),
        ("I", "0", "voice"),
        ("W", "0", "voice"),
        ("W", "a", "mail"),  # ch. 18, WinLINK
    ],
)
def test_overlay_with_a_meaning(table: str, code: str, word: str) -> None:
    assert word in describe(table, code)
    assert describe(table, code).endswith(f"overlay {table}")


@given(st.text(max_size=2), st.text(max_size=2))
def test_what_is_no_symbol_has_no_name(table: str, code: str) -> None:
    # Ch. 21: two tables, digits, capitals, and a to j; appendix 2: codes from ! to ~.
    tables = {"/", "\\", *string.digits, *string.ascii_uppercase, *"abcdefghij"}
    known = table in tables and len(code) == 1 and "!" <= code <= "~"
    assert bool(describe(table, code)) is known


def test_descriptions_are_short_and_plain() -> None:
    for table in ("/", "\\", "E"):
        for octet in range(0x21, 0x7F):
            text = describe(table, chr(octet))
            assert len(text) <= 60
            assert text == text.strip()


# Positions of ch. 21 with a car: the description stands beside the symbol.
@pytest.mark.parametrize(
    ("info", "symbol"),
    [
        (b"@092345z4903.50N/07201.75W>088/036", "car"),
        (b"@092345z4903.50N307201.75W>", "car, overlay 3"),
        (b"=B5L!!<*e7>7P[", "car, overlay B"),  # printed without the 5
        (b"=d5L!!<*e7>7P[", "car, overlay 3"),
        (b";LEADER   *092345z4903.50N/07201.75W>088/036", "car"),
    ],
)
def test_flat_table_has_the_description(info: bytes, symbol: str) -> None:
    assert flat(decode(info))["symbol"] == symbol
