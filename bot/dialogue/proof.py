"""Proving the flows before anyone meets them: what `fieldbell check` runs.

Conditions are sets and intervals over declared answers, so every case can be tried. The proof
walks the flows with every combination of answers that a later decision still looks at (a live
answer), one representative for all numbers between two bounds (`conditions.cells`). On the way
it shows that

- every state is reached, and from every state the conversation can end;
- at every decision exactly one row fits, and every row fits somewhere;
- no answer is looked at, and no amount stated, before it is given;
- every text fits its channel in every language, filled with the longest real values.

A fault comes with a counter-example: the answers that lead to it, as an answer sheet.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bot.dialogue.calculations import CALCULATIONS, PLACEHOLDERS, SOIL
from bot.dialogue.conditions import cells
from bot.dialogue.schema import END
from bot.dialogue.slips import OPENING, SEASON
from bot.dialogue.texts import names
from bot.wording.languages import SOURCE

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from bot.dialogue.loading import Flows, Step
    from bot.dialogue.records import Answer, Answers
    from bot.dialogue.texts import Text


@dataclass(frozen=True, slots=True)
class Fault:
    """Something the proof found. `answers` are a counter-example, where there is one."""

    where: str
    what: str
    answers: Answers | None = None

    def __str__(self) -> str:
        """Write the fault, and the counter-example as an answer sheet."""
        if self.answers is None:
            return f"{self.where}: {self.what}"
        return f"{self.where}: {self.what}\n    {{{_sheet(self.answers)}}}"


_DERIVED = frozenset({"go_on", "date_kind", "steps_counted", "shape", "paced_area"})
"""Answers that a sheet gives by other means, or not at all."""


def _sheet(answers: Answers) -> str:
    """Write answers as the keys of an answer sheet, on one line."""
    soil = ", ".join(f"{name}: {_written(answers[name])}" for name in SOIL if name in answers)
    keys = {"soil": f"{{{soil}}}"} if soil else {}
    for name, value in answers.items():
        if name == "area":
            keys[name] = "{value: 1, unit: acre}"
        elif name not in SOIL and name not in _DERIVED:
            keys[name] = _written(value)
    return ", ".join(f"{name}: {value}" for name, value in keys.items())


def _written(value: Answer) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return "null" if value is None else str(value)


def prove(flows: Flows) -> list[Fault]:
    """Walk every flow through every case. An empty list is the proof."""
    explorer = _Explorer(flows)
    entrances = [
        OPENING,
        SEASON,
        *(flow.name for flow in flows.flows.values() if flow.name not in _following(flows)),
    ]
    for name in dict.fromkeys(entrances):
        explorer.explore(name)
    return [*explorer.faults.values(), *explorer.unused(), *_endless(flows), *_unknown(flows)]


def _following(flows: Flows) -> set[str]:
    return {flow.next for flow in flows.flows.values() if flow.next}


@dataclass(frozen=True, slots=True)
class _Case:
    """A place in the flows, with what is known there. `known` names every answer given."""

    flow: str
    state: str
    live: tuple[tuple[str, Answer], ...]
    known: frozenset[str]


class _Explorer:
    """Walks every case, breadth first, so that a counter-example is a short one."""

    def __init__(self, flows: Flows) -> None:
        self.flows = flows
        self.faults: dict[tuple[str, str], Fault] = {}
        self.reached: set[tuple[str, str]] = set()
        self.rows_used: set[tuple[str, str, int]] = set()
        self._assumed: list[tuple[Step, Answers]] = []
        self._live = _live_answers(flows)
        self._edges = _edges(flows)
        self._said = {name for step in flows.steps() for name in step.answers}
        self._said |= {name for flow in flows.flows.values() for name in flow.given}

    def explore(self, name: str) -> None:
        """Walk one flow, and those that follow it, from its start."""
        flow = self.flows.flows[name]
        starts: list[Answers] = [{}]
        for answer, values in flow.given.items():
            starts = [{**start, answer: value} for start in starts for value in values]
        queue: deque[tuple[_Case, Answers]] = deque()
        seen: set[_Case] = set()
        for start in starts:
            self._enter(queue, seen, name, flow.start, start)
        while queue or self._assumed:
            if not queue:
                self._assume(queue, seen)
                continue
            case, answers = queue.popleft()
            step = self.flows.step(case.flow, case.state)
            self.reached.add((case.flow, case.state))
            for state, after in self._beyond(step, answers):
                flow_name, entered = case.flow, state
                if state == END:
                    flow_name = self.flows.flows[case.flow].next
                    if not flow_name:
                        continue
                    entered = self.flows.flows[flow_name].start
                self._enter(queue, seen, flow_name, entered, after)

    def _assume(self, queue: deque[tuple[_Case, Answers]], seen: set[_Case]) -> None:
        """Go on from results that no tried answers gave, but that a calculation may still give.

        They come last, so that a counter-example has answers that really lead to it, if any do.
        """
        for step, answers in self._assumed:
            self._enter(queue, seen, step.flow, step.state.then, answers)
        self._assumed.clear()

    def _enter(
        self,
        queue: deque[tuple[_Case, Answers]],
        seen: set[_Case],
        flow: str,
        state: str,
        answers: Answers,
    ) -> None:
        live = self._live[flow, state]
        case = _Case(
            flow,
            state,
            tuple(sorted((name, value) for name, value in answers.items() if name in live)),
            frozenset(answers),
        )
        if case not in seen:
            seen.add(case)
            queue.append((case, answers))

    def _beyond(self, step: Step, answers: Answers) -> Iterator[tuple[str, Answers]]:
        """Every state that can follow, with the answers as they then are."""
        match step.kind:
            case "ask":
                for given in self._possible(step):
                    yield step.state.then, {**answers, **given}
            case "compute":
                for result in self._computed(step, answers):
                    yield step.state.then, {**answers, **result}
            case "advise":
                for saying in step.sayings:
                    if saying.when.holds(answers):
                        self._check_amounts(step, saying.say, answers)
                yield step.state.then, {**answers, **step.state.set}
            case "decide":
                yield from self._decide(step, answers)
            case "do":
                return

    def _computed(self, step: Step, answers: Answers) -> list[Answers]:
        """The result of a calculation for these answers; others it may have are put aside."""
        calculation = CALCULATIONS[step.state.compute]
        if absent := sorted(set(calculation.needs) - answers.keys()):
            what = f"{step.state.compute} needs {', '.join(absent)}, not given before"
            self._fault(step, what, answers)
        results: list[Answers] = [{}]
        for name, values in calculation.yields.items():
            results = [{**each, name: value} for each in results for value in values]
        if absent:
            return results
        if not calculation.exact:
            self._assumed += [(step, {**answers, **result}) for result in results]
        return [calculation.work(answers, self.flows.figures)]

    def _decide(self, step: Step, answers: Answers) -> Iterator[tuple[str, Answers]]:
        fitting = []
        for place, row in enumerate(step.rows):
            if absent := sorted(row.when.names - answers.keys()):
                others = [(n, c) for n, c in row.when.conditions if n in answers]
                if all(condition.holds(answers[name]) for name, condition in others):
                    self._fault(
                        step,
                        f"row {place + 1} looks at {', '.join(absent)} before it is given",
                        answers,
                    )
                continue
            if row.when.holds(answers):
                fitting.append(place)
        if not fitting:
            self._fault(step, "no row fits", answers)
        if len(fitting) > 1:
            rows = " and ".join(str(place + 1) for place in fitting)
            self._fault(step, f"rows {rows} both fit", answers)
        for place in fitting:
            self.rows_used.add((step.flow, step.name, place))
            yield step.rows[place].then, answers

    def _possible(self, step: Step) -> Iterator[Answers]:
        """Every answer to a question that a decision could tell apart."""
        state = step.state
        if state.choose_any:
            choices: list[Answers] = [{}]
            for name in step.answers:
                choices = [{**each, name: value} for each in choices for value in (True, False)]
            yield from choices
            return
        if state.report:
            for report in ("done", "not_yet", "help"):
                for day in (_DAY, None):
                    if not (report == "help" and day):
                        yield {step.answer: report, "reported_on": day}
            return
        for value in self._values(step):
            yield {step.answer: value}

    def _values(self, step: Step) -> list[Answer]:
        """Values of one answer, one for each way it can be told apart."""
        state = step.state
        if state.yes_no:
            return [True, False]
        if state.day:
            return [_DAY]
        if state.area:
            return ["1 acre", None]
        if state.paces:
            return ["1 acre"]
        if state.number:
            edges = self._edges.get(step.answer, set())
            values = cells([], step.low, step.high, edges)
            kept = values if edges else [values[0], values[-1]]
            return [*kept, None] if state.unsure_is_unknown else kept
        return list(state.choose) or [SOURCE]  # the languages on offer

    def _check_amounts(self, step: Step, text: Text, answers: Answers) -> None:
        """Check that what an amount in advice is worked out from has been given."""
        for name in sorted(names(text)):
            for need in PLACEHOLDERS.get(name, ()):
                given = [answers.get(each) for each in need.split("|")]
                if all(each is None for each in given) or (need == "fallow_spray" and not given[0]):
                    self._fault(step, f"{{{name}}} needs {need}, which is not given", answers)

    def _fault(self, step: Step, what: str, answers: Answers | None) -> None:
        """Keep the first counter-example of each kind of fault: it is the shortest."""
        self.faults.setdefault(
            (step.context, what), Fault(step.context, what, answers and self._given(answers))
        )

    def _given(self, answers: Answers) -> Answers:
        """What a grower said, without what the flows made of it."""
        return {name: value for name, value in answers.items() if name in self._said}

    def unused(self) -> Iterator[Fault]:
        """States that no answers lead to, and rows that never fit."""
        for step in self.flows.steps():
            if (step.flow, step.name) not in self.reached:
                yield Fault(step.context, "no answers lead here")
                continue
            for place, _ in enumerate(step.rows):
                if (step.flow, step.name, place) not in self.rows_used:
                    yield Fault(step.context, f"row {place + 1} never fits")


_DAY = "2026-03-12"


def _edges(flows: Flows) -> Mapping[str, set[float]]:
    """The numbers at which some condition on each answer changes."""
    edges: dict[str, set[float]] = {}
    for step in flows.steps():
        for when in (*(row.when for row in step.rows), *(each.when for each in step.sayings)):
            for name, condition in when.conditions:
                edges.setdefault(name, set()).update(condition.edges())
    return edges


def _live_answers(flows: Flows) -> Mapping[tuple[str, str], frozenset[str]]:
    """For each state, the answers that it or a later state still looks at (backward, to rest)."""
    live: dict[tuple[str, str], frozenset[str]] = {
        (step.flow, step.name): frozenset() for step in flows.steps()
    }
    changed = True
    while changed:
        changed = False
        for step in flows.steps():
            needed = _looked_at(step)
            for flow, state in _targets(flows, step):
                needed |= live[flow, state] - frozenset(step.answers)
            if needed != live[step.flow, step.name]:
                live[step.flow, step.name] = needed
                changed = True
    return live


def _looked_at(step: Step) -> frozenset[str]:
    found: set[str] = set()
    if step.kind == "compute":
        found.update(CALCULATIONS[step.state.compute].needs)
    for when in (*(row.when for row in step.rows), *(each.when for each in step.sayings)):
        found |= when.names
    for text in (each.say for each in step.sayings):
        for name in names(text):
            found.update(each for need in PLACEHOLDERS.get(name, ()) for each in need.split("|"))
    return frozenset(found)


def _targets(flows: Flows, step: Step) -> Iterable[tuple[str, str]]:
    """The states that can follow a state, across the end of its flow."""
    for then in filter(None, [step.state.then, *(row.then for row in step.rows)]):
        if then != END:
            yield step.flow, then
        elif following := flows.flows[step.flow].next:
            yield following, flows.flows[following].start


def _endless(flows: Flows) -> Iterator[Fault]:
    """States from which no way leads to an act or an end."""
    ending = {
        (step.flow, step.name)
        for step in flows.steps()
        if step.kind == "do"
        or (
            END in (step.state.then, *(row.then for row in step.rows))
            and not flows.flows[step.flow].next
        )
    }
    grew = True
    while grew:
        grew = False
        for step in flows.steps():
            here = (step.flow, step.name)
            if here not in ending and any(target in ending for target in _targets(flows, step)):
                ending.add(here)
                grew = True
    for step in flows.steps():
        if (step.flow, step.name) not in ending:
            yield Fault(step.context, "the conversation can never end from here")


def _unknown(flows: Flows) -> Iterator[Fault]:
    """Placeholders that nothing fills. Only advice can state amounts, only a report an `act`."""
    for step in flows.steps():
        state = step.state
        labels = (*state.choose.values(), *state.choose_any.values(), state.none_of_these)
        for text in (state.ask, state.hint, state.assume, *labels):
            for name in sorted(names(text) - {"act"}):
                if not flows.figures.states(name):
                    yield Fault(
                        step.context, f"{{{name}}} is neither a figure nor an amount known here"
                    )
        for saying in step.sayings:
            for name in sorted(names(saying.say) - PLACEHOLDERS.keys()):
                if not flows.figures.states(name):
                    yield Fault(step.context, f"{{{name}}} is neither a figure nor an amount")
