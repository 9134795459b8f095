"""Octets to characters, and which of them may be sent."""

import string

import pytest

from ridgepost.aprs.text import is_graphic, is_printable, read_text, text_departures


# RFC 3629 for UTF-8, ISO 8859-1 for what is none: there every octet is a character.
@pytest.mark.parametrize(
    ("octets", "text", "encoding"),
    [
        (b"Hi", "Hi", "utf-8"),
        (b"Gr\xc3\xbc\xc3\x9fe", "Grüße", "utf-8"),
        (b"Gr\xfc\xdfe", "Grüße", "latin-1"),
        (b"\xed\xa0\x80", "í\xa0\x80", "latin-1"),  # a surrogate, which UTF-8 may not hold
        (b"\xc0\xaf", "À¯", "latin-1"),  # longer than need be
        (b"\xff", "ÿ", "latin-1"),
    ],
)
def test_read_text(octets: bytes, text: str, encoding: str) -> None:
    assert read_text(octets) == (text, encoding)


# Unicode's general categories: Cc, Cs, Zl and Zp are no characters of a line of text.
@pytest.mark.parametrize(
    ("text", "printable"),
    [
        ("", True),
        (string.ascii_letters + string.digits + string.punctuation + " ", True),
        ("Grüße, 東京 🚑", True),
        ("10\xa0km", True),  # a space that does not break: Zs
        ("a\xadb", True),  # soft hyphen: Cf
        ("\ue000", True),  # for private use: Co
        ("a\tb", False),
        ("a\x7fb", False),
        ("ü\tb", False),
        ("ü\x85b", False),  # next line: Cc
        ("a\u2028b", False),  # line separator: Zl
        ("a\u2029b", False),  # paragraph separator: Zp
        ("a\ud800b", False),  # half of a surrogate pair: Cs
    ],
)
def test_is_printable(text: str, *, printable: bool) -> None:
    assert is_printable(text) is printable


@pytest.mark.parametrize(
    ("text", "departures"),
    [
        ("Hi", ()),
        ("10\xa0km", ()),
        ("\u2028", ()),  # read as it is: no control character
        ("a\x00b", ("control_characters",)),
        ("a\x1fb", ("control_characters",)),
        ("a\x7fb", ("control_characters",)),
        ("a\x80b", ("control_characters",)),
        ("a\x9fb", ("control_characters",)),
    ],
)
def test_control_characters(text: str, departures: tuple[str, ...]) -> None:
    assert text_departures(text, None, "text_too_long") == departures
    assert text_departures(text, len(text), "text_too_long") == departures
    assert text_departures(text, len(text) - 1, "text_too_long") == ("text_too_long", *departures)


def test_graphic_octets() -> None:
    # ASCII (ANSI X3.4): letters, digits and punctuation, from ! to ~.
    graphic = (string.ascii_letters + string.digits + string.punctuation).encode()
    assert bytes(octet for octet in range(256) if is_graphic(bytes([octet]))) == bytes(
        sorted(graphic)
    )
    assert is_graphic(graphic)
    assert not is_graphic(graphic + b" ")
