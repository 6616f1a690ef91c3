"""The desk's pages with a whole union's growers, in server time: no network, no gunicorn."""

from __future__ import annotations

import random
from datetime import timedelta
from typing import TYPE_CHECKING

from msgspec.structs import replace

from bot.demo import BEGIN
from bot.settings import Settings
from bot.store.connecting import connect
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.people import People
from bot.store.rounds import Round, Rounds
from bot.store.texts import Line
from bot.web import create_app
from tests.benchmarks.season import first_talk
from tests.benchmarks.table import Row, micros, no_collection

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import redis
    from flask.testing import FlaskClient

    from bot.dialogue.records import Plan
    from bot.dialogue.turn import Dialogue

PAGE_MS = 150
OVERVIEWS_MS = 60

GROUPS = 50
"""An admin sees so many; the first holds half of all growers."""

BATCH = 5000
PLANS = 40
"""Plans are laid once and shared, each some days later than the one before."""

NOW = BEGIN.timestamp()
DAY_S = 24 * 3600


def rows(dialogue: Dialogue, url: str, growers: int, repeats: int) -> list[Row]:
    """Open every page as an admin does; the floor is the page of the password, which reads nothing."""
    with connect(url) as client, no_collection():
        client.flushdb()
        numbers = _fill(dialogue, client, growers)
        groups = Groups(client)
        names = [_name(place) for place in range(GROUPS)]
        browser = _signed_in(client)
        floor = _page_ms(browser, "/desk/password", repeats)
        found = [
            _row(
                f"{what}, {growers:,} growers", floor, _page_ms(browser, address, repeats), PAGE_MS
            )
            for what, address in _pages(numbers[0])
        ]
        read = _ms(lambda: groups.overviews(names, BEGIN.date()), repeats)
        found.append(_row(f"overviews of {GROUPS} groups", floor, read, OVERVIEWS_MS))
        cold = _ms(lambda: Groups(client).overviews(names, BEGIN.date()), repeats)
        what = "the same, first time in a process"
        found.append(Row(what, "a page that reads no growers", cold, floor, cold / floor, "ms"))
        client.flushdb()
    return found


def _row(name: str, floor: float, ours: float, goal: float) -> Row:
    against = "a page that reads no growers"
    return Row(name, against, ours, floor, ours / floor, "ms", f"at most {goal} ms", goal / ours)


def _pages(number: str) -> Iterator[tuple[str, str]]:
    yield "the desk's first page", "/desk/"
    yield f"{GROUPS} groups", "/desk/groups"
    yield "a group of half of them", f"/desk/groups/{_name(0)}"
    yield "a grower", f"/desk/growers/{number}"
    yield "the rounds", "/desk/rounds"
    yield "a round", "/desk/rounds/r0000000"
    yield "the deliveries", "/desk/deliveries"
    yield "the season", "/desk/season"


def _page_ms(browser: FlaskClient, address: str, repeats: int) -> float:
    answer = browser.get(address)
    if answer.status_code != 200:
        raise RuntimeError(f"{address} answered {answer.status}")
    return _ms(lambda: browser.get(address), repeats)


def _ms(work: Callable[[], object], repeats: int) -> float:
    return micros(work, repeats) / 1000


def _signed_in(client: redis.Redis) -> FlaskClient:
    """A browser in which an admin has signed in."""
    settings = Settings(desk_pages=True, secret="of the benchmarks only")  # noqa: S106
    app = create_app(settings, Store(client, lambda: NOW), lambda: NOW)
    people = People(client, lambda: NOW)
    people.add("amina", "admin")
    people.set_password("amina", "three goats by the well")
    user = people.user("amina")
    if user is None:
        raise RuntimeError("amina is not there, who was added")
    browser = app.test_client()
    with browser.session_transaction(path="/desk/") as session:
        session.update(name=user.name, generation=user.generation, began=int(NOW), seen=int(NOW))
    return browser


def _name(place: int) -> str:
    return f"Mirindi {place:02d}"


def _fill(dialogue: Dialogue, client: redis.Redis, growers: int) -> list[str]:
    """Put growers, half in one group, each with a plan and two texts of the last month; a round."""
    chance = random.Random(4)  # noqa: S311 - any will do
    store, groups, rounds = Store(client, lambda: NOW), Groups(client), Rounds(client)
    for place in range(GROUPS):
        groups.named(_name(place))
    planned = first_talk(dialogue, "sms")[-1].turn.grower
    plans = [_later(planned.plan, days) for days in range(-PLANS // 2, PLANS // 2)]
    numbers = [f"+2557{place:08d}" for place in range(growers)]
    for start in range(0, growers, BATCH):
        changes = []
        for place, number in enumerate(numbers[start : start + BATCH], start):
            group = _name(0 if place % 2 else 1 + place % (GROUPS - 1))
            grower = replace(
                planned,
                plan=chance.choice(plans),
                name="Neema Kato",
                village="Kanoro",
                group=group,
                stopped=chance.random() < 0.02,
                trouble="help" if chance.random() < 0.002 else "",
                waiting=(),
            )
            at = int(NOW) - chance.randrange(30 * DAY_S)
            lines = [
                Line(at, "heard", "sms", "done"),
                Line(at, "sent", "reply", "Well done.", segments=1, about="round:r0000000"),
            ]
            changes.append(Commit(number, NEW, grower, NOW + DAY_S, lines=lines))
        store.commit_many(changes)
    rounds.shelf.add(
        "r0000000",
        Round("r0000000", "Rains", "amina", int(NOW), (_name(0),), texts={"en": "Rain is late."}),
    )
    return numbers


def _later(plan: Plan | None, days: int) -> Plan:
    """A plan with every day so many days later."""
    if plan is None:
        raise RuntimeError("the first talk led to no plan; see bot.demo.ASHA")
    by = timedelta(days=days)
    operations = tuple(
        replace(
            each,
            earliest=each.earliest + by,
            due=each.due + by,
            latest=each.latest + by,
            done=each.done and each.done + by,
        )
        for each in plan.operations
    )
    return replace(plan, operations=operations)
