"""What goes in and out of the API, as types: the contract, and all of it.

Requests are decoded strictly: a field that is not known, or of another type, is refused. The
OpenAPI document is made from these types, so what is written of them here is what it says. Days
are ISO dates ("2026-03-31"), times RFC 3339 in UTC ("2026-03-02T06:00:00Z"), numbers E.164
("+255655512345"), languages codes of those on offer ("sw").
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Any, Literal

from msgspec import UNSET, Meta, Struct, UnsetType, field

from bot.enrolment.rows import LONGEST_NAME
from bot.reminders.rounds import FASTEST, LONGEST_DAYS
from bot.store.groups import LONGEST_NAME as LONGEST_GROUP
from bot.store.rounds import PausedFor, State

MOST_ENROLLED = 1000
"""Growers enrolled by one call."""
MOST_LISTED = 500
"""Growers listed by one call."""
MOST_SKIPPED = 1_000_000
"""Growers that a list may skip."""
MOST_DAYS = 92
"""Days that one report on deliveries tells of."""

NUMBER = r"^\+[1-9][0-9]{6,14}$"
"""A phone number as the API writes them (ITU-T E.164)."""

Name = Annotated[str, Meta(max_length=LONGEST_NAME)]
GroupName = Annotated[str, Meta(min_length=1, max_length=LONGEST_GROUP)]
Days = Annotated[int, Meta(ge=0, le=LONGEST_DAYS)]
Count = Annotated[int, Meta(ge=0)]


class Request(Struct, frozen=True, forbid_unknown_fields=True):
    """What a request may hold, and nothing else."""


# What goes wrong


class Fault(Struct, frozen=True):
    """What is wrong with a field, such as `growers[3].number`; of the whole, it is empty."""

    field: str
    reason: str


class Problem(Struct, frozen=True):
    """A request that failed, as of RFC 9457. `errors` has every fault found in what was sent."""

    title: str
    status: int
    detail: str
    errors: list[Fault] = field(default_factory=list)
    type: str = "about:blank"


# Growers


class NewGrower(Request, frozen=True):
    """A grower to enrol, as a row of an enrolment file.

    The number may be written as it is dialled in the group's country. `language` is a code or
    a language's name; empty, it is the group's. Who is not said to agree is not texted until
    they write themselves.
    """

    number: str
    group: str
    consent: bool
    name: str = ""
    village: str = ""
    language: str = ""


class Enrolment(Request, frozen=True):
    """Growers to enrol."""

    growers: Annotated[list[NewGrower], Meta(min_length=1, max_length=MOST_ENROLLED)]


class Taken(Struct, frozen=True):
    """What came of one grower of an enrolment; the number is in E.164 where it could be read."""

    number: str
    outcome: Literal["added", "changed", "unchanged", "refused"]
    reason: str = ""


class Enrolled(Struct, frozen=True):
    """What came of an enrolment: the growers in the order given, and how many of each outcome."""

    growers: list[Taken]
    added: int
    changed: int
    unchanged: int
    refused: int


class GrowerChange(Request, frozen=True):
    """What to change of a grower; what is left out stays as it is."""

    name: Name | UnsetType = UNSET
    village: Name | UnsetType = UNSET
    language: str | UnsetType = UNSET
    group: GroupName | UnsetType = UNSET
    consent: bool | UnsetType = UNSET


class Work(Struct, frozen=True):
    """The work that comes next in a grower's plan, and the day it was first due."""

    id: str
    name: str
    due: date


class Grower(Struct, frozen=True):
    """A grower. `texted` says whether more than direct replies may be sent to them.

    `stage` is the name of the operation that comes next, or not_begun, answering, finished.
    `unreachable` is why the gateway says that texts do not arrive, `call` why a person should
    ring; both are empty where all is well.
    """

    number: Annotated[str, Meta(pattern=NUMBER)]
    name: str
    village: str
    language: str
    group: str
    consent: bool
    stopped: bool
    unreachable: str
    texted: bool
    call: str
    stage: str
    next: Work | None
    days_behind: Count


class GrowersQuery(Request, frozen=True):
    """Which growers of a group to list.

    Those whose next work was due before today (behind), is due until Sunday (week), later, or
    never (none).
    """

    due: Literal["behind", "week", "later", "none"] | UnsetType = UNSET
    limit: Annotated[int, Meta(ge=1, le=MOST_LISTED)] = 100
    offset: Annotated[int, Meta(ge=0, le=MOST_SKIPPED)] = 0


class GrowerPage(Struct, frozen=True):
    """Growers by the day their next work is due. `next_offset` is null on the last page."""

    growers: list[Grower]
    next_offset: int | None


# Plans


class Operation(Struct, frozen=True):
    """One operation of a plan. `id` tells apart those that recur.

    `not_before` is the grower's word that it will not be done sooner, `late_days` how long
    after its day it was done, `product_ml` the herbicide product advised for the whole field.
    """

    id: str
    name: str
    earliest: date
    due: date
    latest: date
    done: date | None
    not_before: date | None
    late_days: Count
    product_ml: Count


class Plan(Struct, frozen=True):
    """A grower's plan, by the day each operation is due, and the day of the next reminder."""

    operations: list[Operation]
    next_reminder: date | None


class AnswerSheet(Request, frozen=True):
    """An answer sheet, as `fieldbell advise` takes it; days are strings, unknown is "unknown".

    The plan is laid out as of today, in the grower's language; the sheet's own is taken where
    theirs is not known. With `text` the plan is also sent to the grower.
    """

    sheet: dict[str, Any]
    text: bool = False


Reason = Literal["", "not_asked", "stopped", "no_consent", "unreachable", "texted_before"]


class Planned(Struct, frozen=True):
    """A plan made from a sheet, and the texts that tell it to the grower.

    Where they are not to be sent, `texted` is false and `reason` says why: not_asked, stopped,
    no_consent, unreachable, or texted_before, when these very texts have just been sent.
    """

    plan: Plan
    language: str
    texts: list[str]
    texted: bool
    reason: Reason


class Report(Request, frozen=True):
    """A report on an operation of the plan, by its id.

    Either the day it was done, or a day it will not be done before.
    """

    operation: str
    done: date | UnsetType = UNSET
    not_before: date | UnsetType = UNSET


# Groups


class Group(Struct, frozen=True):
    """A group and what it comes to; `season` is the day its last season was opened."""

    name: str
    country: str
    zone: str
    language: str
    season: date | None
    growers: Count
    behind: Count
    to_ring: Count


class GroupList(Struct, frozen=True):
    """The groups that the token reaches, by name."""

    groups: list[Group]


# Rounds


class Conditions(Request, frozen=True):
    """Whom a round is for, among its groups' growers; what is left out asks nothing.

    `operation` is what comes next for the grower, `within` the days in which it is due, and
    `behind` the least days it is overdue. `no_plan` asks for who has none under way.
    """

    languages: list[str] = field(default_factory=list)
    operation: str = ""
    within: Days | None = None
    behind: Days | None = None
    not_planted: bool = False
    no_plan: bool = False


class NewRound(Request, frozen=True):
    """A text by language, or a flow's first question, to growers of groups.

    A text may hold {name}, {village}, {group}, {operation} and {due}. Nothing is sent before the
    round is started, nor before `start`; `rate` is texts a minute.
    """

    name: Annotated[str, Meta(min_length=1, max_length=LONGEST_NAME)]
    groups: Annotated[list[GroupName], Meta(min_length=1)]
    texts: dict[str, str] = field(default_factory=dict)
    flow: str = ""
    conditions: Conditions = Conditions()
    start: Annotated[datetime, Meta(tz=True)] | None = None
    rate: Annotated[int, Meta(ge=1, le=FASTEST)] = 600


class Round(Struct, frozen=True):
    """A round. `by` is who made it.

    `paused_for` is "ceiling" for one that was paused as the month's spend had reached its ceiling.
    """

    id: str
    name: str
    by: str
    made: datetime
    groups: list[str]
    texts: dict[str, str]
    flow: str
    conditions: Conditions
    start: datetime | None
    rate: int
    state: State
    paused_for: PausedFor


class RoundList(Struct, frozen=True):
    """The rounds whose groups the token reaches, the newest first.

    A draft of the desk's without groups is listed for tokens of every group.
    """

    rounds: list[Round]


class Spoken(Struct, frozen=True):
    """How many growers a round chose in one language, and the segments of their texts."""

    growers: Count
    segments: Count


class Tally(Struct, frozen=True):
    """What one pass through a round's groups found; `progress` is the part that is done, 0 to 1.

    `left_out` counts growers by why they get no text; `cost` is in the operator's currency, null
    where no price is set.
    """

    progress: float
    chosen: Count
    languages: dict[str, Spoken]
    segments: Count
    cost: float | None
    left_out: dict[str, Count]


class Fate(Struct, frozen=True):
    """What became of a round's texts."""

    sent: int
    refused: int
    delivered: int
    failed: int


class RoundProgress(Struct, frozen=True):
    """A round, what counting it found, how far sending it has come, and what became of it."""

    round: Round
    counted: Tally
    spread: Tally
    texts: Fate


# Reports


class SeasonQuery(Request, frozen=True):
    """Which group to report on; without it, all that the token reaches."""

    group: str | UnsetType = UNSET


class Week(Struct, frozen=True):
    """What of an operation falls in the week of a Monday: still open, and done."""

    monday: date
    open: int
    done: int


class Adoption(Struct, frozen=True):
    """How an operation fares: in how many plans it is, done in how many, and how many days late.

    `product_ml` is the herbicide product advised for it on all fields.
    """

    name: str
    planned: int
    done: int
    late: int
    late_days: int
    product_ml: int
    weeks: list[Week]


class SeasonReport(Struct, frozen=True):
    """The season of groups. Growers are counted by stage, language and why they get no texts."""

    groups: list[str]
    growers: Count
    behind: Count
    to_ring: Count
    stages: dict[str, int]
    languages: dict[str, int]
    silent: dict[str, int]
    operations: list[Adoption]


class DeliveriesQuery(Request, frozen=True):
    """How many days to tell of, today's last, and of which group; without it, of all."""

    days: Annotated[int, Meta(ge=1, le=MOST_DAYS)] = 31
    group: str | UnsetType = UNSET


class Texts(Struct, frozen=True):
    """Texts of a day: heard from growers; sent, refused by the gateway, delivered, failed."""

    heard: int
    sent: int
    refused: int
    delivered: int
    failed: int
    segments: int


class Day(Struct, frozen=True):
    """A day (UTC) and its texts, all together and by kind; `cost` is null without a price."""

    day: date
    texts: Texts
    cost: float | None
    kinds: dict[str, Texts]


class DeliveryReport(Struct, frozen=True):
    """The texts of days, the oldest first. `currency` (ISO 4217) is that of costs."""

    currency: str
    days: list[Day]
