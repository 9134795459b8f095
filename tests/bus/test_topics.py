"""Topic names, against MQTT 5 and RFC 3986."""

from urllib.parse import unquote

from hypothesis import given
from hypothesis import strategies as st

from ridgepost.bus.topics import Topics, word

# RFC 3986 2.3: these stand for themselves everywhere.
UNRESERVED = set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~")


@given(st.text())
def test_any_text_is_one_level(text: str) -> None:
    """MQTT 5, 4.7.1 and 4.7.3: no wildcard, no separator, no null, at least one character."""
    level = word(text)
    assert level
    assert set(level) <= UNRESERVED | {"%"}


@given(st.text())
def test_a_level_is_read_back(text: str) -> None:
    """RFC 3986 2.1: %XX is one octet of the UTF-8, so that no two texts share a topic."""
    assert unquote(word(text), errors="strict") == (text or "%")


def test_no_text_has_a_level_of_its_own() -> None:
    """'%' alone is no percent-encoding (RFC 3986 2.1), so nothing else becomes it."""
    assert word("") == "%"
    assert word("%") == "%25"


def test_names_from_the_air() -> None:
    topics = Topics("QZ1HUB-10")
    assert (
        topics.bulletin("QZ1SAG-9", "BLN3/#") == "ridgepost/QZ1HUB-10/bulletin/QZ1SAG-9/BLN3%2F%23"
    )
    assert topics.heard("../+") == "ridgepost/QZ1HUB-10/heard/..%2F%2B"


def test_answers_are_where_they_are_looked_for() -> None:
    """The place that may be named in a response topic is the one that answers go to."""
    topics = Topics("QZ1HUB-10")
    assert topics.answer("r-1") == topics.answers + "r-1"
