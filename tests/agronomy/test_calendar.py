"""The calendar by hand, and against shortest paths found by networkx on the distance graph.

In a simple temporal network (Dechter, Meiri and Pearl, "Temporal constraint networks",
Artificial Intelligence 49, 1991) the earliest days are the longest paths from a source, and the
last days the shortest ones. networkx finds both with its own Bellman-Ford.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import networkx as nx
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bot.agronomy.calendar import PLANT, Broken, Calendar, Facts, Link, Window, lay_out

TODAY = date(2026, 3, 1)
NAMES = ("slash", "spray_fallow", "clear", "plough", "ridge", PLANT, "gap_fill", "harvest_check")
SOURCE = "a day before all others"

Days = dict[str, int]


def day(month: int, day_of_month: int) -> date:
    return date(2026, month, day_of_month)


def after(days: int) -> date:
    return TODAY + timedelta(days=days)


# Worked examples. Days were counted on a calendar: March and May have 31, April and June 30.

# common practice: 14 days of regrowth, 14 for a full kill and at most 42 before new weeds
REGROW = Link("spray_fallow", "slash", 14, 28)
KILL = Link("clear", "spray_fallow", 14, 42)
TO_PLANT = Link(PLANT, "clear", 1, 28)
# extension guides: gaps are filled two to three weeks after planting
GAPS = Link("gap_fill", PLANT, 14, 21)
# common practice: within 24 hours of planting; no glyphosate for eight weeks
PREEMERGENCE = Link("spray_preemergence", PLANT, 0, 1)
GATE = Link("weed_check", PLANT, 56, 63)
# from memory: early varieties are lifted from nine months, most by twelve
HARVEST = Link("harvest_check", PLANT, 270, 365)

SEASON = ("spray_fallow", "clear", PLANT, "gap_fill")
SEASON_LINKS = (KILL, TO_PLANT, GAPS)


def test_two_weeks_after_a_spray_the_field_is_cleared() -> None:
    laid = lay_out(
        ["spray_fallow", "clear"],
        [KILL],
        Facts(today=day(3, 3), done={"spray_fallow": day(3, 2)}),
    )
    assert laid.windows["spray_fallow"] == Window(day(3, 2), day(3, 2), day(3, 2))
    # 2 March + 14 = 16 March; + 42 = 13 April
    assert laid.windows["clear"] == Window(day(3, 16), day(3, 16), day(4, 13))
    assert laid.broken == ()


def test_tall_grass_is_cut_regrows_and_is_sprayed() -> None:
    laid = lay_out(
        ["slash", "spray_fallow", "plough"],
        [REGROW, Link("plough", "spray_fallow", 14, 42)],
        Facts(today=day(3, 1), start=day(3, 9)),
        {"slash": 7},
    )
    # 9 March, the first day of work; a week's slack
    assert laid.windows["slash"] == Window(day(3, 9), day(3, 9), day(3, 16))
    # + 14 = 23 March; the last day is 28 after 16 March
    assert laid.windows["spray_fallow"] == Window(day(3, 23), day(3, 23), day(4, 13))
    # + 14 = 6 April; the last day is 42 after 13 April
    assert laid.windows["plough"] == Window(day(4, 6), day(4, 6), day(5, 25))


def test_what_follows_planting() -> None:
    laid = lay_out(
        [PLANT, "spray_preemergence", "gap_fill", "weed_check", "harvest_check"],
        [PREEMERGENCE, GAPS, GATE, HARVEST],
        Facts(today=day(4, 1), done={PLANT: day(4, 1)}),
    )
    assert laid.windows["spray_preemergence"] == Window(day(4, 1), day(4, 1), day(4, 2))
    # 14 and 21 days: 15 and 22 April
    assert laid.windows["gap_fill"] == Window(day(4, 15), day(4, 15), day(4, 22))
    # 8 and 9 weeks: 27 May and 3 June
    assert laid.windows["weed_check"] == Window(day(5, 27), day(5, 27), day(6, 3))
    # 270 and 365 days: 27 December, and 1 April next year
    assert laid.windows["harvest_check"] == Window(day(12, 27), day(12, 27), date(2027, 4, 1))
    assert laid.broken == ()


def test_a_leap_year_has_a_29_february() -> None:
    for year, clear in ((2026, date(2026, 3, 6)), (2028, date(2028, 3, 5))):
        sprayed = date(year, 2, 20)
        facts = Facts(today=sprayed, done={"spray_fallow": sprayed})
        assert lay_out(["spray_fallow", "clear"], [KILL], facts).windows["clear"].due == clear


def test_a_kill_60_days_old_is_too_old() -> None:
    facts = Facts(today=TODAY, done={"spray_fallow": after(-60)})
    laid = lay_out(["spray_fallow", "clear"], [KILL], facts)
    # 60 - 42 = 18 days late; still there is a day to act, today
    assert laid.broken == (Broken("clear", "spray_fallow", 18),)
    assert laid.windows["clear"] == Window(TODAY, TODAY, TODAY)


def test_a_kill_42_days_old_is_just_young_enough() -> None:
    facts = Facts(today=TODAY, done={"spray_fallow": after(-42)})
    laid = lay_out(["spray_fallow", "clear"], [KILL], facts)
    assert laid.broken == ()
    assert laid.windows["clear"] == Window(TODAY, TODAY, TODAY)


def test_start_by_to_plant_on_1_may() -> None:
    facts = Facts(today=day(3, 1), planting=day(5, 1))
    laid = lay_out(SEASON, SEASON_LINKS, facts, {PLANT: 14})
    assert laid.broken == ()
    # planting can wait two weeks for rain
    assert laid.windows[PLANT] == Window(day(3, 16), day(5, 1), day(5, 15))
    # a day before; 14 before that
    assert laid.windows["clear"].due == day(4, 30)
    assert laid.windows["spray_fallow"].due == day(4, 16)
    # and two weeks after
    assert laid.windows["gap_fill"].due == day(5, 15)
    # nothing need wait: the first days are those without a wish
    assert laid.windows["spray_fallow"].earliest == day(3, 1)
    assert laid.windows["clear"].earliest == day(3, 15)


def test_1_may_is_too_soon_on_20_april() -> None:
    laid = lay_out(SEASON, SEASON_LINKS, Facts(today=day(4, 20), planting=day(5, 1)))
    # spray on 20 April, clear on 4 May, plant on the 5th: 4 days late
    assert laid.broken == (Broken(PLANT, None, 4),)
    assert [laid.windows[each].due for each in SEASON] == [
        day(4, 20),
        day(5, 4),
        day(5, 5),
        day(5, 19),
    ]


def test_a_spray_done_early_is_cleared_in_time_for_the_wanted_day() -> None:
    facts = Facts(today=day(3, 3), planting=day(5, 1), done={"spray_fallow": day(3, 2)})
    laid = lay_out(SEASON, SEASON_LINKS, facts)
    # 42 days after the spray, not on 30 April; and planting follows within 28 days of that
    assert laid.windows["clear"] == Window(day(3, 16), day(4, 13), day(4, 13))
    assert laid.windows[PLANT].due == day(5, 1)
    assert laid.broken == ()


def test_a_spray_done_too_early_for_the_wanted_day() -> None:
    facts = Facts(today=day(3, 3), planting=day(6, 1), done={"spray_fallow": day(3, 2)})
    laid = lay_out(SEASON, SEASON_LINKS, facts)
    # to plant on 1 June, clear on 4 May at the earliest (28 days); the kill is over on 13 April
    assert laid.windows["clear"].due == day(5, 4)
    assert laid.windows[PLANT].due == day(6, 1)
    assert laid.broken == (Broken("clear", "spray_fallow", 21),)


def test_no_rain_moves_what_follows_and_nothing_done() -> None:
    done = {"spray_fallow": day(3, 2), "clear": day(3, 16)}
    dry = Facts(today=day(3, 17), done=done)
    before = lay_out(SEASON, SEASON_LINKS, dry)
    later = lay_out(SEASON, SEASON_LINKS, replace(dry, promised={PLANT: day(4, 10)}))
    assert before.windows[PLANT].due == day(3, 17)
    assert later.windows[PLANT] == Window(day(4, 10), day(4, 10), day(4, 10))
    assert later.windows["gap_fill"].due == day(4, 24)
    for each, when in done.items():
        assert later.windows[each] == Window(when, when, when)


def test_planting_put_off_too_long_after_clearing() -> None:
    facts = Facts(today=TODAY, done={"clear": TODAY}, promised={PLANT: after(30)})
    laid = lay_out(["clear", PLANT], [TO_PLANT], facts)
    assert laid.broken == (Broken(PLANT, "clear", 2),)
    assert laid.windows[PLANT].due == after(30)


def test_clearing_not_yet_begun_waits_for_planting_put_off() -> None:
    facts = Facts(today=TODAY, promised={PLANT: after(30)})
    laid = lay_out(["clear", PLANT], [TO_PLANT], facts)
    # at most 28 days before: else weeds are back
    assert laid.windows["clear"].due == after(2)
    assert laid.broken == ()


def test_links_that_contradict_keep_the_waits() -> None:
    contrary = [
        Link("clear", "spray_fallow", 14),
        Link(PLANT, "clear", 14),
        Link(PLANT, "spray_fallow", 0, 21),
    ]
    laid = lay_out(["spray_fallow", "clear", PLANT], contrary, Facts(today=TODAY))
    # 14 + 14 - 21 = 7 days too many
    assert laid.broken == (Broken(PLANT, "spray_fallow", 7),)
    assert [each.due for each in laid.windows.values()] == [TODAY, after(14), after(28)]


def test_a_link_to_an_operation_that_the_plan_lacks_binds_nothing() -> None:
    facts = Facts(today=TODAY, start=after(5))
    alone = lay_out([PLANT], [TO_PLANT, GAPS], facts)
    assert alone == lay_out([PLANT], [], facts)
    # nor does it make it wait for anything but the first day of work
    assert alone.windows[PLANT].due == after(5)


def test_an_empty_plan() -> None:
    assert lay_out([], [], Facts(today=TODAY, planting=TODAY)) == Calendar({}, ())


def test_operations_out_of_order_are_an_error_of_the_program() -> None:
    with pytest.raises(ValueError, match="clear must stand after spray_fallow"):
        lay_out(["clear", "spray_fallow"], [KILL], Facts(today=TODAY))


# Properties, on networks of any shape


@st.composite
def networks(draw: st.DrawFn) -> tuple[tuple[str, ...], tuple[Link, ...]]:
    """Draw operations, planting among them, and links from earlier to later ones."""
    chosen = draw(st.sets(st.sampled_from(NAMES), min_size=1)) | {PLANT}
    operations = tuple(each for each in NAMES if each in chosen)
    links = []
    for place, operation in enumerate(operations):
        most_links = min(place, 2)
        for before in draw(
            st.lists(st.sampled_from(operations[:place]), max_size=most_links, unique=True)
            if place
            else st.just([])
        ):
            least = draw(st.integers(0, 30))
            most = draw(st.none() | st.integers(least, least + 40))
            links.append(Link(operation, before, least, most))
    return operations, tuple(links)


@st.composite
def facts_of(draw: st.DrawFn, operations: tuple[str, ...], *, wanted: bool) -> Facts:
    """Draw what is known on TODAY: what is done lies behind it, and in any order."""
    some = st.dictionaries(st.sampled_from(operations), st.integers(-60, 0), max_size=3)
    promises = st.dictionaries(st.sampled_from(operations), st.integers(-5, 60), max_size=2)
    return Facts(
        today=TODAY,
        start=draw(st.none() | st.integers(-20, 60).map(after)),
        planting=after(draw(st.integers(-10, 200))) if wanted else None,
        done={each: after(days) for each, days in draw(some).items()},
        promised={each: after(days) for each, days in draw(promises).items()},
    )


@st.composite
def plans(
    draw: st.DrawFn, *, wanted: bool | None = False
) -> tuple[tuple[str, ...], tuple[Link, ...], Facts, dict[str, int]]:
    """Draw a whole plan: operations, links, facts and slack days."""
    operations, links = draw(networks())
    wish = draw(st.booleans()) if wanted is None else wanted
    facts = draw(facts_of(operations, wanted=wish))
    slack = draw(st.dictionaries(st.sampled_from(operations), st.integers(0, 14)))
    return operations, links, facts, slack


Plan = tuple[tuple[str, ...], tuple[Link, ...], Facts, dict[str, int]]


def numbered(days: dict[str, date]) -> Days:
    return {each: (when - TODAY).days for each, when in days.items()}


def column(laid: Calendar, name: str) -> Days:
    return numbered({each: getattr(window, name) for each, window in laid.windows.items()})


def longest(operations: tuple[str, ...], links: tuple[Link, ...], low: Days, done: Days) -> Days:
    """First days: the longest paths. Raises NetworkXUnbounded if links contradict one another."""
    graph = nx.DiGraph()
    for each in operations:
        graph.add_edge(SOURCE, each, weight=-done.get(each, low[each]))
    for link in links:
        if link.operation not in done:
            graph.add_edge(link.after, link.operation, weight=-link.least)
        if link.most is not None and link.after not in done:
            graph.add_edge(link.operation, link.after, weight=link.most)
    lengths = nx.single_source_bellman_ford_path_length(graph, SOURCE)
    return {each: -lengths[each] for each in operations}


def shortest(links: tuple[Link, ...], high: Days, done: Days) -> Days:
    """Last days: the shortest paths, for the operations that any bound of `high` reaches."""
    graph = nx.DiGraph()
    for each, days in (high | done).items():
        graph.add_edge(SOURCE, each, weight=days)
    for link in links:
        if link.operation not in done:
            if link.most is not None:
                graph.add_edge(link.after, link.operation, weight=link.most)
            if link.after not in done:
                graph.add_edge(link.operation, link.after, weight=-link.least)
    lengths = nx.single_source_bellman_ford_path_length(graph, SOURCE)
    return {each: days for each, days in lengths.items() if each != SOURCE}


def first_days(operations: tuple[str, ...], links: tuple[Link, ...], facts: Facts) -> Days:
    """What each operation's own facts allow, as days from TODAY."""
    follows = {link.operation for link in links}
    start = (facts.start - TODAY).days if facts.start else 0
    promised = numbered(dict(facts.promised))
    return {
        each: max(0, 0 if each in follows else start, promised.get(each, 0)) for each in operations
    }


def too_late(links: tuple[Link, ...], days: Days, done: Days) -> tuple[Broken, ...]:
    """The links into operations not done that these days break."""
    return tuple(
        Broken(link.operation, link.after, late)
        for link in links
        if link.most is not None and link.operation not in done
        if (late := days[link.operation] - days[link.after] - link.most) > 0
    )


def consistent(operations: tuple[str, ...], links: tuple[Link, ...], low: Days, done: Days) -> bool:
    """Whether any calendar keeps all these links."""
    try:
        days = longest(operations, links, low, done)
    except nx.NetworkXUnbounded:
        return False
    return not too_late(links, days, done)


@given(plans())
def test_without_a_wish_first_and_due_days_are_the_longest_paths(plan: Plan) -> None:
    operations, links, facts, slack = plan
    laid = lay_out(operations, links, facts, slack)
    done = numbered(dict(facts.done))
    low = first_days(operations, links, facts)
    assert (laid.broken == ()) is consistent(operations, links, low, done)
    try:
        expected = longest(operations, links, low, done)
    except nx.NetworkXUnbounded:
        assert laid.broken
        # the most days are let go, the least are not
        expected = longest(operations, tuple(replace(each, most=None) for each in links), low, done)
    assert column(laid, "earliest") == expected
    assert column(laid, "due") == expected
    assert set(laid.broken) == set(too_late(links, expected, done))


@given(plans(wanted=None))
def test_least_days_are_always_kept(plan: Plan) -> None:
    operations, links, facts, slack = plan
    laid = lay_out(operations, links, facts, slack)
    for link in links:
        if link.operation not in facts.done:
            for name in ("earliest", "due"):
                days = column(laid, name)
                assert days[link.operation] >= days[link.after] + link.least


@given(plans(wanted=None))
def test_last_days_are_the_shortest_paths_when_nothing_is_broken(plan: Plan) -> None:
    operations, links, facts, slack = plan
    laid = lay_out(operations, links, facts, slack)
    assume(not laid.broken)
    done = numbered(dict(facts.done))
    due, latest = column(laid, "due"), column(laid, "latest")
    for link in links:
        if link.operation not in done:
            if link.most is not None:
                assert latest[link.operation] <= latest[link.after] + link.most
            if link.after not in done:
                assert latest[link.operation] >= latest[link.after] + link.least
    bounded = {link.operation for link in links if link.most is not None} - {PLANT}
    high = {each: due[each] + slack.get(each, 0) for each in operations if each not in bounded}
    assert latest == shortest(links, high, done)


@given(plans(wanted=None))
def test_windows_are_in_order_and_nothing_done_moves(plan: Plan) -> None:
    operations, links, facts, slack = plan
    laid = lay_out(operations, links, facts, slack)
    assert list(laid.windows) == list(operations)
    for each, window in laid.windows.items():
        if each in facts.done:
            when = facts.done[each]
            assert window == Window(when, when, when)
        else:
            assert TODAY <= window.earliest <= window.due <= window.latest
    assert all(each.days > 0 for each in laid.broken)


@given(plans(wanted=None))
def test_the_same_facts_give_the_same_calendar(plan: Plan) -> None:
    operations, links, facts, slack = plan
    laid = lay_out(operations, links, facts, slack)
    assert lay_out(operations, links, facts, slack) == laid
    if not laid.broken:
        # in whatever order the links are written
        assert lay_out(operations, links[::-1], facts, slack) == laid


@given(plans(wanted=None), st.data())
def test_a_later_promise_never_moves_anything_earlier(plan: Plan, data: st.DataObject) -> None:
    operations, links, facts, slack = plan
    put_off = data.draw(st.sampled_from(operations))
    days = data.draw(st.integers(0, 60))
    since = facts.promised.get(put_off, TODAY)
    later = replace(facts, promised={**facts.promised, put_off: since + timedelta(days=days)})
    before = lay_out(operations, links, facts, slack)
    moved = lay_out(operations, links, later, slack)
    for name in ("earliest", "due", "latest"):
        now, then = column(moved, name), column(before, name)
        assert all(now[each] >= then[each] for each in operations)


@given(plans(wanted=True))
def test_a_wanted_day_that_can_be_met_is_met_and_led_up_to_as_late_as_can_be(plan: Plan) -> None:
    operations, links, facts, slack = plan
    assume(PLANT not in facts.done and facts.planting is not None)
    done = numbered(dict(facts.done))
    wanted = (facts.planting - TODAY).days if facts.planting else 0
    low = first_days(operations, links, facts)
    met = low | {PLANT: max(wanted, low[PLANT])}
    assume(consistent(operations, links, met, done))
    assume(longest(operations, links, met, done)[PLANT] == wanted)

    laid = lay_out(operations, links, facts, slack)
    due = column(laid, "due")
    assert laid.broken == ()
    assert due[PLANT] == wanted
    ways = nx.DiGraph((link.after, link.operation) for link in links if link.operation not in done)
    ways.remove_nodes_from(done)
    leading = nx.ancestors(ways, PLANT) if PLANT in ways else set()
    last = shortest(links, {PLANT: wanted}, done)
    assert {each: due[each] for each in leading} == {each: last[each] for each in leading}
    for link in links:
        if link.operation == PLANT and link.after not in done:
            assert due[link.after] <= wanted - link.least
    # what does not lead to planting is due as soon as the rest lets it
    assert due == longest(
        operations, links, low | {each: due[each] for each in leading | {PLANT}}, done
    )


@given(plans(wanted=True))
def test_a_wanted_day_that_is_too_early_says_by_how_much(plan: Plan) -> None:
    operations, links, facts, slack = plan
    assume(PLANT not in facts.done and facts.planting is not None)
    done = numbered(dict(facts.done))
    low = first_days(operations, links, facts)
    assume(consistent(operations, links, low, done))
    first = longest(operations, links, low, done)[PLANT]
    wanted = (facts.planting - TODAY).days if facts.planting else 0

    laid = lay_out(operations, links, facts, slack)
    wishes = [each for each in laid.broken if each.after is None]
    if wanted < first:
        assert wishes == list(laid.broken) == [Broken(PLANT, None, first - wanted)]
        assert column(laid, "due")[PLANT] == first
    else:
        assert wishes == []


@given(plans(wanted=True))
def test_a_wish_changes_no_first_day_and_none_once_planting_is_done(plan: Plan) -> None:
    operations, links, facts, slack = plan
    wished = lay_out(operations, links, facts, slack)
    free = lay_out(operations, links, replace(facts, planting=None), slack)
    assert column(wished, "earliest") == column(free, "earliest")
    if PLANT in facts.done:
        assert wished == free
