"""Flow files made ready to run: read, checked for slips of the pen, compiled once.

Each flow becomes one `transitions` machine that all conversations share; a conversation is
only a state's name and its answers (`bot.dialogue.walk`). No machine is built in a turn.
"""

from __future__ import annotations

import logging
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import msgspec
import yaml
from transitions import EventData, Machine, Transition

from bot.agronomy.district import District, States, read_district
from bot.agronomy.figures import Figures, read_figures
from bot.dialogue.calculations import AMOUNTS, CALCULATIONS
from bot.dialogue.conditions import When, read_condition
from bot.dialogue.messages import messages
from bot.dialogue.records import stem
from bot.dialogue.schema import (
    END,
    FlowFile,
    LinkRow,
    OperationRow,
    OperationsFile,
    SentencesFile,
    State,
)
from bot.dialogue.slips import (
    OPENING,
    SEASON,
    FlowError,
    check_keys,
    check_names,
    did_you_mean,
    known,
)
from bot.dialogue.texts import count_of, slip

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from importlib.resources.abc import Traversable
    from pathlib import Path

    from bot.dialogue.records import Answer
    from bot.dialogue.texts import Text

# At INFO the library reports each state passed, which would cost more than the state.
logging.getLogger("transitions").setLevel(logging.WARNING)

_DISTRICT_FILE = "the district's file"

NOT_FLOWS = frozenset({"figures.yaml", "operations.yaml", "sentences.yaml"})

Kind = Literal["ask", "decide", "compute", "advise", "do"]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a decision: where it leads when its conditions hold."""

    when: When
    then: str
    judgement: str


@dataclass(frozen=True, slots=True)
class Saying:
    """One sentence of advice and when it is said.

    `context` names it to translators, `about` the operation whose reminder says it again, and
    `until` the operation after which it is no longer said.
    """

    when: When
    say: Text
    context: str
    about: str = ""
    until: str = ""
    at_once: bool = False
    """Said in the conversation when it is met, and not in the plan."""


@dataclass(frozen=True, slots=True)
class Step:
    """A state made ready to run. `answer` is the name its answer is kept under."""

    flow: str
    name: str
    kind: Kind
    state: State
    answer: str
    rows: tuple[Row, ...] = ()
    sayings: tuple[Saying, ...] = ()
    low: float = 0
    high: float = 0

    @property
    def context(self) -> str:
        """The state's full name, which is also what translators see beside its texts."""
        return f"{self.flow}.{self.name}"

    @property
    def answers(self) -> tuple[str, ...]:
        """The names of all answers the state's question yields."""
        if self.kind != "ask":
            return ()
        if self.state.choose_any:
            return tuple(self.state.choose_any)
        if self.state.report:
            return (self.answer, "reported_on")
        return (self.answer,)


@dataclass(frozen=True, slots=True)
class Flow:
    """One topic, compiled. `version` changes whenever any file of the folder does."""

    name: str
    version: str
    start: str
    next: str
    given: Mapping[str, list[str | bool | int | None]]
    steps: Mapping[str, Step]
    machine: Machine


@dataclass(frozen=True, slots=True)
class Flows:
    """Everything under flows/, compiled."""

    flows: Mapping[str, Flow]
    operations: Mapping[str, OperationRow]
    links: tuple[LinkRow, ...]
    cautions: Mapping[str, list[Text]]
    sentences: Mapping[str, Text]
    figures: Figures
    district: District

    def step(self, flow: str, state: str) -> Step:
        """One state by the names of its flow and itself. Raises KeyError."""
        return self.flows[flow].steps[state]

    def steps(self) -> Iterator[Step]:
        """Every state of every flow."""
        for flow in self.flows.values():
            yield from flow.steps.values()

    def season(self) -> Iterator[Flow]:
        """The flows that lead to a plan, in order."""
        name = SEASON
        while name:
            yield self.flows[name]
            name = self.flows[name].next

    @property
    def firsts(self) -> frozenset[str]:
        """Flows that the reminder of some operation begins with."""
        return frozenset(row.first for row in self.operations.values() if row.first)

    def row_name(self, identity: str) -> str:
        """The row an operation's words stand under: its id, or else its name."""
        return identity if identity in self.operations else stem(identity)

    def operation(self, identity: str) -> OperationRow:
        """The words of an operation. Raises KeyError."""
        return self.operations[self.row_name(identity)]


def read_flows(folder: Traversable | Path, district: str = "", language: str = "") -> Flows:
    """Read and compile a folder of flow files, and over it an operator's own file.

    `district` is that file's text (`bot.agronomy.district`); with `language`, what it says for
    growers of that language holds too. Raises FlowError.
    """
    texts = {
        entry.name: entry.read_text(encoding="utf-8")
        for entry in sorted(folder.iterdir(), key=lambda entry: entry.name)
        if entry.name.endswith(".yaml")
    }
    if missing := NOT_FLOWS - texts.keys():
        raise FlowError(f"the folder of flows lacks {', '.join(sorted(missing))}")
    raw = {name: _parse(name, text) for name, text in texts.items()}
    try:
        figures = read_figures(raw.pop("figures.yaml"))
    except ValueError as error:
        raise FlowError(str(error)) from error
    own_figures = _parse(_DISTRICT_FILE, district)
    try:
        figures, own = read_district(own_figures, figures)
    except ValueError as error:
        raise FlowError(f"{_DISTRICT_FILE}: {error}") from error
    for states in (own.flows, own.flows_for.get(language, {})):
        _lay_over(raw, states)
    operations = _convert("operations.yaml", raw.pop("operations.yaml"), OperationsFile)
    sentences = _convert("sentences.yaml", raw.pop("sentences.yaml"), SentencesFile)
    # One fingerprint for all: a conversation's answers come from the flows it has passed, too.
    version = f"{zlib.crc32(''.join([*texts.values(), district, language]).encode()):08x}"
    flows = {}
    for name, written in raw.items():
        flow = _compile(name, written, figures, version)
        flows[flow.name] = flow
    check_names(flows, operations, figures)
    read = Flows(
        flows=flows,
        operations=operations.operations,
        links=tuple(operations.links),
        cautions=operations.cautions,
        sentences=sentences.sentences,
        figures=figures,
        district=own,
    )
    _check_forms(read)
    return read


def _check_forms(flows: Flows) -> None:
    """Refuse a text whose forms do not belong together, or whose count is no number."""
    said = {each.context for step in flows.steps() for each in step.sayings}
    for message in messages(flows):
        count = count_of(message.source)
        try:
            wrong = slip(message.source)
        except ValueError as error:
            wrong = str(error)
        if wrong:
            raise FlowError(f"{message.context}: {wrong}; write both in full")
        if count and not message.context.startswith("sentences."):
            amounts = AMOUNTS if message.context in said else frozenset[str]()
            if not flows.figures.states(count) and count not in amounts:
                near = did_you_mean(count, [*flows.figures, *amounts])
                raise FlowError(f"{message.context}: the count {count!r} is no number; {near}")


def _lay_over(raw: dict[str, dict[str, object]], own: States) -> None:
    """Put a district's own states in the place of those of the same name, or beside them."""
    for name, states in own.items():
        file = raw.get(f"{name}.yaml")
        if file is None or not isinstance(file.get("states"), dict):
            near = did_you_mean(name, [each.removesuffix(".yaml") for each in raw])
            raise FlowError(f"{_DISTRICT_FILE}: no flow is named {name!r}; {near}")
        raw[f"{name}.yaml"] = file | {"states": {**dict(file["states"]), **states}}  # type: ignore[call-overload]


_T = TypeVar("_T")


def _parse(name: str, text: str) -> dict[str, object]:
    try:
        raw = yaml.load(text, Loader=_Loader)  # noqa: S506 - a SafeLoader that builds no objects
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        why = " ".join(str(error).split())
        raise FlowError(f"{name} is not readable as YAML: {why}") from error
    if raw is None and name == _DISTRICT_FILE:
        return {}  # nothing but comments, so that nothing is set
    if not isinstance(raw, dict):
        raise FlowError(f"{name} must be a map of keys to values")
    return raw


class _Loader(yaml.SafeLoader):
    """YAML that refuses a key given twice, of which one would be lost without a word."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[object, object]:  # noqa: FBT001, FBT002 - PyYAML's signature
        keys = [self.construct_object(key, deep=deep) for key, _ in node.value]
        for position, key in enumerate(keys):
            if key in keys[:position]:
                raise yaml.YAMLError(f"{key!r} stands twice; {node.start_mark}")
        return super().construct_mapping(node, deep=deep)


def _convert(name: str, raw: dict[str, object], shape: type[_T]) -> _T:
    try:
        return msgspec.convert(raw, shape)
    except msgspec.ValidationError as error:
        raise FlowError(f"{name}: {error}") from error


def _compile(name: str, raw: dict[str, object], figures: Figures, version: str) -> Flow:
    check_keys(name, raw)
    file = _convert(name, raw, FlowFile)
    if name != f"{file.flow}.yaml":
        raise FlowError(f"{name} holds the flow {file.flow!r}; name the file {file.flow}.yaml")
    if not file.states:
        raise FlowError(f"{name} has no states")
    steps = {
        state: _compile_state(file, state, written, figures)
        for state, written in file.states.items()
    }
    return Flow(
        name=file.flow,
        version=version,
        start=next(iter(steps)),
        next=file.next,
        given=file.given,
        steps=steps,
        machine=_machine(steps),
    )


def _compile_state(file: FlowFile, name: str, state: State, figures: Figures) -> Step:
    where = f"{file.flow}.{name}"
    kind = _kind(where, state)
    if kind == "ask":
        _check_question(where, state)
    if kind == "compute" and state.compute not in CALCULATIONS:
        near = did_you_mean(state.compute, CALCULATIONS)
        raise FlowError(f"{where} computes {state.compute!r}; {near}")
    if (kind in {"decide", "do"}) == bool(state.then):
        raise FlowError(f"{where} {'must not have' if state.then else 'needs'} a `then`")
    try:
        number = figures.row(state.number.figure) if state.number else None
        rows = tuple(Row(_when(row.when, figures), row.then, row.judgement) for row in state.decide)
        sayings = tuple(
            Saying(
                when=_when(each.when, figures),
                say=each.say,
                context=f"{where}.{place}",
                about=each.about,
                until=each.until or file.until,
                at_once=each.at_once,
            )
            for place, each in enumerate(state.advise, start=1)
        )
    except (KeyError, ValueError) as error:
        raise FlowError(f"{where}: {error.args[0]}") from error
    low, high = (number.low, number.high) if number else (0.0, 0.0)
    if number:
        state = msgspec.structs.replace(
            state,
            unsure=_figure(where, state.unsure, figures),
            on_sheet=_figure(where, state.on_sheet, figures),
        )
    return Step(file.flow, name, kind, state, state.answer or name, rows, sayings, low, high)


def _figure(where: str, taken: Answer, figures: Figures) -> Answer:
    """Give the number that is taken for granted, which may stand there as a figure's name."""
    if not isinstance(taken, str):
        return taken
    known(where, taken, figures)
    value = figures[taken]
    return int(value) if value.is_integer() else value


def _kind(where: str, state: State) -> Kind:
    doing: dict[Kind, bool] = {
        "ask": bool(state.ask),
        "decide": bool(state.decide),
        "compute": bool(state.compute),
        "advise": bool(state.advise or state.operations or state.set),
        "do": bool(state.do),
    }
    kinds = [kind for kind, does in doing.items() if does]
    if len(kinds) != 1:
        raise FlowError(f"{where} must do one thing ({', '.join(doing)}), not {kinds or 'none'}")
    return kinds[0]


def _check_question(where: str, state: State) -> None:
    readers = {
        "choose": bool(state.choose),
        "choose_any": bool(state.choose_any),
        "yes_no": state.yes_no,
        "number": state.number is not None,
        "area": state.area,
        "paces": bool(state.paces),
        "day": state.day is not None,
        "report": state.report,
    }
    chosen = [reader for reader, on in readers.items() if on]
    if where == f"{OPENING}.language":
        return  # its choices are the languages on offer
    if len(chosen) != 1:
        raise FlowError(f"{where} needs one way to answer ({', '.join(readers)}), not {chosen}")
    if state.choose_any and not state.none_of_these:
        raise FlowError(f"{where} needs none_of_these, for when nothing fits")
    if state.unsure is not None and state.choose and state.unsure not in state.choose:
        raise FlowError(f"{where}: unsure must be one of its choices")


def _when(raw: dict[str, object], figures: Figures) -> When:
    return When(
        tuple((name, read_condition(value, figures.__getitem__)) for name, value in raw.items())
    )


class _Going(Transition):
    """A transition without callbacks: looking for them would cost more than all else it does."""

    def execute(self, event_data: EventData) -> bool:
        """Move the walk if the row's conditions hold."""
        if not self._eval_conditions(event_data):
            return False
        walk: Any = event_data.model
        walk.state = self.dest
        return True


class _Machine(Machine):
    transition_cls = _Going


def _machine(steps: Mapping[str, Step]) -> Machine:
    """One machine for all conversations; a row's conditions are its transition's conditions."""
    transitions: list[dict[str, object]] = []
    for step in steps.values():
        if step.state.then:
            transitions.append({"trigger": "go", "source": step.name, "dest": step.state.then})
        transitions.extend(
            {
                "trigger": "go",
                "source": step.name,
                "dest": row.then,
                "conditions": [row.when.holds],
            }
            for row in step.rows
        )
    for transition in transitions:
        if transition["dest"] not in steps and transition["dest"] != END:
            first = next(iter(steps.values()))
            raise FlowError(
                f"{first.flow}.{transition['source']} leads to {transition['dest']!r}; "
                f"{did_you_mean(str(transition['dest']), [*steps, END])}"
            )
    return _Machine(
        model=None,
        states=[*steps, END],
        initial=next(iter(steps)),
        transitions=transitions,
        auto_transitions=False,
        queued=False,
    )


def is_given(answers: Mapping[str, Answer], step: Step) -> bool:
    """Whether all answers of a question are there."""
    return all(name in answers for name in step.answers)
