"""What the operator of a district sets: figures, units of area, questions and wording.

Their file (YAML) stands beside the ones that come with Fieldbell and is held to the same
ranges and proofs:

    figures:
      price_per_tonne: 120000
      glyphosate_gate_days: 63
    units:
      plot: {m2: 450, words: {en: [plot, plots], sw: [kiwanja, viwanja]}}
    flows:                    # states added or changed, by flow; the rest stays as it is
      planting:
        tank_l: {ask: ..., number: ..., then: water_is_near}
        water_is_near: {ask: ..., yes_no: true, unsure: false, assume: ..., then: mixes}
    flows_for:                # the same, for growers of one language only
      sw: {clearing: {...}}
    texts:                    # wording, by language and the name of the text
      sw: {clearing.cover: "...", sentences.broken_by: {one: "...", other: "..."}}
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import msgspec
from msgspec import Meta, Struct, field

if TYPE_CHECKING:
    from bot.agronomy.figures import Figures

STANDARD_UNITS = frozenset({"acre", "ha", "m2", "m", "step", "counted"})
"""Units a local one may not be named as."""

_SMALLEST_M2, _LARGEST_M2 = 1, 100_000
"""A local unit is between a square metre and ten hectares; others are a slip."""


Spellings = Annotated[tuple[Annotated[str, Meta(min_length=1)], ...], Meta(min_length=1)]


class LocalUnit(Struct, frozen=True, forbid_unknown_fields=True):
    """A unit of area in use in the district: its square metres, and its words by language.

    The first word is how texts write it.
    """

    m2: Annotated[float, Meta(ge=_SMALLEST_M2, le=_LARGEST_M2)]
    words: Annotated[dict[str, Spellings], Meta(min_length=1)]


States = dict[str, dict[str, dict[str, object]]]
"""States as written in a flow file, by flow and name."""


Wording = str | dict[str, str]
"""A text in the operator's wording; of one that counts something, by CLDR's name of each form."""


class District(Struct, frozen=True, forbid_unknown_fields=True):
    """The operator's file."""

    figures: dict[str, object] = field(default_factory=dict)
    units: dict[str, LocalUnit] = field(default_factory=dict)
    flows: States = field(default_factory=dict)
    flows_for: dict[str, States] = field(default_factory=dict)
    texts: dict[str, dict[str, Wording]] = field(default_factory=dict)


def read_district(raw: object, figures: Figures) -> tuple[Figures, District]:
    """Read the parsed file over the figures it changes.

    Raises ValueError naming the figure or unit and the remedy.
    """
    try:
        district = msgspec.convert(raw or {}, District)
    except msgspec.ValidationError as error:
        raise ValueError(f"{error}; it reads `figures:` with a value each, and `units:`") from error
    for name in district.units:
        if not name.isidentifier() or not name.islower() or name in STANDARD_UNITS:
            raise ValueError(
                f"unit {name!r}: name it in small letters, such as plot, and not as "
                f"{', '.join(sorted(STANDARD_UNITS))}"
            )
    values: dict[str, float] = {}
    for name, value in district.figures.items():
        try:
            values[name] = msgspec.convert(value, float)
        except msgspec.ValidationError as error:
            raise ValueError(f"{name}: {value!r} is no number; write one, as in 14") from error
    return figures.with_values(values), district
