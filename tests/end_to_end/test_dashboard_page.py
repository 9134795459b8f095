"""The example of a dashboard in a real browser, on a real broker and station, with what bad people
could send.

That markup in a text must never become an element is CWE-79; that characters which turn the
direction of text around deceive its readers CWE-451 and Unicode TR 36. North is up and east to the
right on the plot by common practice.
"""

import math
from pathlib import Path
from typing import Any

import pyproj
import pytest

from end_to_end.browser import Page, browser
from end_to_end.world import HUB, SAG, Site, Tnc, number_of

GEOD = pyproj.Geod(ellps="WGS84")
PAGE = Path(__file__).parents[2] / "deploy" / "dashboard" / "index.html"

IMAGE = '<img src=x onerror="window.owned=1">'
SCRIPT = "<script>window.owned=2</script>"
DRAWING = "<svg onload=window.owned=3>"
THING = "<b>x</b>"
TURNED = "\u202egnp.exe"

TAGS = {
    "messages": {"LI", "DIV", "SPAN", "B", "BUTTON"},
    "bulletins": {"LI", "DIV", "SPAN", "B"},
    "notices": {"LI", "DIV", "SPAN", "B", "BUTTON"},
    "svg": {"line", "polyline", "g", "circle", "rect", "text", "title", "path"},
}


def open_page(page: Page, file: Path, port: int) -> None:
    page.open(f"{file.as_uri()}?broker=ws://127.0.0.1:{port}&station={HUB}&user=anna")


def lines(page: Page, part: str) -> list[str]:
    """The texts of the items of a list, as a person reads them."""
    found: list[str] = page.value(f"[...$('{part}').children].map((one) => one.innerText)")
    return [" ".join(text.split()) for text in found]


def labels(page: Page) -> dict[str, tuple[float, float]]:
    """Where the plot has which label, in pixels from its upper left corner."""
    script = "[...$('svg').querySelectorAll('g')].map((one) => [one.querySelector('text')"
    script += "?.textContent, one.querySelector('circle,rect').getBBox()])"
    script = f"{script}.map(([name, box]) => [name, box.x + box.width / 2, box.y + box.height / 2])"
    return {name: (x, y) for name, x, y in page.value(script)}


def injected(page: Page) -> list[str]:
    """Whatever is in the page that its author has not put there."""
    found = []
    for part, tags in TAGS.items():
        there = page.value(f"[...$('{part}').querySelectorAll('*')].map((one) => one.tagName)")
        found += [f"{tag} in {part}" for tag in there if tag not in tags]
    if owned := page.value("window.owned"):
        found.append(f"script {owned} has run")
    return found + page.complaints


def let_bad_people_speak(site: Site, tnc: Tnc) -> None:
    tnc.heard(f"{SAG}>APZ001:!6130.00N/14912.00W>{DRAWING}")
    tnc.heard("QZ1FAR>APZ001,QZ1RDG*:!6140.00N/14900.00W-far to the north and east")
    tnc.heard(f"QZ1NET>APZ001:;{THING:9s}*092345z6120.00N/14925.00Wj{IMAGE}")
    tnc.heard(f"{SAG}>APZ001::{HUB}:{IMAGE}" + "{1")
    tnc.heard(f"QZ1FAR>APZ001::{HUB}:{SCRIPT}{TURNED}" + "{2")
    tnc.heard(f"QZ1NET>APZ001::BLN1     :{IMAGE}")
    tnc.heard(f"QZ1NET>APZ001::BLN2     :{SCRIPT}")
    site.until(lambda: len(site.bus.all("bulletin/")) == 2, "all that was said")


def test_dashboard(site_on_the_web: Site, websockets_port: int, tmp_path: Path) -> None:
    site = site_on_the_web
    tnc = site.tnc()
    site.configure(
        tnc,
        station="transmit = true\nposition = { latitude_deg = 61.45, longitude_deg = -149.3 }",
    )
    site.start_up()
    let_bad_people_speak(site, tnc)
    with browser(site, tmp_path / "profile") as page:
        open_page(page, PAGE, websockets_port)

        def shown() -> Any:
            return len(lines(page, "messages")) == 2 and len(lines(page, "bulletins")) == 2

        site.until(shown, "messages and bulletins on the page", 20.0)
        assert page.value("$('presence').textContent") == "online"
        assert page.value("$('counts').textContent") == "3 places, 2 unread"
        said = lines(page, "messages")
        assert any(f"from {SAG} {IMAGE}" in line for line in said)
        assert any(f"from QZ1FAR {SCRIPT}<U+202E>gnp.exe" in line for line in said)
        assert any(f"BLN1 {IMAGE}" in line for line in lines(page, "bulletins"))

        site.until(lambda: len(labels(page)) == 4, "positions on the page")
        places = labels(page)
        assert set(places) == {SAG, "QZ1FAR", THING, HUB}
        east_to_west = sorted(places, key=lambda name: -places[name][0])
        assert east_to_west == ["QZ1FAR", SAG, HUB, THING]
        north_to_south = sorted(places, key=lambda name: places[name][1])
        assert north_to_south == ["QZ1FAR", SAG, HUB, THING]
        # Distances on the plot are to scale, by a geodesy library (PROJ, on WGS-84).
        pixels = [math.dist(places[SAG], places[other]) for other in ("QZ1FAR", HUB)]
        _, _, metres = GEOD.inv([-149.2] * 2, [61.5] * 2, [-149.0, -149.3], [61.6667, 61.45])
        assert pixels[0] / pixels[1] == pytest.approx(metres[0] / metres[1], rel=0.01)
        titles = page.value("[...$('svg').querySelectorAll('title')].map((one) => one.textContent)")
        assert any(DRAWING in title and "61.50000 -149.20000" in title for title in titles)
        assert any("via QZ1RDG" in title for title in titles)

        # What people do on it reaches the station, in their own name.
        page.value("[...document.querySelectorAll('#messages button')].forEach((b) => b.click())")
        site.until(lambda: page.value("$('counts').textContent") == "3 places, 0 unread", "read")
        assert {event.payload["client"] for event in site.bus.all("traffic/read")} == {"anna"}
        page.value(f"$('to').value = '{SAG.lower()}', $('text').value = {IMAGE!r}")
        page.value("$('send').requestSubmit()")
        _, frame = site.until(
            lambda: [one for one in tnc.sent if one[1].info.startswith(b":QZ1SAG-9 :<img")],
            "the message on the air",
        )[0]
        tnc.heard(f"{SAG}>APZ001::{HUB}:ack{number_of(frame)}")
        site.until(
            lambda: any(
                f"to {SAG} {IMAGE} acknowledged" in line for line in lines(page, "messages")
            ),
            "the acknowledgement on the page",
        )
        assert injected(page) == []


def test_dashboard_comes_back(site_on_the_web: Site, websockets_port: int, tmp_path: Path) -> None:
    """A page stays open for days; brokers do not."""
    site = site_on_the_web
    tnc = site.tnc()
    site.configure(tnc)
    station = site.start_up()
    with browser(site, tmp_path / "profile") as page:
        open_page(page, PAGE, websockets_port)
        site.until(lambda: page.value("$('presence').textContent") == "online", "the page", 20.0)
        site.broker.kill()
        site.until(lambda: "trying again" in page.value("$('presence').textContent"), "its word")
        site.until(lambda: station.said("bus down"), "the station to notice")
        tnc.heard(f"{SAG}>APZ001::{HUB}:while it was away" + "{1")
        site.broker.start()
        site.until(
            lambda: any("while it was away" in line for line in lines(page, "messages")),
            "the message on the page",
            30.0,
        )


def test_the_check_finds_a_careless_page(
    site_on_the_web: Site, websockets_port: int, tmp_path: Path
) -> None:
    """One that makes markup of what it is told: the same texts then make elements and run."""
    site = site_on_the_web
    tnc = site.tnc()
    site.configure(tnc)
    site.start_up()
    let_bad_people_speak(site, tnc)
    careless = tmp_path / "careless.html"
    text = PAGE.read_text("utf-8")
    assert text.count("made.textContent = clean(text)") == 2
    careless.write_text(text.replace("made.textContent = clean(text)", "made.innerHTML = text"))
    with browser(site, tmp_path / "profile") as page:
        open_page(page, careless, websockets_port)
        site.until(lambda: len(lines(page, "messages")) == 2, "the page", 20.0)
        site.until(lambda: page.value("window.owned"), "a script to run")
        assert "IMG in messages" in injected(page)
