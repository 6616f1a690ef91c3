"""Partial budgets by hand and against a published table."""

from __future__ import annotations

from dataclasses import astuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.agronomy.tillage import Budget, budget

gains = st.floats(0.1, 8)
money = st.floats(0, 1e6)
prices = st.floats(1, 1e6)


@pytest.mark.parametrize(
    ("gain_t", "worth"),
    [
        # common practice: at 10,000 a tonne ploughing gains 20,000 an acre and ridging 15,000;
        # do it if it costs less
        (2.0, 20_000),
        (1.5, 15_000),
    ],
)
def test_check_values_of_the_trade(gain_t: float, worth: float) -> None:
    assert budget(gain_t, 0, 10_000, 0).gain == worth
    assert budget(gain_t, 0, 10_000, 0).break_even_cost == worth
    assert budget(gain_t, worth - 1, 10_000, 0).pays
    assert not budget(gain_t, worth, 10_000, 0).pays
    assert not budget(gain_t, worth + 1, 10_000, 0).pays


@pytest.mark.parametrize(
    ("worked", "expected"),
    [
        # by hand: 2 t x 10,000 = 20,000; less 15,000 is 5,000; 15,000 / 2 t = 7,500 a tonne
        (budget(2.0, 15_000, 10_000, 0), Budget(20_000, 15_000, 5_000, 20_000, 7_500)),
        # by hand: 1.5 t x (10,000 - 2,000) = 12,000; less 10,500; 10,500 / 1.5 + 2,000 = 9,000
        (budget(1.5, 10_500, 10_000, 2_000), Budget(12_000, 10_500, 1_500, 12_000, 9_000)),
        # by hand: 2 t x (6,000 - 1,000) = 10,000; less 13,000; 13,000 / 2 + 1,000 = 7,500
        (budget(2.0, 13_000, 6_000, 1_000), Budget(10_000, 13_000, -3_000, 10_000, 7_500)),
        # by hand: roots that cost more to bring in than they sell for: 2 t x (500 - 800)
        (budget(2.0, 0, 500, 800), Budget(-600, 0, -600, -600, 800)),
    ],
)
def test_budgets_by_hand(worked: Budget, expected: Budget) -> None:
    assert astuple(worked) == pytest.approx(astuple(expected))
    assert worked.pays is (expected.net > 0)


@pytest.mark.parametrize(
    ("kg", "benefit", "costs", "net"),
    [
        # ISRN 2012, 153412, table 10 (Western Kenya, KSh a hectare, without and with fertilizer):
        # yield kg/ha, gross field benefit, total variable costs, net benefit. The local variety,
        ((2039.73, 3697.30), (27_196, 49_297), (8_640, 15_693), (18_556, 33_604)),
        # and the improved one.
        ((1805.05, 3461.62), (24_067, 46_155), (9_165, 16_243), (14_902, 29_912)),
    ],
)
def test_a_published_partial_budget(
    kg: tuple[float, float],
    benefit: tuple[float, float],
    costs: tuple[float, float],
    net: tuple[float, float],
) -> None:
    price = benefit[1] / kg[1] * 1000
    worked = budget((kg[1] - kg[0]) / 1000, costs[1] - costs[0], price, 0)
    # the table rounds each benefit to a shilling
    assert worked.gain == pytest.approx(benefit[1] - benefit[0], abs=1)
    assert worked.net == pytest.approx(net[1] - net[0], abs=1)
    assert worked.pays


@given(gains, money, prices, money)
def test_it_breaks_even_where_it_says(
    gain_t: float, cost: float, price: float, haulage: float
) -> None:
    worked = budget(gain_t, cost, price, haulage)
    scale = max(cost, price, haulage) * 10
    at_cost = budget(gain_t, worked.break_even_cost, price, haulage)
    at_price = budget(gain_t, cost, worked.break_even_price, haulage)
    assert at_cost.net == pytest.approx(0, abs=1e-9 * scale)
    assert at_price.net == pytest.approx(0, abs=1e-9 * scale)


@pytest.mark.parametrize("gain_t", [0, -1])
def test_no_gain_has_no_break_even(gain_t: float) -> None:
    with pytest.raises(ValueError, match="no break-even price"):
        budget(gain_t, 15_000, 10_000, 0)
