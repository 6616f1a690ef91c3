"""Marginal analysis against published tables and its rival, the residuals; hoe against spray."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.agronomy.money import (
    Change,
    Choice,
    WeedingCosts,
    changes,
    recommend,
    undominated,
    weeding_costs,
)


def names(choices: list[Choice]) -> list[str]:
    return [choice.name for choice in choices]


# "Potato (Solanum tuberosum L.) On-farm Economic Study for Phosphorus and Potassium Fertilizers
# in Northwestern Ethiopia", 2021, 10.48130/CAS-2021-0014, table 2: kg P2O5 and K2O a hectare;
# gross field benefit, total variable cost and net benefit in birr a hectare.
POTATO_TABLE = [
    ("0:0", 104_885, 0, 104_885.0),
    ("0:100", 111_320, 1_500, 109_820.0),
    ("0:200", 123_530, 2_600, 120_930.0),
    ("0:300", 109_120, 3_700, 105_420.0),
    ("34.5:0", 101_310, 622.2, 100_687.4),
    ("34.5:100", 190_905, 1_922.6, 188_982.4),
    ("34.5:200", 239_195, 3_022.6, 236_172.4),
    ("34.5:300", 197_615, 4_122.6, 193_492.4),
    ("69:0", 127_215, 1_045.2, 126_169.8),
    ("69:100", 167_750, 2_345.2, 165_404.8),
    ("69:200", 209_715, 3_445.2, 206_269.8),
    ("69:300", 188_705, 4_545.2, 184_159.8),
]
POTATO = [Choice(name, costs, benefit) for name, benefit, costs, _ in POTATO_TABLE]


def test_potato_net_benefits() -> None:
    # the table takes 622.6 from the benefit of 34.5:0 and prints the cost as 622.2
    published = [net for *_, net in POTATO_TABLE]
    assert [choice.net for choice in POTATO] == pytest.approx(published, abs=0.5)


def test_potato_dominance() -> None:
    # table 3 marks with a D 34.5:0, 0:100, 69:100, 0:200, 69:200 and 0:300; by hand its last
    # two, 34.5:300 and 69:300, cost more than 34.5:200 and leave less
    assert names(undominated(POTATO)) == ["0:0", "69:0", "34.5:100", "34.5:200"]


def test_potato_rates_and_the_recommendation() -> None:
    # by hand: 21,284.8 / 1,045.2, then 62,812.6 / 877.4, then 47,190 / 1,100
    rates = [change.rate for change in changes(POTATO)]
    assert rates == pytest.approx([20.364, 71.590, 42.900], abs=0.001)
    # the abstract recommends 34.5 kg P2O5 and 200 kg K2O, above the least acceptable rate
    assert recommend(POTATO, 1.0).name == "34.5:200"


# Heliyon 9(9), 2023, e19762, 10.1016/j.heliyon.2023.e19762, table 5: potato by kg of NPS and by
# how irrigation is timed (CWR: crop water requirement, WFD: wetting front detector); gross field
# benefit, total variable costs and net benefit in birr a hectare, and rank by net benefit.
IRRIGATION_TABLE = [
    ("0 WFD", 92_610, 19_753.1, 72_856.9, 11),
    ("0 CWR", 72_450, 14_812.8, 57_637.2, 12),
    ("90.8 WFD", 162_945, 26_716.0, 136_229.0, 8),
    ("90.8 CWR", 140_580, 21_775.8, 118_804.2, 10),
    ("136.2 WFD", 182_610, 28_160.5, 154_449.5, 6),
    ("136.2 CWR", 158_130, 23_220.2, 134_909.8, 9),
    ("181.6 WFD", 188_505, 29_975.3, 158_529.7, 5),
    ("181.6 CWR", 171_135, 25_035.0, 146_100.0, 7),
    ("227.4 WFD", 233_505, 31_425.9, 202_079.1, 3),
    ("227.4 CWR", 205_020, 26_485.7, 178_534.3, 4),
    ("272 WFD", 269_820, 33_228.3, 236_591.7, 1),
    ("272 CWR", 252_585, 28_288.1, 224_296.9, 2),
]
IRRIGATION = [Choice(name, costs, benefit) for name, benefit, costs, *_ in IRRIGATION_TABLE]


def test_irrigation_net_benefits_and_ranks() -> None:
    published = [net for *_, net, _ in IRRIGATION_TABLE]
    assert [choice.net for choice in IRRIGATION] == pytest.approx(published, abs=0.15)
    by_rank = [row[0] for row in sorted(IRRIGATION_TABLE, key=lambda row: row[-1])]
    assert names(sorted(IRRIGATION, key=lambda choice: -choice.net)) == by_rank


def test_irrigation_dominance_and_rates() -> None:
    # by hand: 90.8 and 136.2 WFD fall short of 227.4 CWR, 181.6 and 227.4 WFD of 272 CWR
    expected = ["0 CWR", "0 WFD", "90.8 CWR", "136.2 CWR", "181.6 CWR", "227.4 CWR", "272 CWR"]
    assert names(undominated(IRRIGATION)) == [*expected, "272 WFD"]
    # by hand: 15,219.7 / 4,940.3 for the first, 12,294.8 / 4,940.2 for the last
    rates = [change.rate for change in changes(IRRIGATION)]
    expected_rates = [3.081, 22.716, 11.150, 6.166, 22.358, 25.390, 2.489]
    assert rates == pytest.approx(expected_rates, abs=0.001)


@pytest.mark.parametrize(
    ("minimum", "name"),
    [
        (0.5, "272 WFD"),  # the paper's first rank
        (2.48, "272 WFD"),
        (2.5, "272 CWR"),
        # by hand: the step to 0 WFD, 3.081, is turned down, yet 272 CWR returns 12.368 from 0 CWR
        (12.3, "272 CWR"),
        (12.4, "0 CWR"),
    ],
)
def test_irrigation_by_minimum_rate(minimum: float, name: str) -> None:
    assert recommend(IRRIGATION, minimum).name == name


# Two published exercises in incremental analysis, the same procedure outside farming.


def test_a_step_below_the_minimum_is_not_taken() -> None:
    # partnerperformance.uonbi.ac.ke/preguntia/6344756: outlay and yearly profit of A, B and C;
    # at a minimum of 20 %, "the B-A increment ... yields an 18% profit rate and is not
    # acceptable", and A is chosen
    a = Choice("A", 100_000, 130_000)
    b = Choice("B", 300_000, 366_000)
    c = Choice("C", 500_000, 580_000)
    assert (a.net, b.net, c.net) == (30_000, 66_000, 80_000)
    assert changes([c, b, a])[0].rate == pytest.approx(0.18)
    assert recommend([c, b, a], 0.20) is a
    # by hand: at 15 % the step to B is taken; from B to C is 14,000 / 200,000 = 7 %
    assert recommend([c, b, a], 0.15) is b


def test_the_best_of_five_alternatives() -> None:
    # issuhub.com/view/index/4775, p. 256, figure 8-8: outlay and yearly benefit for 20 years at a
    # minimum of 6 %. In order D, B, A, C, E; B-D and A-B are taken, C-A and then E-A are not.
    worth = (1 - 1.06**-20) / 0.06  # of 1 a year for 20 years at 6 %, by hand 11.47
    figures = {
        "D": (1000, 117),
        "B": (2000, 410),
        "A": (4000, 639),
        "C": (6000, 761),
        "E": (9000, 785),
    }
    five = [Choice(name, cost, yearly * worth) for name, (cost, yearly) in figures.items()]
    assert names(undominated(five)) == ["D", "B", "A"]
    assert recommend(five, 0).name == "A"


# The manual's own rule of thumb. CIMMYT, La formulacion de recomendaciones a partir de datos
# agronomicos (Spanish edition of the 1988 manual): the least change in yield that pays is
# dY = dTCV x (1 + M) / P, where M is the minimum rate, P the field price.


@pytest.mark.parametrize(
    ("minimum", "kg"),
    [
        # its example: 100 kg of fertilizer cost 1,000 and wheat sells at 5 a kg, so "usually it
        # is reckoned" that 200 kg more must be grown, which leaves out the minimum rate
        (0.0, 200),
        # by hand, by the formula: 1,000 x 1.5 / 5 and 1,000 x 2 / 5
        (0.5, 300),
        (1.0, 400),
    ],
)
def test_the_least_change_in_yield_that_pays(minimum: float, kg: int) -> None:
    without = Choice("without", 0, 5 * 2_000)

    def with_fertilizer(more_kg: int) -> Choice:
        return Choice("with", 1_000, 5 * (2_000 + more_kg))

    assert recommend([without, with_fertilizer(kg - 1)], minimum).name == "without"
    assert recommend([without, with_fertilizer(kg)], minimum).name == "without"  # only just even
    assert recommend([without, with_fertilizer(kg + 1)], minimum).name == "with"


# By hand.

NONE = Choice("none", 0, 0)
SOME = Choice("some", 100, 140)  # net 40: 40 %


def test_a_good_step_beyond_a_poor_one_is_taken() -> None:
    # from none to much, 260 / 200 = 130 %; from some, 220 %
    much = Choice("much", 200, 460)
    assert recommend([NONE, SOME, much], 1.0) is much


def test_a_step_is_measured_from_the_last_one_accepted() -> None:
    # from some to more, 60 / 50 = 120 %, but from none only 100 / 150 = 67 %
    more = Choice("more", 150, 250)
    assert [change.rate for change in changes([NONE, SOME, more])] == pytest.approx([0.4, 1.2])
    assert recommend([NONE, SOME, more], 1.0) is NONE
    assert recommend([NONE, SOME, more], 0.6) is more


@pytest.mark.parametrize(
    ("other", "kept"),
    [
        (Choice("other", 200, 239), ["none", "some"]),  # dearer, nets 39
        (Choice("other", 200, 240), ["none", "some"]),  # dearer, nets the same 40
        (Choice("other", 200, 241), ["none", "some", "other"]),  # dearer, nets 41
        (Choice("other", 100, 139), ["none", "some"]),  # costs the same, nets less
        (Choice("other", 100, 141), ["none", "other"]),  # costs the same, nets more
        (Choice("other", 100, 140), ["none", "other"]),  # alike: the first by name
        (Choice("other", 90, 130), ["none", "other"]),  # cheaper, nets the same 40
        (Choice("other", 300, -50), ["none", "some"]),  # loses
    ],
)
def test_dominance(other: Choice, kept: list[str]) -> None:
    assert names(undominated([other, SOME, NONE])) == kept


def test_no_choice_and_a_single_one() -> None:
    assert undominated([]) == []
    assert changes([SOME]) == []
    assert recommend([SOME], 1.0) is SOME
    loss = Choice("loss", 100, -20)  # with nothing else to do, even a loss
    assert recommend([loss], 0) is loss


# Properties, in whole amounts of money and quarters of a rate, so that ties are true ties.

minimums = st.integers(0, 12).map(lambda quarters: quarters / 4)
fields = st.lists(
    st.one_of(
        st.tuples(st.integers(0, 100_000), st.integers(-100_000, 500_000)),
        st.tuples(st.integers(0, 8), st.integers(-8, 24)),  # crowded: ties and duplicates
    ),
    min_size=1,
    max_size=9,
).map(lambda rows: [Choice(f"c{i}", costs, benefit) for i, (costs, benefit) in enumerate(rows)])


@given(fields, minimums)
def test_it_agrees_with_the_method_of_residuals(choices: list[Choice], minimum: float) -> None:
    def residual(choice: Choice) -> Fraction:
        costs = Fraction(choice.costs)
        return Fraction(choice.benefit) - costs - Fraction(minimum) * costs

    best = max(choices, key=lambda choice: (residual(choice), -choice.costs))
    chosen = recommend(choices, minimum)
    assert (residual(chosen), chosen.costs) == (residual(best), best.costs)


@given(fields, minimums)
def test_the_dominated_are_never_recommended(choices: list[Choice], minimum: float) -> None:
    chosen = recommend(choices, minimum)
    assert chosen in undominated(choices)
    others = [c for c in choices if (c.costs, c.net) != (chosen.costs, chosen.net)]
    assert not any(c.costs <= chosen.costs and c.net >= chosen.net for c in others)


@given(fields)
def test_what_is_left_out_is_dominated_and_what_stays_rises(choices: list[Choice]) -> None:
    kept = undominated(choices)
    for before, after in pairwise(kept):
        assert before.costs < after.costs
        assert before.net < after.net
    for left_out in (choice for choice in choices if choice not in kept):
        assert any(k.costs <= left_out.costs and k.net >= left_out.net for k in kept)


@given(fields.flatmap(lambda field: st.tuples(st.just(field), st.permutations(field))), minimums)
def test_order_does_not_matter(orders: tuple[list[Choice], list[Choice]], minimum: float) -> None:
    one, another = orders
    assert undominated(another) == undominated(one)
    assert recommend(another, minimum) == recommend(one, minimum)


@given(fields, minimums, st.integers(2, 5_000))
def test_another_currency_changes_nothing(
    choices: list[Choice], minimum: float, exchange: int
) -> None:
    abroad = [Choice(c.name, c.costs * exchange, c.benefit * exchange) for c in choices]
    assert recommend(abroad, minimum).name == recommend(choices, minimum).name
    rates = [change.rate for change in changes(choices)]
    assert [change.rate for change in changes(abroad)] == pytest.approx(rates)


@given(fields, minimums, minimums)
def test_a_higher_minimum_never_asks_for_more_money(
    choices: list[Choice], one: float, another: float
) -> None:
    low, high = sorted((one, another))
    assert recommend(choices, high).costs <= recommend(choices, low).costs


works = st.tuples(st.integers(1, 50_000), st.integers(-10_000, 150_000))  # cost and gain


@given(works, works, minimums)
def test_works_that_add_up_are_decided_each_alone(
    plough: tuple[int, int], ridge: tuple[int, int], minimum: float
) -> None:
    def pays(cost: int, gain: int) -> bool:
        return gain - cost * (1 + Fraction(minimum)) > 0

    none = 200_000  # what the field brings with neither
    choices = [
        Choice("none", 0, none),
        Choice("plough", plough[0], none + plough[1]),
        Choice("ridge", ridge[0], none + ridge[1]),
        Choice("both", plough[0] + ridge[0], none + plough[1] + ridge[1]),
    ]
    expected = {
        (False, False): "none",
        (True, False): "plough",
        (False, True): "ridge",
        (True, True): "both",
    }[pays(*plough), pays(*ridge)]
    assert recommend(choices, minimum).name == expected


# Nonsense.


@pytest.mark.parametrize(
    ("costs", "benefit"),
    [(-1, 0), (float("nan"), 0), (float("inf"), 0), (0, float("nan")), (0, float("-inf"))],
)
def test_money_must_be_an_amount(costs: float, benefit: float) -> None:
    with pytest.raises(ValueError, match=r"'some' has .*; give an amount"):
        Choice("some", costs, benefit)


def test_a_change_goes_to_a_dearer_choice() -> None:
    for after in (NONE, SOME):
        with pytest.raises(ValueError, match=f"'{after.name}' is no dearer than 'some'"):
            Change(SOME, after)


def test_a_recommendation_needs_choices() -> None:
    with pytest.raises(ValueError, match="no choices to recommend from"):
        recommend([], 1.0)


@pytest.mark.parametrize("minimum", [-0.1, float("nan"), float("inf")])
def test_a_minimum_rate_is_a_fraction_of_0_or_more(minimum: float) -> None:
    with pytest.raises(ValueError, match="minimum rate"):
        recommend([SOME], minimum)


# Hoe or spray.


def test_spraying_fifteen_acres() -> None:
    # The African Executive, February 2007 (as quoted by a maker's site), Eastern Kenya: two people
    # take 4 days for 15 acres at KSh 250 a day, product KSh 2,000 an acre: KSh 32,000; five people
    # hoe them in 10 days (its KSh 20,000 for that does not follow from its own wage).
    costs = weeding_costs(5 * 10 / 15, 2 * 4 / 15, 250, 2_000)
    assert costs.spray * 15 == pytest.approx(32_000)
    # by hand: 5 x 10 x 250 = 12,500 for one hoeing
    assert costs.hoe * 15 == pytest.approx(12_500)
    # by hand: one hoeing is cheaper than one spray up to 2,000 / (50 - 8) x 15 = 714.29 a day
    assert costs.cheaper == "hoe"
    assert costs.break_even_wage == pytest.approx(714.29, abs=0.01)


@pytest.mark.parametrize(
    ("worked", "expected", "cheaper"),
    [
        # by hand: 12 x 500 = 6,000; 1 x 500 + 3,000 = 3,500; 3,000 / 11 = 272.73
        (weeding_costs(12, 1, 500, 3_000), WeedingCosts(6_000, 3_500, 3_000 / 11), "spray"),
        # by hand: 12 x 250 = 3,000; 250 + 3,000 = 3,250
        (weeding_costs(12, 1, 250, 3_000), WeedingCosts(3_000, 3_250, 3_000 / 11), "hoe"),
        # by hand, even: 11 x 300 = 3,300; 300 + 3,000 = 3,300; so the hoe
        (weeding_costs(11, 1, 300, 3_000), WeedingCosts(3_300, 3_300, 300), "hoe"),
        # product for nothing: any wage makes the spray cheaper
        (weeding_costs(12, 1, 500, 0), WeedingCosts(6_000, 500, 0), "spray"),
        # no day saved: no wage evens them out
        (weeding_costs(1, 1, 500, 3_000), WeedingCosts(500, 3_500, None), "hoe"),
        (weeding_costs(1, 2, 500, 3_000), WeedingCosts(500, 4_000, None), "hoe"),
    ],
)
def test_weeding_by_hand(worked: WeedingCosts, expected: WeedingCosts, cheaper: str) -> None:
    assert worked == expected
    assert worked.cheaper == cheaper


days = st.floats(0.25, 60)
wages = st.floats(1, 1e5)
products = st.floats(1, 1e6)


@given(days, days, wages, products)
def test_the_break_even_wage_parts_hoe_from_spray(
    hoe_days: float, spray_days: float, wage: float, product: float
) -> None:
    costs = weeding_costs(hoe_days, spray_days, wage, product)
    even = costs.break_even_wage
    if even is None:
        assert hoe_days <= spray_days
        assert costs.cheaper == "hoe"
        return
    at_even = weeding_costs(hoe_days, spray_days, even, product)
    assert at_even.hoe == pytest.approx(at_even.spray)
    if wage > even * 1.01:  # clear of a float's dust
        assert costs.cheaper == "spray"
    if wage < even * 0.99:
        assert costs.cheaper == "hoe"


@given(st.integers(0, 60), st.integers(0, 10), st.integers(0, 9_999), st.integers(0, 99_999))
def test_hoe_or_spray_is_a_choice_at_a_minimum_rate_of_nothing(
    hoe_days: int, spray_days: int, wage: int, product: int
) -> None:
    # both leave the field alike, so the benefits are the same and only costs decide
    costs = weeding_costs(hoe_days, spray_days, wage, product)
    both = [Choice("hoe", costs.hoe, 0), Choice("spray", costs.spray, 0)]
    assert recommend(both, 0).name == costs.cheaper


@pytest.mark.parametrize("wrong", [-1, float("nan")])
@pytest.mark.parametrize("place", range(4))
def test_weeding_takes_no_numbers_below_0(place: int, wrong: float) -> None:
    numbers = [12.0, 1.0, 500.0, 3_000.0]
    numbers[place] = wrong
    with pytest.raises(ValueError, match="must each be 0 or more"):
        weeding_costs(*numbers)
