"""The example of a dashboard keeps to the bus and lets nothing from the air into the page.

That strings become markup only through the ways named below is HTML's own (WHATWG HTML, DOM
parsing); what a Content-Security-Policy may say is CSP 3.
"""

import re
from pathlib import Path

from bus.schemas import models_for
from ridgepost.bus.asks import FORMS

PAGE = (Path(__file__).parents[1] / "deploy" / "dashboard" / "index.html").read_text("utf-8")


def test_nothing_becomes_markup() -> None:
    ways = r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|createContextualFragment"
    assert re.findall(rf"{ways}|\beval\b|new Function|DOMParser|srcdoc|setHTML", PAGE) == []


def test_it_works_without_a_network() -> None:
    """No address but those of names of formats, and none is fetched."""
    addresses = set(re.findall(r"\w+://[^\s\"'<>`&)]+", PAGE))
    assert addresses == {"http://www.w3.org/2000/svg", "ws://127.0.0.1:9001"}
    assert (
        re.findall(r"<(?:script|img|iframe|object|embed)[^>]*\bsrc=|@import|\bfetch\(", PAGE) == []
    )
    policy = re.search(r'Content-Security-Policy"\s+content="([^"]+)"', PAGE)
    assert policy
    assert "default-src 'none'" in policy[1]
    assert "connect-src ws: wss:" in policy[1]


def test_its_topics_are_in_the_contract() -> None:
    listed = re.search(r"for \(const below of \[(.*?)\]\)", PAGE, re.DOTALL)
    assert listed
    topics = re.findall(r'"([^"]+)"', listed[1])
    assert "place/#" in topics
    for topic in topics:
        example = f"ridgepost/QZ1HUB-10/{topic.replace('#', 'x').replace('+', 'x')}"
        assert models_for(example), topic


def test_its_asks_are_in_the_contract() -> None:
    verbs = set(re.findall(r'\b(?:ask|act)\((?:"\w+", )?"(\w+)", \{', PAGE))
    assert verbs == {"send", "read", "clear"}
    assert verbs <= set(FORMS)
