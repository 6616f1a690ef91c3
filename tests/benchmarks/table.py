"""One row of the table, and what it is measured with."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from dataclasses import dataclass
from statistics import median
from time import perf_counter_ns
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

WIDE = 1.5
"""A goal missed by more than this factor is missed widely; less may be the machine's noise."""


@dataclass(frozen=True, slots=True)
class Row:
    """What was measured, and the floor it was measured against in the same run.

    `ratio` is ours to the floor; where they were measured in pairs, the median of the pairs'.
    `reserve` is how many times better than the goal it is: 1 or more meets it; None is no goal.
    """

    name: str
    against: str
    ours: float
    floor: float
    ratio: float
    unit: str
    goal: str = ""
    reserve: float | None = None

    @property
    def more_is_better(self) -> bool:
        """Whether it is a speed; all else is what something costs."""
        return self.unit.endswith("/s")

    @property
    def verdict(self) -> str:
        """Whether the goal is met; empty where there is none."""
        if self.reserve is None:
            return ""
        return "met" if self.reserve >= 1 else "missed" if self.reserve * WIDE >= 1 else "MISSED"


HEAD = ("what", "measured against", "ours", "floor", "unit", "ratio", "change", "goal", "verdict")


def render(rows: Sequence[Row], changes: Mapping[str, float | None]) -> str:
    """Write the rows as a table for a terminal.

    `changes` are the shares by which ratios differ from those last accepted, by the rows' names.
    """
    lines = [HEAD]
    for row in rows:
        figures = (f"{row.ours:,.1f}", f"{row.floor:,.1f}", row.unit, f"{row.ratio:.2f}")
        changed = changes.get(row.name)
        change = "" if changed is None else f"{100 * changed:+.0f} %"
        lines.append((row.name, row.against, *figures, change, row.goal, row.verdict))
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    numeric = {HEAD.index(name) for name in ("ours", "floor", "ratio", "change")}
    return "\n".join(
        "  ".join(
            cell.rjust(width) if place in numeric else cell.ljust(width)
            for place, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    )


def micros(work: Callable[[], object], repeats: int) -> float:
    """Median time of one call in microseconds, over so many calls."""
    times = []
    for _ in range(repeats):
        began = perf_counter_ns()
        work()
        times.append(perf_counter_ns() - began)
    return median(times) / 1000


@contextmanager
def no_collection() -> Iterator[None]:
    """Keep the garbage collector from running within a measurement, as `timeit` does."""
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
