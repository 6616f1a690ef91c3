"""Which way of doing the work pays best, and whether hoeing or spraying weeds costs less.

Ways that shut each other out (plough, ridge, both, neither) are weighed by marginal analysis:
does each dearer way bring enough more to be worth its extra cost? A benefit-cost ratio would not
do, for a ratio favours the cheap way and says nothing of the next step. Source: CIMMYT, From
Agronomic Data to Farmer Recommendations (1988).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterable


@dataclass(frozen=True, slots=True)
class Choice:
    """One way of doing the work on an acre, or on any other unit of land all choices share.

    `costs` are those that vary with the choice, own labour and time included, 0 or more.
    `benefit` is what the crop is worth at the farm gate before they are taken off; it may be
    below 0. Both are in one currency. Raises ValueError for other costs or benefits.
    """

    name: str
    costs: float
    benefit: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.benefit):
            raise ValueError(f"{self.name!r} has benefit {self.benefit}; give an amount of money")
        if not 0 <= self.costs < math.inf:
            raise ValueError(f"{self.name!r} has costs {self.costs}; give an amount of 0 or more")

    @property
    def net(self) -> float:
        """What is left of the benefit after the costs that vary."""
        return self.benefit - self.costs


@dataclass(frozen=True, slots=True)
class Change:
    """A step from one choice to a dearer one. Raises ValueError unless it is dearer."""

    before: Choice
    after: Choice

    def __post_init__(self) -> None:
        if self.after.costs <= self.before.costs:
            raise ValueError(
                f"{self.after.name!r} is no dearer than {self.before.name!r}; "
                "a change goes from the cheaper choice to the dearer one"
            )

    @property
    def rate(self) -> float:
        """The marginal rate of return: net gained for each unit of extra cost (1.0 is 100 %)."""
        return (self.after.net - self.before.net) / (self.after.costs - self.before.costs)


def undominated(choices: Iterable[Choice]) -> list[Choice]:
    """Keep, by rising costs, each choice that nets more than all that cost the same or less.

    The others are dominated: they ask for more money, or as much, and leave no more. Of choices
    alike in costs and net the first by name stays. Costs and nets of the list both rise.
    """
    kept: list[Choice] = []
    for choice in sorted(choices, key=lambda choice: (choice.costs, -choice.net, choice.name)):
        if not kept or choice.net > kept[-1].net:
            kept.append(choice)
    return kept


def changes(choices: Iterable[Choice]) -> list[Change]:
    """List the steps from each undominated choice to the next, by rising costs."""
    return [Change(before, after) for before, after in itertools.pairwise(undominated(choices))]


def recommend(choices: Iterable[Choice], minimum_rate: float) -> Choice:
    """Climb from the cheapest choice while a step returns more than `minimum_rate` (1.0: 100 %).

    Each undominated choice is tried in turn, and its rate measured from the last one accepted,
    not from one that was turned down: a poor step does not bar a good one beyond it. A rate that
    only equals the minimum leaves the cheaper choice, just as at a minimum of 0 work that only
    earns its cost is left undone. It comes to the choice with the highest residual, which is net
    less `minimum_rate` times costs.

    Raises ValueError for no choices, or for a minimum below 0.
    """
    steps = undominated(choices)
    if not steps:
        raise ValueError("no choices to recommend from; give one at least, such as doing nothing")
    if not 0 <= minimum_rate < math.inf:
        raise ValueError(f"minimum rate {minimum_rate}; give a fraction of 0 or more, as 1.0")
    accepted = steps[0]
    for dearer in steps[1:]:
        if Change(accepted, dearer).rate > minimum_rate:
            accepted = dearer
    return accepted


@dataclass(frozen=True, slots=True)
class WeedingCosts:
    """What one weeding of an acre costs by hoe and by spray, in one currency.

    At a day's wage of `break_even_wage` both cost the same; above it the spray is cheaper, below
    it the hoe. It is None where hoeing takes no more days than spraying: no wage evens them out
    then, and the hoe is never the dearer.
    """

    hoe: float
    spray: float
    break_even_wage: float | None

    @property
    def cheaper(self) -> Literal["hoe", "spray"]:
        """The cheaper one; at equal costs the hoe, which can harm neither crop nor grower."""
        return "spray" if self.spray < self.hoe else "hoe"


def weeding_costs(
    hoe_days: float, spray_days: float, wage: float, product_cost: float
) -> WeedingCosts:
    """Cost one weeding of an acre, taking it that hoe and spray leave it equally clean.

    `hoe_days` and `spray_days` are a person's days of work on an acre, `wage` is for a day,
    hired or of the household's own time, and `product_cost` for an acre. Break-even wage =
    product / (hoe days - spray days), by hand. Raises ValueError for a number below 0.
    """
    if not all(number >= 0 for number in (hoe_days, spray_days, wage, product_cost)):
        raise ValueError(
            f"hoe days {hoe_days}, spray days {spray_days}, wage {wage} and product cost "
            f"{product_cost} must each be 0 or more"
        )
    days_saved = hoe_days - spray_days
    return WeedingCosts(
        hoe=hoe_days * wage,
        spray=spray_days * wage + product_cost,
        break_even_wage=product_cost / days_saved if days_saved > 0 else None,
    )
