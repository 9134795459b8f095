"""The README names no topic that there is not."""

import re
from pathlib import Path

from ridgepost.bus.contract import rooms

README = Path(__file__).parents[2] / "README.md"


def test_topics() -> None:
    there_are = {room.below.replace("{", "<").replace("}", ">") for room in rooms()}
    table = README.read_text(encoding="utf-8").partition("## On the bus")[2]
    rows = re.findall(r"^\| (`.*?)(?: \(retained\))? \|", table, re.MULTILINE)
    named = {topic for row in rows for topic in re.findall(r"`(.+?)`", row)}
    assert named
    assert named <= there_are
