"""The pure core: a turn's own work, without Redis or HTTP."""

from __future__ import annotations

from statistics import median, quantiles
from typing import TYPE_CHECKING

from transitions import Machine

from bot.store import codec
from bot.wording.gsm import measure
from tests.benchmarks.season import seasons
from tests.benchmarks.table import Row, micros, no_collection

if TYPE_CHECKING:
    from bot.dialogue.turn import Dialogue
    from tests.benchmarks.season import Heard

GOAL_US = 150
"""One turn's own work at most, median, in microseconds."""


def rows(dialogue: Dialogue, repeats: int) -> list[Row]:
    """Measure every turn of three seasons, each with its record read and written.

    The floor is what no turn can do without: one transition of a state machine, and the same
    record decoded and encoded.
    """
    heard = seasons(dialogue)
    with no_collection():
        pairs = [(_ours(dialogue, each, repeats), _floor(each, repeats)) for each in heard]
    plans = [
        pair
        for each, pair in zip(heard, pairs, strict=True)
        if each.grower.plan is None and each.turn.grower.plan is not None
    ]
    middle = median(ours for ours, _ in pairs)
    return [
        _row("a turn, median of three seasons", pairs, f"at most {GOAL_US} us", GOAL_US / middle),
        _row("a turn, 95th percentile", [(_p95(pairs, 0), _p95(pairs, 1))]),
        _row("the turn that makes a plan", plans),
        _measuring(heard, repeats),
    ]


def _row(
    name: str, pairs: list[tuple[float, float]], goal: str = "", reserve: float | None = None
) -> Row:
    ours, floor = (median(pair[side] for pair in pairs) for side in (0, 1))
    against = "a transition, the record in and out"
    return Row(name, against, ours, floor, ours / floor, "us", goal, reserve)


def _p95(pairs: list[tuple[float, float]], side: int) -> float:
    return quantiles((pair[side] for pair in pairs), n=20)[-1]


def _ours(dialogue: Dialogue, heard: Heard, repeats: int) -> float:
    stored = codec.encode(1, heard.grower)

    def turn() -> None:
        version, grower = codec.decode(stored)
        done = dialogue.turn(grower, heard.text, heard.today, heard.channel)
        codec.encode(version + 1, done.grower)

    return micros(turn, repeats)


class _Light:
    """The least a machine can move."""

    state = "red"


_MACHINE = Machine(
    model=None,
    states=["red", "green"],
    initial="red",
    transitions=[{"trigger": "go", "source": ["red", "green"], "dest": "green"}],
    auto_transitions=False,
)
_GO = _MACHINE.events["go"]


def _floor(heard: Heard, repeats: int) -> float:
    stored = codec.encode(1, heard.turn.grower)
    light = _Light()

    def least() -> None:
        version, grower = codec.decode(stored)
        _GO.trigger(light)
        codec.encode(version + 1, grower)

    return micros(least, repeats)


def _measuring(heard: list[Heard], repeats: int) -> Row:
    texts = [reply for each in heard for reply in each.turn.replies]
    with no_collection():
        ours = micros(lambda: [measure(text) for text in texts], repeats)
        floor = micros(lambda: [len(text) for text in texts], repeats)
    each = 1000 / len(texts)
    return Row("measuring a text", "len(text)", ours * each, floor * each, ours / floor, "ns")
