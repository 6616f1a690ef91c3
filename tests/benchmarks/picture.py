"""The rows as a picture: how many times slower than its floor each is, and where its goal lies.

The scale is logarithmic, as ratios go from one to a hundred. A bar begins at the floor; the mark
across it is the goal, turned into a ratio by this run's own floor.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from bot.web.desk.pictures import CLAY, INK, LEAF, PAPER, RULE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.benchmarks.table import Row

WIDE, NAMES, LINE, TOP, BOTTOM = 960, 330, 26, 62, 34
"""Pixels: the picture, the names on its left, a row, and the room above and below the rows."""

VALUE = 150
"""Pixels on the right for the words behind the longest bar."""

MARKED = 60
"""Pixels from a bar's end within which its goal's mark would go through the words."""

FASTEST = 0.5
"""Where the scale begins: what is faster than its floor goes left of it."""


def slower(row: Row) -> float:
    """How many times slower than its floor a row is, whether it counts time or speed."""
    return 1 / row.ratio if row.more_is_better else row.ratio


def goal(row: Row) -> float | None:
    """The same of a row that just meets its goal; None where there is none in these terms."""
    if not row.reserve or row.unit in {"", "MB"}:
        return None
    return slower(row) * row.reserve


def draw(rows: Sequence[Row], machine: str) -> str:
    """Return the picture as SVG. `machine` says where and when it was measured."""
    tall = TOP + LINE * len(rows) + BOTTOM
    last = max((each for row in rows for each in (slower(row), goal(row)) if each), default=1.0)
    decades = math.log10(max(last, 2.0) / FASTEST)

    def across(ratio: float) -> float:
        share = math.log10(max(ratio, FASTEST) / FASTEST) / decades
        return round(NAMES + share * (WIDE - NAMES - VALUE), 1)

    svg = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {WIDE} {tall}",
            "font-family": "system-ui, sans-serif",
            "font-size": "13",
            "fill": INK,
            "role": "img",
            "aria-labelledby": "title",
        },
    )
    _add(svg, "title", "How many times slower than its floor each benchmark is", id="title")
    _add(svg, "rect", width=WIDE, height=tall, fill=PAPER)
    said = "Times slower than the floor of the same run; the mark across a bar is the goal."
    _add(svg, "text", said, x=12, y=22, font_weight=600)
    _scale(svg, across, last, tall)
    for place, row in enumerate(rows):
        _bar(svg, row, across, TOP + place * LINE)
    _add(svg, "text", machine, x=12, y=tall - 12, font_size=12)
    ET.indent(svg)
    return ET.tostring(svg, encoding="unicode") + "\n"


def _scale(svg: ET.Element, across, last: float, tall: int) -> None:  # type: ignore[no-untyped-def] # noqa: ANN001
    """Draw a line at the floor, and at every 2, 5 and 10 times as slow."""
    ticks = [step * 10**decade for decade in range(6) for step in (1, 2, 5)]
    for tick in (each for each in ticks if each <= last):
        floor = tick == 1
        x, look = across(tick), {"stroke": INK if floor else RULE}
        _add(svg, "line", x1=x, x2=x, y1=TOP - 6, y2=tall - BOTTOM, **look)
        name = "floor" if floor else f"{tick}"
        _add(svg, "text", name, x=x, y=TOP - 12, text_anchor="middle", font_size=12)


def _bar(svg: ET.Element, row: Row, across, y: int) -> None:  # type: ignore[no-untyped-def] # noqa: ANN001
    times, missed = slower(row), row.verdict.lower() == "missed"
    low, high = sorted((across(1), across(times)))
    _add(svg, "text", row.name, x=NAMES - 10, y=y + 17, text_anchor="end")
    look = {"class": "bar", "fill": CLAY if missed else LEAF}
    # What takes as long as its floor is still to be seen.
    _add(svg, "rect", x=low, y=y + 5, width=max(round(high - low, 1), 2), height=16, **look)
    wanted = goal(row)
    if wanted is not None:
        x = across(wanted)
        where = {"class": "goal", "stroke": INK, "stroke-width": 3}
        _add(svg, "line", x1=x, x2=x, y1=y + 1, y2=y + 25, **where)
    told = f"{times:.2f}" if times < 10 else f"{times:.0f}"
    end = max(high, across(wanted) if wanted and across(wanted) - high < MARKED else 0)
    _add(svg, "text", told + (", goal missed" if missed else ""), x=end + 8, y=y + 17)


def _add(parent: ET.Element, name: str, text: str = "", **attributes: str | float) -> None:
    """Add an element; an underscore in an attribute's name stands for a hyphen."""
    written = {key.replace("_", "-"): str(value) for key, value in attributes.items()}
    ET.SubElement(parent, name, written).text = _NOT_XML.sub("\ufffd", text) or None


_NOT_XML = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
