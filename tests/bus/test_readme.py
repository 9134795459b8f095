"""The README names the topics that there are, and no other."""

import re
from pathlib import Path

from ridgepost.bus.topics import Topics

README = Path(__file__).parents[2] / "README.md"


def test_topics() -> None:
    topics = Topics("QZ1HUB-10")
    placeholders = ("<kind>", "<message>", "<source>", "<line>", "<tnc>", "<request>")
    there_are = {
        topics.presence,
        topics.heard("<kind>"),
        topics.copies(),
        topics.traffic_in("<message>"),
        topics.traffic_out("<message>"),
        topics.acknowledgement(),
        topics.bulletin("<source>", "<line>"),
        topics.notice("<kind>"),
        topics.link("<tnc>"),
        topics.ask("send"),
        topics.ask("cancel"),
        topics.answer("<request>"),
    }
    below = {topic.removeprefix(f"{topics.base}/") for topic in there_are}
    for placeholder in placeholders:
        escaped = placeholder.replace("<", "%3C").replace(">", "%3E")
        below = {topic.replace(escaped, placeholder) for topic in below}
    table = README.read_text(encoding="utf-8").partition("## On the bus")[2]
    rows = re.findall(r"^\| (`.*?)(?: \(retained\))? \|", table, re.MULTILINE)
    assert {topic for row in rows for topic in re.findall(r"`(.+?)`", row)} == below
