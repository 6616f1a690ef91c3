"""Walking a flow: from a state, through what the answers decide, to the next open question.

This is the one way through the flows. A conversation walks from question to question; an
answer sheet and the making of a plan walk the whole season at once; the proof walks every
case. `transitions` moves the walk: a walk is a model of the flow's shared machine.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bot.dialogue.calculations import CALCULATIONS, MEASURED
from bot.dialogue.loading import Flows, Saying, Step, is_given
from bot.dialogue.records import unsure
from bot.dialogue.schema import END
from bot.dialogue.slips import SEASON

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bot.dialogue.records import Answer


class Walk:
    """Where a walk stands, and what it has met.

    `given` are answers known beforehand; `answers` only those asked for on this very path,
    with the facts and figures derived from them, so that an answer the path never asks for
    decides nothing. `said` and `operations` are in the order met; `assumed` are the questions
    whose answer the grower did not know, so that a safe one was taken.
    """

    __slots__ = (
        "answers",
        "asked",
        "assumed",
        "flow",
        "flows",
        "given",
        "operations",
        "said",
        "state",
    )

    def __init__(
        self,
        flows: Flows,
        flow: str,
        state: str,
        answers: Mapping[str, Answer],
        given: Mapping[str, Answer] | None = None,
    ) -> None:
        self.flows = flows
        self.flow = flow
        self.state = state
        self.answers: dict[str, Answer] = dict(answers)
        self.given: Mapping[str, Answer] = {} if given is None else given
        self.asked: list[Step] = []
        self.assumed: list[Step] = []
        self.said: list[Saying] = []
        self.operations: list[str] = []

    @classmethod
    def season(cls, flows: Flows, given: Mapping[str, Answer]) -> Walk:
        """Walk from the first question for a plan as far as the given answers reach.

        What was measured outside the season's own questions is known from the start.
        """
        measured = {name: given[name] for name in MEASURED if name in given}
        walk = cls(flows, SEASON, flows.flows[SEASON].start, measured, given)
        walk.on()
        return walk

    @property
    def step(self) -> Step | None:
        """The state the walk stands at; None when the flow has ended."""
        return None if self.state == END else self.flows.step(self.flow, self.state)

    def on(self) -> Step | None:
        """Walk on to the next open question or act, and return it; None at the end."""
        while (step := self.step) is not None:
            match step.kind:
                case "ask":
                    if not is_given(self.answers, step) and not self._take(step):
                        return step
                case "do":
                    return step
                case "compute":
                    calculation = CALCULATIONS[step.state.compute]
                    self.answers.update(calculation.work(self.answers, self.flows.figures))
                case "advise":
                    self.said += [each for each in step.sayings if each.when.holds(self.answers)]
                    self.operations += step.state.operations
                    self.answers.update(step.state.set)
                case "decide":
                    pass
            self.leave(step)
        return None

    def _take(self, step: Step) -> bool:
        """Take a question's answers from those given beforehand, if they are there."""
        if not is_given(self.given, step):
            return False
        self.asked.append(step)
        self.answers.update({name: self.given[name] for name in step.answers})
        if unsure(step.answer) in self.given:
            self.assumed.append(step)
        return True

    def kept(self) -> dict[str, Answer]:
        """Give what is worth keeping of a season's answers: those asked for, and the measured."""
        kept = {name: self.answers[name] for name in MEASURED if name in self.answers}
        kept |= {name: self.answers[name] for step in self.asked for name in step.answers}
        return kept | {unsure(step.answer): True for step in self.assumed}

    def leave(self, step: Step) -> None:
        """Go to the state that follows, in the next flow where this one ends."""
        flow = self.flows.flows[step.flow]
        if not flow.machine.events["go"].trigger(self, self.answers):
            raise LookupError(
                f"no row of {step.context} fits {self.answers}; run `fieldbell check`, "
                "which prints every such case"
            )
        if self.state == END and flow.next:
            self.flow = flow.next
            self.state = self.flows.flows[flow.next].start
