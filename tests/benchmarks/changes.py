"""The ratios that were last accepted, and what a run's rows are compared with them.

Only ratios are compared: a floor measured in the same run takes the machine's speed out of them.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tests.benchmarks.table import Row

FILE = Path(__file__).with_name("expected.toml")

MOST_WORSE = 0.2
"""Share by which a ratio may be worse than the accepted one before it is a regression."""

HEAD = """\
# The ratio of each row to its floor, as it was when it was last looked at and found right.
# `python -m tests.benchmarks --accept` writes this file anew, on a machine that does nothing else.
"""


def read(file: Path = FILE) -> dict[str, float]:
    """Return the accepted ratios by the names of rows; none where there is no file yet."""
    if not file.exists():
        return {}
    return {name: float(ratio) for name, ratio in tomllib.loads(file.read_text("utf-8")).items()}


def accept(rows: Sequence[Row], file: Path = FILE) -> None:
    """Write the ratios of rows into the file; those of rows that were not measured stay."""
    ratios = read(file) | {row.name: row.ratio for row in rows}
    # A string of JSON is one of TOML as well.
    lines = [f"{json.dumps(name)} = {_short(ratio)}\n" for name, ratio in ratios.items()]
    file.write_text(HEAD + "".join(lines), "utf-8")


def change(row: Row, expected: Mapping[str, float]) -> float | None:
    """Return by which share a row's ratio has changed, 0.1 for a tenth more; None for a new row."""
    before = expected.get(row.name)
    return row.ratio / before - 1 if before else None


def worse(row: Row, expected: Mapping[str, float]) -> float:
    """Return by which share a row is worse than accepted; 0 or less where it is not."""
    changed = change(row, expected) or 0.0
    return -changed if row.more_is_better else changed


def regressions(rows: Sequence[Row], expected: Mapping[str, float]) -> list[str]:
    """Say of each row that is worse by more than `MOST_WORSE` by how much, the worst first."""
    found = sorted(((worse(row, expected), row) for row in rows), key=lambda each: -each[0])
    return [
        f"regressed by {by:.0%}: {row.name}, {row.ratio:.2f} where {expected[row.name]:.2f} "
        "was accepted"
        for by, row in found
        if by > MOST_WORSE
    ]


def _short(ratio: float) -> float:
    """Return a ratio to three digits; more would be noise."""
    return float(f"{ratio:.3g}")
