"""Labour: how long the people of a household need for an operation, and how many to hire.

Work is counted in person-days: one grown person for one working day of the place. What an acre
takes comes from flows/figures.yaml, or better from the grower, who knows their own ground.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bot.agronomy.area import Area


def person_days(area: Area, days_per_acre: float) -> float:
    """Work out the person-days an operation takes on a field, at `days_per_acre` person-days.

    Raises ValueError unless `days_per_acre` is a number above 0.
    """
    if not 0 < days_per_acre < math.inf:
        raise ValueError(f"{days_per_acre} person-days an acre must be above 0; check the figure")
    return area.acres * days_per_acre


def days_taken(work: float, people: int) -> int:
    """Count the days `people` need for so many person-days, the last one begun being whole.

    Raises ValueError for work below 0 or fewer than 1 person.
    """
    if people < 1:
        raise ValueError(f"{people} people do no work; give at least 1")
    return _whole(work, people)


def to_hire(work: float, people: int, window_days: int) -> int:
    """Count how many more people get the work done within the window; 0 when `people` can.

    Raises ValueError for work below 0, fewer than 1 person, or a window under 1 day.
    """
    if people < 1:
        raise ValueError(f"a household of {people} people hires nobody; give at least 1")
    if window_days < 1:
        raise ValueError(f"no work is done in {window_days} days; give a window of at least 1")
    return max(0, _whole(work, window_days) - people)


def _whole(work: float, share: int) -> int:
    """Divide work and round up, but not for the dust a float leaves on whole person-days.

    The dust is taken off the work before it is divided, so that days for people and people for
    days always agree.
    """
    if not 0 <= work < math.inf:
        raise ValueError(f"work of {work} person-days must be 0 or more; check the field's area")
    return math.ceil(round(work, 6) / share)
