"""The table of figures: every agronomic number with its unit, range and source.

The numbers stand in flows/figures.yaml, where an agronomist can read and question them.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Mapping
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

UNITS = frozenset(
    {
        "acre",
        "cm",
        "days",
        "L",
        "L/acre",
        "L/ha",
        "L/min",
        "leaves",
        "m",
        "money",
        "months",
        "nodes",
        "people",
        "percent",
        "person-days/acre",
        "places",
        "seconds",
        "stakes",
        "stems",
        "steps",
        "t/acre",
    }
)

_DAYS_OF = {"weeks": 7.0, "hours": 1 / 24}
"""Units in which a figure of days may be stated, by the days in each."""


class Figure(Struct, frozen=True, forbid_unknown_fields=True):
    """One figure as written: its value, unit, allowed range (both ends inside) and source.

    `source` is a citation, `common practice`, or `from memory`.
    """

    value: float
    unit: str
    range: tuple[float, float]
    source: Annotated[str, Meta(min_length=4)]
    note: str = ""

    @property
    def low(self) -> float:
        """The smallest value that makes sense."""
        return self.range[0]

    @property
    def high(self) -> float:
        """The largest value that makes sense."""
        return self.range[1]


class Figures(Mapping[str, float]):
    """The figures by name. `figures["gap_fill_from_days"]` is a value, `row` the whole entry.

    `stated` also gives a figure of days in weeks or hours, for sentences that say it so.
    """

    def __init__(self, rows: Mapping[str, Figure]) -> None:
        self._rows = dict(rows)
        self._values = {name: row.value for name, row in rows.items()}

    def __getitem__(self, name: str) -> float:
        """Give a figure's value. Raises KeyError naming the nearest known figure."""
        try:
            return self._values[name]
        except KeyError:
            raise KeyError(self._unknown(name)) from None

    def row(self, name: str) -> Figure:
        """Give a figure's whole entry. Raises KeyError naming the nearest known figure."""
        try:
            return self._rows[name]
        except KeyError:
            raise KeyError(self._unknown(name)) from None

    def __iter__(self) -> Iterator[str]:
        """Go through the names in the order of the file."""
        return iter(self._values)

    def __len__(self) -> int:
        """Count the figures."""
        return len(self._values)

    def __contains__(self, name: object) -> bool:
        """Tell whether there is a figure of this name."""
        return name in self._values

    def stated(self, name: str) -> float:
        """Give a figure's value, or what `glyphosate_gate_weeks` is by `glyphosate_gate_days`.

        Raises KeyError naming the nearest known figure.
        """
        stem, _, unit = name.rpartition("_")
        if name not in self and unit in _DAYS_OF:
            return self[f"{stem}_days"] / _DAYS_OF[unit]
        return self[name]

    def states(self, name: str) -> bool:
        """Tell whether `stated` knows this name."""
        stem, _, unit = name.rpartition("_")
        return name in self or (unit in _DAYS_OF and f"{stem}_days" in self)

    def highest(self, name: str) -> float:
        """Give the largest value `stated` can have, for the longest text there can be."""
        stem, _, unit = name.rpartition("_")
        if name not in self and unit in _DAYS_OF:
            return self.row(f"{stem}_days").high / _DAYS_OF[unit]
        return self.row(name).high

    def with_values(self, values: Mapping[str, float]) -> Figures:
        """Replace some values, each within its figure's range.

        Raises ValueError naming the figure and its range, or the nearest known name.
        """
        rows = dict(self._rows)
        for name, value in values.items():
            if name not in rows:
                raise ValueError(self._unknown(name))
            row = rows[name] = msgspec.structs.replace(rows[name], value=value)
            if not row.low <= value <= row.high:
                raise ValueError(
                    f"{name}: {value:g} is outside its range {row.low:g} to {row.high:g} "
                    f"{row.unit}; set a value within it"
                )
        changed = Figures(rows)
        if crossed := changed.crossed():
            raise ValueError("; ".join(crossed))
        return changed

    def crossed(self) -> list[str]:
        """List pairs of figures, one from and one to, where the first is the larger."""
        return [
            f"{name} is {self[name]:g}, but {to} is {self[to]:g}; the first must not be larger"
            for name in self
            if "_from_" in name and (to := name.replace("_from_", "_to_")) in self
            if self[name] > self[to]
        ]

    def _unknown(self, name: str) -> str:
        near = difflib.get_close_matches(name, self._values, n=1, cutoff=0)
        return f"no figure is named {name!r}; did you mean {', '.join(near) or 'another file'}?"


class _File(Struct, frozen=True, forbid_unknown_fields=True):
    figures: dict[str, object]


def read_figures(raw: object) -> Figures:
    """Read the parsed figures.yaml. Raises ValueError naming the figure and the remedy."""
    try:
        entries = msgspec.convert(raw, _File).figures
    except msgspec.ValidationError as error:
        raise ValueError(f"figures.yaml: {error}; it reads `figures:`, a row a figure") from error
    rows = {}
    for name, entry in entries.items():
        try:
            row = rows[name] = msgspec.convert(entry, Figure)
        except msgspec.ValidationError as error:
            raise ValueError(
                f"figures.yaml, {name}: {error}; a figure reads "
                "{value: 14, unit: days, range: [10, 28], source: common practice}"
            ) from error
        if not row.source.strip() or not all(map(math.isfinite, row.range)):
            raise ValueError(f"figures.yaml, {name}: give a source, and a range with two ends")
        if row.unit not in UNITS:
            raise ValueError(
                f"figures.yaml, {name}: unit {row.unit!r} is not one of {sorted(UNITS)}"
            )
        if not row.low <= row.value <= row.high:
            raise ValueError(
                f"figures.yaml, {name}: {row.value:g} is outside its range "
                f"{row.low:g} to {row.high:g}; correct the one that is wrong"
            )
    figures = Figures(rows)
    if crossed := figures.crossed():
        raise ValueError(f"figures.yaml: {'; '.join(crossed)}")
    return figures
