"""The picture of a comparison: well-formed, complete and true to its figures."""

import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from ridgepost.rehearsal.compare import AWAY, HIDDEN, NONE_HIDDEN, Condition, Outcome, Row
from ridgepost.rehearsal.plot import picture
from ridgepost.rehearsal.policies import FIXED, ORACLE, OWN, POLICIES, Policy
from ridgepost.rehearsal.statistics import Figure

SVG = "{http://www.w3.org/2000/svg}"


def outcome(
    policy: Policy,
    load: float,
    acked: float | None,
    air_s: float,
    condition: Condition = HIDDEN,
) -> Outcome:
    doubt = Figure(None) if acked is None else Figure(acked, acked - 0.02, min(1.0, acked + 0.01))
    figures = {"acked": doubt, "airtime_s_per_delivered": Figure(air_s, air_s - 0.1, air_s + 0.1)}
    return Outcome(Row("messages", condition, policy, load), [1], 1.0, 8, 100, figures)


OUTCOMES = [
    outcome(policy, load, 1.0 - 0.02 * number * load, 4.0 + load * (number + 1), condition)
    for condition in (HIDDEN, NONE_HIDDEN, AWAY)
    for number, policy in enumerate(POLICIES)
    for load in (0.1, 0.7)
]


def _titles(drawing: str) -> list[str]:
    return [one.text or "" for one in ET.fromstring(drawing).iter(f"{SVG}title")]


def test_there_is_a_mark_for_every_policy_load_and_condition() -> None:
    titles = _titles(picture(OUTCOMES))
    assert len(titles) == len(OUTCOMES)
    for policy in POLICIES:
        own = (f"{policy.title}, 10%", f"{policy.title}, 70%")
        assert sum(title.startswith(own) for title in titles) == 6


def test_every_policy_and_load_is_in_the_legend_and_every_condition_has_its_name() -> None:
    texts = {one.text for one in ET.fromstring(picture(OUTCOMES)).iter(f"{SVG}text")}
    assert texts >= {policy.title for policy in POLICIES}
    assert texts >= {"10%", "70%"}
    assert texts >= {condition.name for condition in (HIDDEN, NONE_HIDDEN, AWAY)}


def _circles(drawing: str) -> list[tuple[float, float]]:
    """Marks of our own station in one panel, in the order of the loads."""
    panel = next(ET.fromstring(drawing).iter(f"{SVG}g"))
    return [
        (float(one.get("cx", "nan")), float(one.get("cy", "nan")))
        for one in panel.iter(f"{SVG}circle")
    ]


def test_more_airtime_is_further_right_and_more_acknowledged_is_higher() -> None:
    (x, y), (further_x, lower_y) = _circles(
        picture([outcome(OWN, 0.1, 0.99, 4.4), outcome(OWN, 0.5, 0.90, 5.5)])
    )
    assert further_x > x
    assert lower_y > y


def test_90_99_and_99_9_per_cent_are_equally_far_apart() -> None:
    places = _circles(
        picture([outcome(OWN, load, acked, 5.0) for load, acked in
                 ((0.1, 0.9), (0.2, 0.99), (0.3, 0.999))])
    )  # fmt: skip
    (_, one), (_, two), (_, three) = places
    assert one - two == pytest.approx(two - three, abs=0.2)


def test_everything_lies_within_the_picture() -> None:
    drawing = picture(OUTCOMES)
    _, _, width, height = map(float, ET.fromstring(drawing).get("viewBox", "").split())
    for group in ET.fromstring(drawing).iter(f"{SVG}g"):
        for one in group.iter(f"{SVG}circle"):
            assert 0 <= float(one.get("cx", "nan")) <= width
            assert 0 <= float(one.get("cy", "nan")) <= height
    assert "nan" not in drawing
    assert "inf" not in drawing


def test_the_worst_results_have_their_place_too() -> None:
    drawing = picture([outcome(FIXED, 0.9, 0.0, 30.0), outcome(ORACLE, 0.9, 1.0, 4.0)])
    assert len(_titles(drawing)) == 2
    assert "nan" not in drawing


def test_light_and_dark_screens_have_colours_of_their_own() -> None:
    drawing = picture(OUTCOMES)
    light, dark = drawing.split("@media (prefers-color-scheme: dark)")
    for number in range(len(POLICIES)):
        ours = re.compile(rf"\.p{number} {{ fill: (#[0-9a-f]{{6}})")
        (by_day,), (by_night,) = ours.findall(light), ours.findall(dark)
        assert by_day != by_night


def _contrast(one: str, other: str) -> float:
    """Source: WCAG 2.1, contrast ratio of relative luminances (from memory)."""

    def luminance(colour: str) -> float:
        parts = (int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5))
        red, green, blue = (
            part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_marks_stand_out_on_either_paper() -> None:
    # Source: WCAG 2.1, 1.4.11: graphics need a contrast of 3 to 1.
    light, dark = picture(OUTCOMES).split("@media (prefers-color-scheme: dark)")
    for theme in (light, dark):
        (paper,) = re.findall(r"\.paper { fill: (#[0-9a-f]{6})", theme)
        marks = re.findall(r"\.p\d+ { fill: (#[0-9a-f]{6})", theme)
        assert len(marks) == len(POLICIES)
        assert min(_contrast(paper, mark) for mark in marks) >= 3.0


def test_what_has_no_messages_is_left_out_and_nothing_is_no_picture() -> None:
    some = [outcome(OWN, 0.1, 0.99, 4.4), outcome(OWN, 0.3, None, 0.0)]
    assert len(_titles(picture(some))) == 1
    with pytest.raises(ValueError, match="no messages"):
        picture([outcome(OWN, 0.1, None, 0.0)])


@pytest.mark.skipif(shutil.which("rsvg-convert") is None, reason="no rsvg-convert to draw it with")
def test_another_program_can_draw_it(tmp_path: Path) -> None:
    drawn = tmp_path / "plot.png"
    subprocess.run(
        ["rsvg-convert", "-o", str(drawn)], input=picture(OUTCOMES).encode(), check=True, timeout=30
    )
    assert drawn.read_bytes().startswith(b"\x89PNG")
