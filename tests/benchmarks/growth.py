"""The plot and the tables of `million.py`: what each operation costs as growers become more.

Both axes of the plot are by tens. A flat line is an operation that does not mind how many growers
there are.
"""

from __future__ import annotations

from math import ceil, floor, log10
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

WIDTH, HEIGHT = 860, 600
LEFT, RIGHT, TOP, BOTTOM = 70, 330, 20, 50
LINE = 17
"""Pixels between the names of two lines at least."""

PAPER, INK, RULE = "#fbf8f1", "#2b211a", "#c9bb9d"
HUES = ("#3d5a1e", "#8a3b12", "#7a6200", "#2f5568", "#6b3553")

UNITS = ((1, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns"))


def spoken(seconds: float) -> str:
    """Say a time in two figures: "8.1 µs", "0.24 s"."""
    one, unit = next((each for each in UNITS if seconds >= each[0]), UNITS[-1])
    many = seconds / one
    return f"{many:.1f} {unit}" if many < 10 else f"{many:,.0f} {unit}"


def lines_of(measured: Sequence[dict[str, Any]]) -> dict[str, list[tuple[int, float]]]:
    """Every operation's seconds by the number of growers, the slowest at the end first."""
    lines: dict[str, list[tuple[int, float]]] = {}
    for one in measured:
        size = one["growers"]
        again = one["disk"]["seconds to start from the append-only file"] / size
        for name, seconds in (one["seconds"] | {"a restart, by grower": again}).items():
            lines.setdefault(name, []).append((size, seconds))
    return dict(sorted(lines.items(), key=lambda line: -line[1][-1][1]))


def tables(measured: Sequence[dict[str, Any]]) -> str:
    """Write the figures as a table in Markdown, a column for each size."""
    rows = [["", *(f"{one['growers']:,}" for one in measured)]]
    rows.append(["---", *("---:" for _ in measured)])
    for name, line in lines_of(measured).items():
        times = dict(line)
        rows.append([name, *(_cell(times.get(one["growers"]), spoken) for one in measured)])
    for part, before, say in (
        ("bytes a grower", "bytes a grower: ", "{:,.0f}".format),
        ("bytes of texts", "bytes besides: ", "{:,.0f}".format),
        ("disk", "", _on_disk),
    ):
        rows += [
            [before + name, *(_cell(one[part].get(name), say) for one in measured)]
            for name in measured[0][part]
            if not name.startswith("seconds")
        ]
    rows += [
        [name, *(_cell(one["disk"].get(name), spoken) for one in measured)]
        for name in measured[0]["disk"]
        if name.startswith("seconds")
    ]
    rows.append(["load average", *(f"{one['load average after']:.0f}" for one in measured)])
    return "\n".join(f"| {' | '.join(row)} |" for row in rows) + "\n"


def _cell(figure: float | None, say: Callable[[float], str]) -> str:
    return "" if figure is None else say(figure)


def _on_disk(size: float) -> str:
    return f"{size / 1e6:,.0f} MB"


def drawn(measured: Sequence[dict[str, Any]]) -> str:
    """Draw the plot as SVG."""
    lines = lines_of(measured)
    points = [point for line in lines.values() for point in line]
    sizes = [one["growers"] for one in measured]
    low, high = floor(log10(min(y for _, y in points))), ceil(log10(max(y for _, y in points)))
    left, right = log10(min(sizes)), max(log10(max(sizes)), log10(min(sizes)) + 0.1)

    def across(growers: float) -> float:
        return LEFT + (log10(growers) - left) / (right - left) * (WIDTH - LEFT - RIGHT)

    def down(seconds: float) -> float:
        return TOP + (high - log10(seconds)) / (high - low) * (HEIGHT - TOP - BOTTOM)

    marks = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
            'font-family="sans-serif" font-size="13" stroke-width="1.5">'
        ),
        "<title>What each operation costs, by how many growers there are</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>',
        f'<g fill="{INK}">',
    ]
    for power in range(low, high + 1):
        y, edge = down(10**power), across(max(sizes))
        marks += [
            f'<path d="M{LEFT} {y:.0f}H{edge:.0f}" stroke="{RULE}" stroke-width="1"/>',
            f'<text x="{LEFT - 8}" y="{y + 4:.0f}" text-anchor="end">{_round(10**power)}</text>',
        ]
    marks += [
        f'<text x="{across(size):.0f}" y="{HEIGHT - 28}" text-anchor="middle">{size:,}</text>'
        for size in sizes
    ]
    marks += [f'<text x="{LEFT}" y="{HEIGHT - 8}">growers</text>', "</g>"]
    beside = float(TOP)
    for place, (name, line) in enumerate(lines.items()):
        hue = HUES[place % len(HUES)]
        path = "L".join(f"{across(size):.0f} {down(seconds):.1f}" for size, seconds in line)
        at = down(line[-1][1])
        beside = max(beside + LINE, at)
        end, edge = across(line[-1][0]), across(max(sizes))
        marks += [
            f'<path d="M{path}" fill="none" stroke="{hue}"/>',
            *(
                f'<circle cx="{across(size):.0f}" cy="{down(seconds):.1f}" r="3" fill="{hue}"/>'
                for size, seconds in line
            ),
            (
                f'<path d="M{end:.0f} {at:.1f}L{edge + 22:.0f} {beside:.1f}" stroke="{hue}" '
                'stroke-width="0.7"/>'
            ),
            (
                f'<text x="{edge + 26:.0f}" y="{beside + 4:.1f}" fill="{hue}">'
                f"{escape(name)}: {spoken(line[-1][1])}</text>"
            ),
        ]
    return "\n".join([*marks, "</svg>\n"])


def _round(seconds: float) -> str:
    one, unit = next((each for each in UNITS if seconds >= each[0] * 0.999), UNITS[-1])
    return f"{seconds / one:.0f} {unit}"
