"""What is remembered of a grower, and what one turn yields.

Everything here is plain data. A grower is one record, so that one write makes a whole turn
true: the answers, the plan, the place in the conversation and the texts waiting to go out.
The records are arrays in msgpack (`array_like`), because a district holds many of them;
a field may therefore be added only at the end, with a default.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Literal

from msgspec import Struct, field
from msgspec.structs import replace

if TYPE_CHECKING:
    from collections.abc import Sequence

Channel = Literal["sms", "ussd"]

Answer = str | bool | int | float | None
"""An answer as kept; a day is its ISO date. None means that the grower does not know."""

Answers = dict[str, Answer]


def unsure(name: str) -> str:
    """Name the mark beside an answer that the grower did not know, and a safe one was taken."""
    return f"{name}?"


class Session(Struct, array_like=True, frozen=True):
    """A place in the conversation: which question stands, and how it was reached.

    `version` is the fingerprint of the flow the session began under; `trail` names the
    questions answered so far ("clearing.cover"), oldest first, for BACK; `about` is the
    operation a report speaks of; `tries` counts misread answers to this question; `rest` is
    what a USSD screen had no room for; `aside` is the conversation a reminder broke into.
    """

    flow: str
    state: str
    version: str
    answers: Answers = field(default_factory=dict)
    trail: tuple[str, ...] = ()
    about: str = ""
    tries: int = 0
    rest: str = ""
    aside: Session | None = None


def stem(identity: str) -> str:
    """Take the number of its recurrence from an operation's id."""
    name, _, last = identity.rpartition("_")
    return name if last.isdigit() else identity


class Operation(Struct, array_like=True, frozen=True):
    """One operation of a plan with its window. `id` is the name, numbered when it recurs."""

    id: str
    earliest: date
    due: date
    latest: date
    done: date | None = None
    promised: date | None = None
    """The grower's own word that it will not be done before this day."""
    reminded: int = 0
    reminded_on: date | None = None
    group: int | None = None
    """HRAC mode-of-action group of the herbicide, where the operation is a spray."""
    late: int = 0
    """Days past the day it was due, when it was reported done."""
    ml: int = 0
    """Millilitres of herbicide product the plan advises for it, where it is a spray."""

    @property
    def name(self) -> str:
        """The operation's name in the trade: `weed_check` for `weed_check_2`."""
        return stem(self.id)


class Reminder(Struct, array_like=True, frozen=True):
    """The next reminder a plan owes: about which operation, on which local day."""

    operation: str
    day: date


class Finding(Struct, array_like=True, frozen=True):
    """What one weed check found, and what was advised: a line of the weeding diary.

    `cover`, `stage` and `kind` are answers of flows/weeding.yaml ("" where not asked), `action`
    is wait, by_hand or spray, `group` the HRAC mode-of-action group of the spray.
    """

    day: date
    cover: str
    stage: str
    kind: str
    action: str
    group: int | None = None


class Plan(Struct, array_like=True, frozen=True):
    """A grower's operations, each after those it follows, and the reminder that comes next."""

    operations: tuple[Operation, ...]
    next_reminder: Reminder | None = None
    last_group: int | None = None
    """HRAC mode-of-action group of the last herbicide used, so that the next one differs."""
    diary: tuple[Finding, ...] = ()
    ready: tuple[str, ...] = ()
    """Operations that wait for something, such as rain, and for which it has come."""

    def in_date_order(self) -> list[Operation]:
        """Operations by the day they are due."""
        return sorted(self.operations, key=lambda each: each.due)

    def find(self, operation: str) -> Operation | None:
        """The operation with this id, if the plan has it."""
        return next((each for each in self.operations if each.id == operation), None)


Kind = Literal["reply", "reminder", "notice"]


class Waiting(Struct, array_like=True, frozen=True):
    """A text waiting to go out.

    `at` is UTC epoch seconds, 0 for now; `serial` is unique to the grower. `kind` decides what
    may cancel it: a reminder goes when its plan moves. Every kind goes when the grower opts out,
    and of what comes after that only direct replies wait.
    """

    serial: int
    at: int
    kind: Kind
    body: str
    operation: str = ""
    attempts: int = 0
    gateway: str = ""
    """The gateway that may have taken it already, so that it goes to no other."""


class Grower(Struct, array_like=True, frozen=True):
    """All that is kept of one grower, but for the phone number, which is its key."""

    language: str = ""
    zone: str = ""
    session: Session | None = None
    answers: Answers = field(default_factory=dict)
    """The answers behind the plan; offered back when the same question comes again."""
    plan: Plan | None = None
    stopped: bool = False
    waiting: tuple[Waiting, ...] = ()
    serial: int = 0
    trouble: str = ""
    """Why a person should ring this grower; empty when nothing is wrong."""
    name: str = ""
    village: str = ""
    group: str = ""
    """The group the grower is enrolled in; empty for who came without being enrolled."""
    consent: bool = True
    """Whether the grower agreed to be texted: False where an enrolment says no, until they
    write themselves."""
    unreachable: str = ""
    """Why the gateway says for good that texts do not arrive; empty once the grower writes."""
    told_stopped: date | None = None
    """The day a grower who has stopped was last told so, because they wrote; once a day will do."""
    heard_on: date | None = None
    """The day of the grower's last SMS, where they are counted."""
    heard: int = 0
    """How many SMS of that day were counted."""
    told_help: date | None = None
    """The day HELP was last answered beyond the limit of a day's texts; once a day will do."""

    @property
    def receives(self) -> bool:
        """Whether more than direct replies may be sent to this grower."""
        return self.consent and not self.stopped and not self.unreachable


class Turn(Struct, frozen=True):
    """What one text brought about: the replies, and the grower as it now is.

    `replies` are whole texts in the grower's language; on USSD there is one, a screen, and
    `more` says whether the session stays open. The effects of a turn are in the grower: texts
    waiting to go out, the plan's next reminder, a reason to ring. The store projects them into
    its indexes in the same commit.
    """

    replies: tuple[str, ...]
    grower: Grower
    more: bool = False


def enqueue(grower: Grower, bodies: Sequence[str], kind: Kind, operation: str = "") -> Grower:
    """Put texts at the end of what waits to go out, each with a serial of its own, for now."""
    texts = tuple(
        Waiting(grower.serial + place, 0, kind, body, operation)
        for place, body in enumerate(bodies, start=1)
    )
    return replace(grower, waiting=(*grower.waiting, *texts), serial=grower.serial + len(texts))
