"""Why an answer could not be read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date


@dataclass(frozen=True, slots=True)
class Unread:
    """An answer that could not be read. `reason` is a sentence's name, `values` fill it."""

    reason: str
    values: Mapping[str, float | str | date] = field(default_factory=dict)
