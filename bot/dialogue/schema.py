"""The shape of a flow file, as an agronomist writes it.

A flow is one topic: a name, and states. A state does one thing:

    ask       puts a question and reads the answer: `choose`, `choose_any`, `yes_no`,
              `number`, `area`, `paces`, `day` or `report`
    decide    goes where the one row leads whose conditions hold
    compute   works out figures by a named calculation (bot/dialogue/calculations.py)
    advise    says sentences, adds operations to the plan, sets facts for later decisions
    do        asks the engine for an act, such as making the plan

Each leads on by `then`, a state of the same flow or `end`; `end` goes on to the flow named by
`next`, or closes the conversation. msgspec refuses a key it does not know, so that a slip of
the pen is an error with its place and never silence.

A text whose noun goes with a number ("1 stake", "2 stakes") has two forms: bot/dialogue/texts.py.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct, field

from bot.dialogue.records import Answer
from bot.dialogue.texts import Text

END = "end"

Act = Literal[
    "make_plan",
    "report_done",
    "report_promised",
    "ask_help",
    "weed",
    "show_plan",
    "pick_operation",
    "new_field",
    "close",
    "begin",
    "go_ahead",
    "look_again",
    "take_measure",
    "show_diary",
]

Shape = Literal["rectangle", "triangle", "four_sides", "round"]
"""The shape of a field measured by its sides."""


class Number(Struct, frozen=True, forbid_unknown_fields=True):
    """A number in `unit`; its range is that of the figure of this name."""

    figure: str
    unit: Literal["cm", "m", "litre", "money", "seconds", "count"]


class Day(Struct, frozen=True, forbid_unknown_fields=True):
    """A date from `earliest` to `latest` days after today; both may be negative."""

    earliest: int
    latest: int


class DecisionRow(Struct, frozen=True, forbid_unknown_fields=True):
    """One row of a decision. `judgement` says why, where the trade leaves it open."""

    then: str
    when: dict[str, object] = field(default_factory=dict)
    judgement: str = ""


class Sentence(Struct, frozen=True, forbid_unknown_fields=True):
    """One sentence of advice, said when its conditions hold.

    With `about`, the reminder of that operation says it again. With `until`, it is said only
    while that operation is still to come; the flow's own `until` holds for all its sentences.
    With `at_once` it is said in the conversation when it is met, and not in the plan.
    """

    say: Text
    when: dict[str, object] = field(default_factory=dict)
    about: str = ""
    until: str = ""
    at_once: bool = False


class State(Struct, frozen=True, forbid_unknown_fields=True):
    """One state as written; `bot.dialogue.loading` checks that it does just one thing."""

    then: str = ""
    # ask
    ask: Text = ""
    answer: str = ""
    choose: dict[str, Text] = field(default_factory=dict)
    choose_any: dict[str, Text] = field(default_factory=dict)
    none_of_these: str = ""
    yes_no: bool = False
    number: Number | None = None
    area: bool = False
    paces: Shape | Literal[""] = ""
    day: Day | None = None
    report: bool = False
    hint: Text = ""
    unsure: Answer = None
    """What who does not know is taken to mean: a value, for a number a figure by name, for a
    day so many days from today."""
    unsure_is_unknown: bool = False
    assume: Text = ""
    """What the plan then says it has taken for granted: "the leaves are dry"."""
    on_sheet: Answer = None
    budget: int = 2
    # decide
    decide: list[DecisionRow] = field(default_factory=list)
    # compute
    compute: str = ""
    # advise
    advise: list[Sentence] = field(default_factory=list)
    operations: list[str] = field(default_factory=list)
    set: dict[str, str | bool | int] = field(default_factory=dict)
    judgement: str = ""
    # do
    do: Act | Literal[""] = ""
    flow: str = ""
    """The flow that `do: begin` begins."""


class FlowFile(Struct, frozen=True, forbid_unknown_fields=True):
    """One file of flows/: a topic of the conversation."""

    flow: str
    about: str
    states: dict[str, State]
    next: str = ""
    until: str = ""
    given: dict[str, list[str | bool | int | None]] = field(default_factory=dict)
    """Answers the engine gives before this flow starts, with every value they can have."""


class LinkRow(Struct, frozen=True, forbid_unknown_fields=True):
    """An operation follows another by at least and at most so many days, by figure name.

    With `or_never` it is left out of the plan when it can only come later than that.
    """

    operation: str
    after: str
    least: str
    most: str = ""
    or_never: bool = False


class OperationRow(Struct, frozen=True, forbid_unknown_fields=True):
    """One operation's words: its short name in a plan, the act in a reminder, its cautions."""

    name: Text
    act: Text
    why: Text
    cautions: list[str] = field(default_factory=list)
    slack: str = ""
    """Figure: how long after its due day it may still be done when nothing else says."""
    remind: Text = ""
    """A sentence added to its reminder."""
    first: str = ""
    """A flow that its reminder begins with, before it asks whether the work is done."""
    labour: str = ""
    """Figure: person-days an acre, by hand."""


class OperationsFile(Struct, frozen=True, forbid_unknown_fields=True):
    """flows/operations.yaml: the operations, their links and the cautions they carry."""

    operations: dict[str, OperationRow]
    links: list[LinkRow]
    cautions: dict[str, list[Text]]


class SentencesFile(Struct, frozen=True, forbid_unknown_fields=True):
    """flows/sentences.yaml: what the engine itself says, by name."""

    sentences: dict[str, Text]
