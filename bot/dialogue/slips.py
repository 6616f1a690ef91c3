"""Slips of the pen in flow files, each named with its place and what was probably meant.

A key misspelt, a name that nothing has, a question that nobody may leave open.
"""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

from bot.dialogue.schema import DecisionRow, FlowFile, Sentence, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import msgspec

    from bot.agronomy.figures import Figures
    from bot.dialogue.loading import Flow
    from bot.dialogue.schema import OperationsFile

OPENING = "welcome"
"""The flow a number we have not met begins with."""

SEASON = "field"
"""The flow that begins the questions for a plan."""


class FlowError(ValueError):
    """A flow file that cannot run. The message names the file, the state and the remedy."""


def check_keys(name: str, raw: dict[str, object]) -> None:
    """Name the nearest key for one that is misspelt, and where it stands."""
    _check_map(name, raw, FlowFile)
    states = raw.get("states")
    for state, written in states.items() if isinstance(states, dict) else ():
        where = f"{name.removesuffix('.yaml')}.{state}"
        _check_map(where, written, State)
        if isinstance(written, dict):
            for key, shape in (("decide", DecisionRow), ("advise", Sentence)):
                rows = written.get(key)
                for row in rows if isinstance(rows, list) else ():
                    _check_map(where, row, shape)


def _check_map(where: str, raw: object, shape: type[msgspec.Struct]) -> None:
    if isinstance(raw, dict):
        for key in raw:
            if key not in shape.__struct_fields__:
                near = did_you_mean(str(key), shape.__struct_fields__)
                raise FlowError(f"{where}: {key!r} is not a key; {near}")


def check_names(flows: Mapping[str, Flow], file: OperationsFile, figures: Figures) -> None:
    """Check the names that one file uses and another defines."""
    for needed in (OPENING, SEASON, "menu", "report", "weeding"):
        if needed not in flows:
            raise FlowError(f"the flow {needed!r} is missing; the engine begins with it")
    for flow in flows.values():
        if flow.next:
            known(flow.name, flow.next, flows)
        for step in flow.steps.values():
            if step.state.do == "begin":
                known(step.context, step.state.flow, flows)
            named = [name for each in step.sayings for name in (each.about, each.until) if name]
            for operation in (*step.state.operations, *named):
                known(step.context, operation, file.operations)
    _check_operations(file, figures, flows)
    _check_unsure(flows)


def _check_unsure(flows: Mapping[str, Flow]) -> None:
    """Check that a grower may leave any question open, and that the plan says what it took."""
    asking = [step for flow in flows.values() for step in flow.steps.values() if step.kind == "ask"]
    for step in asking:
        state = step.state
        open_end = state.unsure is None and not state.unsure_is_unknown and not state.choose_any
        if open_end and not state.report and step.flow != OPENING:
            raise FlowError(
                f"{step.context} needs `unsure`, a safe answer for who does not know, or "
                "`unsure_is_unknown: true`"
            )
    season = SEASON
    while season:
        for step in flows[season].steps.values():
            if step.kind == "ask" and not step.state.assume and not step.state.unsure_is_unknown:
                raise FlowError(
                    f"{step.context} needs `assume`: what the plan says it took for granted"
                )
        season = flows[season].next


def _check_operations(file: OperationsFile, figures: Figures, flows: Mapping[str, Flow]) -> None:
    for link in file.links:
        for operation in (link.operation, link.after):
            known("operations.yaml, links", operation, file.operations)
        for figure in filter(None, (link.least, link.most)):
            known("operations.yaml, links", figure, figures)
        if link.most and figures[link.least] > figures[link.most]:
            raise FlowError(
                f"{link.least} is {figures[link.least]:g}, but {link.most} is "
                f"{figures[link.most]:g}; the first must not be larger"
            )
    for name, row in file.operations.items():
        for caution in row.cautions:
            known(f"operations.yaml, {name}", caution, file.cautions)
        for figure in filter(None, (row.slack, row.labour)):
            known(f"operations.yaml, {name}", figure, figures)
        if row.first:
            known(f"operations.yaml, {name}", row.first, flows)


def known(where: str, name: str, names: Iterable[str]) -> None:
    """Refuse a name that is not among those known. Raises FlowError."""
    if name not in names:
        raise FlowError(f"{where}: {name!r} is not known; {did_you_mean(name, names)}")


def did_you_mean(name: str, names: Iterable[str]) -> str:
    """Ask whether the nearest of the known names was meant."""
    close = nearest(name, names)
    return f"did you mean {close!r}?" if close else "there is none"


def nearest(name: str, known: Iterable[str]) -> str:
    """Find the known name most like this one; empty when none is known."""
    return next(iter(difflib.get_close_matches(name, list(known), n=1, cutoff=0)), "")
