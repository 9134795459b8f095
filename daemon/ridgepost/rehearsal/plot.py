"""A picture of a comparison: what share was acknowledged, at what price in airtime.

Plain SVG with its colours in a style sheet, light or dark as the reader's screen is. A panel for
each condition, a mark for each policy and load.
"""

import math
from collections.abc import Callable, Sequence
from xml.sax.saxutils import escape

import msgspec

from ridgepost.rehearsal.compare import Condition, Outcome
from ridgepost.rehearsal.policies import Policy

PANEL_WIDTH, PANEL_HEIGHT = 440, 340
LEFT, RIGHT, TOP, BOTTOM = 62, 16, 46, 48
LEGEND_HEIGHT = 92
BEST = 0.9995
"""From here on a share is drawn as 100 %: a comparison has some thousand messages."""

MOST_TICKS = 8
"""Along the airtime."""

TICKS = (0.3, 0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999, 1.0)

# Light and dark, in the order in which policies first appear.
COLOURS = (
    ("#b4540a", "#f0a25c"),
    ("#8a3ea0", "#cf94e2"),
    ("#8c7400", "#d9c04a"),
    ("#16794c", "#5ecb98"),
    ("#0a5fb4", "#6cb2f5"),
    ("#3c4650", "#c8d0d8"),
    ("#7d8994", "#8794a0"),
    ("#b02a4a", "#f08aa2"),
)


class _Scale(msgspec.Struct, frozen=True):
    """From a value to a place: straight, between two values and two places."""

    low: float
    high: float
    from_px: float
    to_px: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.from_px + share * (self.to_px - self.from_px)


def picture(outcomes: Sequence[Outcome]) -> str:
    """The outcomes of the `messages` experiment as one SVG document.

    Raises ValueError if there is nothing to draw.
    """
    drawn = [
        one
        for one in outcomes
        if one.row.experiment == "messages"
        and one.figures["acked"].value is not None
        and one.figures["airtime_s_per_delivered"].value is not None
    ]
    if not drawn:
        raise ValueError("there are no messages to draw")
    conditions: list[Condition] = []
    policies: list[Policy] = []
    for outcome in drawn:
        if outcome.row.condition not in conditions:
            conditions.append(outcome.row.condition)
        if outcome.row.policy not in policies:
            policies.append(outcome.row.policy)
    columns = min(2, len(conditions))
    rows = math.ceil(len(conditions) / columns)
    width, height = columns * PANEL_WIDTH, LEGEND_HEIGHT + rows * PANEL_HEIGHT
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" role="img" '
        'aria-label="Share of messages acknowledged against airtime per delivered message">',
        _style(len(policies)),
        f'<rect class="paper" width="{width}" height="{height}"/>',
        _legend(policies, sorted({one.row.load for one in drawn}), width),
    ]
    for number, condition in enumerate(conditions):
        left = number % columns * PANEL_WIDTH
        top = LEGEND_HEIGHT + number // columns * PANEL_HEIGHT
        own = [one for one in drawn if one.row.condition == condition]
        parts.append(f'<g transform="translate({left} {top})">')
        parts += _panel(condition, own, policies)
        parts.append("</g>")
    return "\n".join([*parts, "</svg>", ""])


def _style(policies: int) -> str:
    def colours(theme: int) -> str:
        return " ".join(
            f".p{number} {{ fill: {COLOURS[number % len(COLOURS)][theme]}; "
            f"stroke: {COLOURS[number % len(COLOURS)][theme]}; }}"
            for number in range(policies)
        )

    return (
        "<style>\n"
        "text { font: 12px system-ui, sans-serif; fill: #20262c; }\n"
        ".title { font-weight: 600; }\n"
        ".paper { fill: #ffffff; }\n"
        ".grid { stroke: #dde2e7; stroke-width: 1; }\n"
        ".axis { stroke: #7d8790; stroke-width: 1; fill: none; }\n"
        ".mark { fill-opacity: 0.75; stroke-width: 1.2; }\n"
        ".bound { fill-opacity: 0; stroke-width: 1.6; }\n"
        ".way { fill: none; stroke-width: 1.4; stroke-opacity: 0.55; }\n"
        ".doubt { stroke-width: 1; stroke-opacity: 0.5; }\n"
        ".size { fill: none; stroke: #5b656e; stroke-width: 1.2; }\n"
        f"{colours(0)}\n"
        "@media (prefers-color-scheme: dark) {\n"
        "text { fill: #dfe5ea; }\n"
        ".paper { fill: #14181c; }\n"
        ".grid { stroke: #2b3238; }\n"
        ".axis { stroke: #8a949d; }\n"
        ".size { stroke: #a9b3bc; }\n"
        f"{colours(1)}\n"
        "}\n"
        "</style>"
    )


def _legend(policies: Sequence[Policy], loads: Sequence[float], width: int) -> str:
    columns = max(1, (width - 40) // 150)
    parts = [
        '<text class="title" x="20" y="24">Acknowledged share against airtime '
        "for each delivered message</text>"
    ]
    for number, policy in enumerate(policies):
        x = 28 + number % columns * 150
        y = 46 + number // columns * 20
        parts.append(_mark(number, policy, x, y, 6.0))
        parts.append(f'<text x="{x + 14}" y="{y + 4}">{escape(policy.title)}</text>')
    y = 46 + math.ceil(len(policies) / columns) * 20
    parts.append(f'<text x="20" y="{y + 4}">offered load:</text>')
    for number, load in enumerate(loads):
        x = 112 + number * 62
        parts.append(f'<circle class="size" cx="{x}" cy="{y}" r="{_size(load):.1f}"/>')
        parts.append(f'<text x="{x + 13}" y="{y + 4}">{load:.0%}</text>')
    return "\n".join(parts)


def _panel(
    condition: Condition,
    outcomes: Sequence[Outcome],
    policies: Sequence[Policy],
) -> list[str]:
    """One condition, on scales of its own: hardly two are of the same size."""
    across = _across(outcomes)
    worst = min(_value(one, "acked") for one in outcomes)
    right, bottom = PANEL_WIDTH - RIGHT, PANEL_HEIGHT - BOTTOM
    x = _Scale(*across, LEFT, right)
    straight = _Scale(_nines(worst) - 0.1, _nines(1.0) + 0.08, bottom, TOP)

    def y(share: float) -> float:
        return straight(_nines(share))

    parts = [f'<text class="title" x="{LEFT}" y="{TOP - 14}">{escape(condition.name)}</text>']
    for tick in TICKS:
        if _nines(tick) < straight.low:
            continue
        place = y(tick)
        parts.append(
            f'<line class="grid" x1="{LEFT}" x2="{right}" y1="{place:.1f}" y2="{place:.1f}"/>'
            f'<text x="{LEFT - 6}" y="{place + 4:.1f}" text-anchor="end">{100 * tick:g} %</text>'
        )
    step = next(
        step for step in (0.5, 1, 2, 5, 10, math.inf) if across[1] - across[0] <= MOST_TICKS * step
    )
    step = min(step, across[1])
    ticks = range(math.ceil(across[0] / step), math.floor(across[1] / step) + 1)
    for second in (tick * step for tick in ticks):
        place = x(second)
        parts.append(
            f'<line class="grid" x1="{place:.1f}" x2="{place:.1f}" y1="{TOP}" y2="{bottom}"/>'
            f'<text x="{place:.1f}" y="{bottom + 17}" text-anchor="middle">{second:g}</text>'
        )
    parts.append(f'<path class="axis" d="M{LEFT} {TOP}V{bottom}H{right}"/>')
    parts.append(
        f'<text x="{(LEFT + right) / 2}" y="{bottom + 36}" text-anchor="middle">'
        "seconds on air for each delivered message, all stations</text>"
    )
    for number, policy in enumerate(policies):
        own = sorted(
            (one for one in outcomes if one.row.policy == policy), key=lambda one: one.row.load
        )
        parts += _way(number, policy, own, x, y)
    return parts


def _way(
    number: int,
    policy: Policy,
    outcomes: Sequence[Outcome],
    x: Callable[[float], float],
    y: Callable[[float], float],
) -> list[str]:
    """One policy from the lightest load to the heaviest."""
    places = [
        (x(_value(one, "airtime_s_per_delivered")), y(_value(one, "acked"))) for one in outcomes
    ]
    line = " ".join(f"{px:.1f},{py:.1f}" for px, py in places)
    parts = [f'<polyline class="way p{number}" style="fill:none" points="{line}"/>']
    for outcome, (px, py) in zip(outcomes, places, strict=True):
        acked = outcome.figures["acked"]
        if acked.low is not None and acked.high is not None:
            parts.append(
                f'<line class="doubt p{number}" x1="{px:.1f}" x2="{px:.1f}" '
                f'y1="{y(acked.low):.1f}" y2="{y(acked.high):.1f}"/>'
            )
        title = escape(
            f"{policy.title}, {outcome.row.load:.0%} load: {_value(outcome, 'acked'):.1%} "
            f"acknowledged, {_value(outcome, 'airtime_s_per_delivered'):.2f} s"
        )
        mark = _mark(number, policy, px, py, _size(outcome.row.load))
        parts.append(f"<g><title>{title}</title>{mark}</g>")
    return parts


def _mark(number: int, policy: Policy, x: float, y: float, size: float) -> str:
    """A shape for each kind of sender: the colours alone are not for everyone."""
    look = f'class="{"bound" if policy.is_bound else "mark"} p{number}"'
    if policy.is_bound:
        look += ' style="fill-opacity:0"'
    corners: tuple[tuple[float, float], ...]
    match policy.sender:
        case "fixed":
            side = 1.7 * size
            shape = f'rect x="{x - side / 2:.1f}" y="{y - side / 2:.1f}" width="{side:.1f}"'
            return f'<{shape} height="{side:.1f}" {look}/>'
        case "doubling":
            corners = ((0, -1.2), (1.1, 0.8), (-1.1, 0.8))
        case "oracle":
            corners = ((0, -1.25), (1.25, 0), (0, 1.25), (-1.25, 0))
        case "own" if policy.receiver == "plain":
            corners = tuple(
                (1.15 * math.sin(turn), -1.15 * math.cos(turn))
                for turn in (math.tau * corner / 5 for corner in range(5))
            )
        case "own":
            return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:.1f}" {look}/>'
    points = " ".join(f"{x + dx * size:.1f},{y + dy * size:.1f}" for dx, dy in corners)
    return f'<polygon points="{points}" {look}/>'


def _size(load: float) -> float:
    """The heavier the load, the larger the mark."""
    return 3.0 + 6.0 * math.sqrt(min(load, 1.5))


def _nines(share: float) -> float:
    """So that 90, 99 and 99.9 % are equally far from each other."""
    return -math.log10(1.0 - min(share, BEST))


def _value(outcome: Outcome, name: str) -> float:
    value = outcome.figures[name].value
    return 0.0 if value is None else value


def _across(outcomes: Sequence[Outcome]) -> tuple[float, float]:
    """The ends of the airtime's scale, in whole halves of a second."""
    values = [_value(one, "airtime_s_per_delivered") for one in outcomes]
    return math.floor(2 * (min(values) - 0.2)) / 2, math.ceil(2 * (max(values) + 0.2)) / 2
