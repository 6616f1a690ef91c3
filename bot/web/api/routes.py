"""What a route of the API is, and what one call of it has at hand.

Each module of the API has a list of routes. The same list puts them into the app and into the
OpenAPI document, so that neither can say what the other does not.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from http import HTTPStatus
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from bot.exchange import MOST_RACES
from bot.gateways.numbers import masked
from bot.reminders.schedule import next_due
from bot.store.errors import StoreUnavailable
from bot.web.api.shapes import Fault, Problem

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from msgspec import Struct

    from bot.dialogue.records import Grower
    from bot.dialogue.turn import Dialogue
    from bot.exchange import Exchange
    from bot.store.groups import Group, Groups
    from bot.store.growers import Loaded
    from bot.store.people import People, Scope, Token
    from bot.store.rounds import Rounds

log = logging.getLogger(__name__)

MOST_BYTES = 64 * 1024
"""Bytes of a body that are read, where a route does not say otherwise."""


@dataclass(frozen=True, slots=True)
class Route:
    """One thing that can be asked of the API.

    `do` is called with the `Call`, the parts of the path by name, and what was read of the body
    or the query; it returns what is answered with `status`, or a `Problem`. Without a `scope`
    no token is asked for. `problems` are statuses it answers with beside those that follow from
    the rest.
    """

    method: str
    path: str
    do: Callable[..., Struct | Problem | Mapping[str, Any] | None]
    scope: Scope | None
    gives: type[Struct] | None
    summary: str
    status: int = 200
    body: type[Struct] | None = None
    query: type[Struct] | None = None
    problems: tuple[int, ...] = ()
    most_bytes: int = MOST_BYTES
    example: Mapping[str, Any] = field(default_factory=dict)
    """An example of the body."""

    @property
    def name(self) -> str:
        """The operation's id: `get_growers_number_plan`."""
        parts = self.path.replace("{", "").replace("}", "").replace(".", "/").split("/")
        return "_".join([self.method.lower(), *filter(None, parts)])


@dataclass(frozen=True, slots=True)
class Api:
    """What stands behind the API."""

    exchange: Exchange
    groups: Groups
    rounds: Rounds
    people: People

    @property
    def dialogue(self) -> Dialogue:
        """The conversation."""
        return self.exchange.dialogue

    def day(self, zone: str = "") -> date:
        """Return the day it is in a zone, or in the operator's where that is empty."""
        now = datetime.fromtimestamp(self.exchange.clock(), UTC)
        return now.astimezone(ZoneInfo(zone or self.exchange.settings.zone)).date()


@dataclass(frozen=True, slots=True)
class Call:
    """One call of the API with a token."""

    api: Api
    token: Token

    def record(self, what: str, whom: str = "", detail: str = "") -> None:
        """Write in the trail what was done. Never pass a text."""
        self.api.people.record(f"(token {self.token.name})", what, whom, detail)

    def refused(self, what: str) -> None:
        """Log that something was asked for that the token does not reach. Never a whole number."""
        log.warning("(token %s) asked for %s, which it does not reach", self.token.name, what)

    # What the token reaches

    def grower(self, number: str) -> Loaded | Problem:
        """Read a grower that the token reaches; any other is as good as unknown."""
        loaded = self.api.exchange.store.load(number)
        theirs = self.token.may_see(loaded.grower.group)
        if loaded.known is not None and not theirs:
            self.refused(f"the grower {masked(number)}")
        if loaded.known is None or not theirs:
            return problem(404, "there is no grower with this number")
        return loaded

    def group(self, name: str) -> Group | Problem:
        """Read a group that the token reaches."""
        found = self.api.groups.shelf.find(name)
        if found and not self.token.may_see(name):
            self.refused(f"the group {name!r}")
            found = None
        return found or problem(404, "there is no group of this name")

    def groups(self) -> dict[str, Group]:
        """Return the groups that the token reaches, by name."""
        every = self.api.groups.shelf.all()
        return {name: group for name, group in every.items() if self.token.may_see(name)}

    # Changing a grower

    def change(self, number: str, change: Callable[[Grower], Grower | Problem]) -> Grower | Problem:
        """Change a grower, whoever else does so meanwhile; return them as they then are."""
        here = self.api.exchange
        for _ in range(MOST_RACES):
            loaded = self.grower(number)
            if isinstance(loaded, Problem):
                return loaded
            changed = change(loaded.grower)
            if isinstance(changed, Problem) or changed == loaded.grower:
                return changed
            due = next_due(changed, here.settings, here.clock())
            if here.store.commit(number, loaded, changed, due=due):
                return changed
        raise StoreUnavailable(f"lost {MOST_RACES} races in a row; ask again")


def problem(status: int, detail: str, errors: Sequence[Fault] = ()) -> Problem:
    """Say that a request failed, and why."""
    return Problem(HTTPStatus(status).phrase, status, detail, [*errors])


def faulty(*errors: Fault) -> Problem:
    """Say that a request was read, and that what it says cannot be done."""
    return problem(422, "; ".join(each.reason for each in errors[:3]), errors)
