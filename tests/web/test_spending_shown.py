"""What texts cost, and a ceiling reached, at the desk and over the API."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
from api_calls import Union
from desk_visits import ASHA, JUMA, LAKE, NINE, NORTH, OFFERED, Desk, of_group
from msgspec.structs import replace

from bot.reminders.spreading import Spreader
from bot.settings import Settings
from bot.store.rounds import Round, Rounds
from bot.store.texts import Line

if TYPE_CHECKING:
    import redis

PRICED = Settings(
    secret=OFFERED.secret,
    segment_price=30.0,
    gateway_prices="coast=20",
    spend_ceiling=1000.0,
)
ONE = Round("r2345678", "Meeting", "baraka", int(NINE), (NORTH,), texts={"en": "We meet."})


def sent(segments: int, **changes: object) -> Line:
    return replace(Line(int(NINE), "sent", "reply", segments=segments), **changes)


def spend(desk: Desk) -> None:
    desk.put(ASHA, of_group(NORTH), sent(3), sent(2, gateway="coast", about="round:r1"))
    desk.put(JUMA, replace(of_group(LAKE), language="sw"), sent(1, kind="reminder"))


def at_the_desk(client: redis.Redis, settings: Settings = PRICED) -> Desk:
    return Desk(client, settings).sign_in("amina")


# Deliveries


def test_an_admin_sees_what_the_month_cost_by_gateway_language_and_kind(
    redis_client: redis.Redis,
) -> None:
    desk = at_the_desk(redis_client)
    spend(desk)
    page = desk.open("/desk/deliveries")
    # Two segments of 20 shillings, four of 30.
    assert ["coast", "English", "Rounds", "1", "2", "TZS 40.00"] in page.rows
    assert ["plain-json", "English", "Replies", "1", "3", "TZS 90.00"] in page.rows
    assert ["plain-json", "Kiswahili", "Reminders", "1", "1", "TZS 30.00"] in page.rows
    assert ["Together", "3", "6", "TZS 160.00"] in page.rows
    said = page.said.replace("\N{NO-BREAK SPACE}", " ")
    assert "TZS 160.00 of the ceiling of TZS 1,000.00 is spent, 16%; TZS 840.00 is left." in said
    assert "Africa/Dar_es_Salaam" in said


def test_an_agent_sees_nothing_of_the_whole_unions_spend(redis_client: redis.Redis) -> None:
    desk = at_the_desk(redis_client)
    spend(desk)
    page = desk.sign_in("baraka", NORTH).open("/desk/deliveries")
    assert page.status == 200
    assert "What it cost this month" not in page.said
    assert "ceiling" not in page.said


@pytest.mark.parametrize(
    ("segments", "warned", "said"),
    [
        (26, False, "When it is reached, rounds are paused"),
        (27, True, "When it is reached, rounds are paused"),
        (34, True, "Rounds are paused; all other texts go out."),
    ],
)
def test_a_ceiling_that_is_near_or_reached_stands_out(
    redis_client: redis.Redis,
    segments: int,
    warned: bool,  # noqa: FBT001
    said: str,
) -> None:
    desk = at_the_desk(redis_client)
    desk.put(ASHA, of_group(NORTH), sent(segments))
    page = desk.open("/desk/deliveries")
    assert ('<p class="warn">' in page.html) == warned
    assert said in page.said


def test_without_a_price_there_are_segments_and_no_cost(redis_client: redis.Redis) -> None:
    desk = at_the_desk(redis_client, OFFERED)
    spend(desk)
    page = desk.open("/desk/deliveries")
    assert ["plain-json", "English", "Replies", "1", "3"] in page.rows
    assert "TZS" not in page.said
    assert "is spent" not in page.said


def test_a_month_in_which_nothing_was_sent_has_no_table(redis_client: redis.Redis) -> None:
    desk = at_the_desk(redis_client)
    february = int(NINE) - 3 * 24 * 3600
    desk.put(ASHA, of_group(NORTH), sent(3, at=february))
    assert "What it cost this month" not in desk.open("/desk/deliveries").said


# Rounds at the desk


@dataclass
class Rounding:
    """A desk with a round that has been counted."""

    desk: Desk
    rounds: Rounds
    address: str = f"/desk/rounds/{ONE.id}"

    @property
    def said(self) -> str:
        return self.desk.open(self.address).said.replace("\N{NO-BREAK SPACE}", " ")

    def under(self, ceiling: float) -> Rounding:
        """Show the same under another ceiling."""
        settings = replace(PRICED, spend_ceiling=ceiling)
        desk = Desk(self.rounds.redis, settings).sign_in("baraka", NORTH)
        return Rounding(desk, self.rounds)


@pytest.fixture
def counted(redis_client: redis.Redis) -> Rounding:
    """Two growers get one segment each: 60 shillings."""
    desk = at_the_desk(redis_client).sign_in("baraka", NORTH)
    rounds = Rounds(redis_client)
    for number in (ASHA, JUMA):
        desk.put(number, of_group(NORTH))
    rounds.shelf.add(ONE.id, replace(ONE, state="counting"))
    spreader = Spreader(desk.store, desk.groups, rounds, desk.exchange.dialogue, PRICED, desk.clock)
    while spreader.tick():
        pass
    spreader.release()
    return Rounding(desk, rounds)


def test_a_round_that_costs_more_than_is_left_says_so_before_it_starts(counted: Rounding) -> None:
    over = "It costs more than is left this month: "
    assert "To 2 growers" in counted.said
    assert over not in counted.said
    assert over not in counted.under(60.0).said
    assert f"{over}TZS 59.99 of TZS 59.99." in counted.under(59.99).said
    assert over not in counted.under(0.0).said


def test_a_round_paused_at_the_ceiling_says_why_and_what_can_be_done(counted: Rounding) -> None:
    counted.desk.put(ASHA, of_group(NORTH), sent(40))
    counted.rounds.change_state(ONE.id, ("counted",), "paused", "ceiling")
    assert "reached the ceiling" in counted.said
    assert "resumed now, it would be paused again" in counted.said
    assert "TZS 300.00 is left now: it can be resumed" in counted.under(1500.0).said
    assert "There is no ceiling any more" in counted.under(0.0).said
    counted.desk.sign_in("baraka", NORTH)
    # Resumed, and then paused by an agent: then it is for no ceiling.
    for act in ("resume", "pause"):
        assert counted.desk.post(counted.address, do=act).status == 303
    assert "Paused" in counted.said
    assert "ceiling" not in counted.said


def test_a_copy_of_a_round_paused_at_the_ceiling_is_a_plain_draft(counted: Rounding) -> None:
    counted.rounds.change_state(ONE.id, ("counted",), "paused", "ceiling")
    assert counted.desk.post(counted.address, do="copy").status == 303
    copy = next(each for each in counted.rounds.shelf.all().values() if each.id != ONE.id)
    assert (copy.state, copy.paused_for) == ("draft", "")


# The API


def test_the_api_says_why_a_round_is_paused(redis_client: redis.Redis) -> None:
    union = Union(redis_client, PRICED)
    union.rounds.shelf.add(ONE.id, replace(ONE, state="running"))
    shown = union.ask("GET", f"/rounds/{ONE.id}").get_json()["round"]
    assert (shown["state"], shown["paused_for"]) == ("running", "")
    union.rounds.change_state(ONE.id, ("running",), "paused", "ceiling")
    shown = union.ask("GET", f"/rounds/{ONE.id}").get_json()["round"]
    assert (shown["state"], shown["paused_for"]) == ("paused", "ceiling")
    resumed = union.ask("POST", f"/rounds/{ONE.id}/resume").get_json()
    assert (resumed["state"], resumed["paused_for"]) == ("running", "")
