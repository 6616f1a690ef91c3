"""Does ploughing or ridging pay? The gain in roots on an acre against the cost."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Budget:
    """A partial budget for one acre, in the grower's own currency.

    `gain` is the worth of the extra roots after their harvest and haulage, `net` what is left
    of it after the `cost`. The work pays when it returns its cost and `least_return` of it
    again (0.5 is half). It just does so at a cost of `break_even_cost`, or at a price of
    `break_even_price` for a tonne.
    """

    gain: float
    cost: float
    net: float
    break_even_cost: float
    break_even_price: float
    least_return: float = 0.0

    @property
    def pays(self) -> bool:
        """Whether the work returns more than its cost and the least return on it."""
        return self.net > self.cost * self.least_return


def budget(
    gain_t_per_acre: float,
    cost_per_acre: float,
    price_per_tonne: float,
    haulage_per_tonne: float,
    least_return: float = 0.0,
) -> Budget:
    """Weigh the extra roots, sold at the farm gate, against the cost of the work on an acre.

    Only what changes with the choice counts: the extra roots and what their own harvest and
    haulage cost. `least_return` is the marginal rate of return asked for, as a fraction.
    Method: the partial budget of CIMMYT, From Agronomic Data to Farmer Recommendations (1988).
    Raises ValueError for a gain that is not above 0 tonnes, or a return below 0.
    """
    if gain_t_per_acre <= 0:
        raise ValueError(f"a gain of {gain_t_per_acre} t/acre has no break-even price")
    if least_return < 0:
        raise ValueError(f"a least return of {least_return} must be 0 or above")
    gain = gain_t_per_acre * (price_per_tonne - haulage_per_tonne)
    return Budget(
        gain=gain,
        cost=cost_per_acre,
        net=gain - cost_per_acre,
        break_even_cost=gain / (1 + least_return),
        break_even_price=cost_per_acre * (1 + least_return) / gain_t_per_acre + haulage_per_tonne,
        least_return=least_return,
    )
