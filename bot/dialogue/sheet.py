"""Answer sheets: a whole field's answers in one file, advised on without a conversation.

`read_sheet` checks a sheet and says of each slip what is wrong, one line each; the advice is
worked out in `bot.dialogue.advice`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

from bot.agronomy.area import Area, closes
from bot.dialogue.calculations import FAULTS, SOIL
from bot.dialogue.loading import Flows, Step, is_given
from bot.dialogue.reckoning import TESTED, area_of
from bot.dialogue.records import stem, unsure
from bot.dialogue.schema import END
from bot.dialogue.slips import nearest
from bot.dialogue.texts import plain
from bot.dialogue.walk import Walk

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bot.dialogue.records import Answers

SEASON_DAYS = 550
"""How far from today a sheet's days may lie, back or ahead."""
CENTURY = 36525
"""How far from the day it is read a sheet's own today may lie, in days."""

# Keys that are not the answer to one question of the same name.
_SPECIAL = (
    "language",
    "area",
    "soil",
    "today",
    "start_date",
    "planting_date",
    "rain_expected",
    "done",
    "spray_volume_l_per_ha",
    "sprouted_of_20",
    "wage_per_day",
    "herbicide_cost_per_acre",
)

UNKNOWN = "unknown"
"""What a sheet says for an answer that is not known; null says it too, but for a day."""


@dataclass(slots=True)
class Sheet:
    """A sheet as read: its answers, or the faults found, a line each."""

    language: str = "en"
    today: date = date.min
    answers: Answers = field(default_factory=dict)
    done: dict[str, date] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)


def read_sheet(raw: object, flows: Flows, languages: Mapping[str, object], today: date) -> Sheet:
    """Read a sheet; `today` holds where the sheet itself names no other day.

    Faults are lines for the person who filled in the sheet: an unknown key with the nearest
    known one, a value out of range with its range, a missing key with its question.
    """
    sheet = Sheet(today=today)
    if not isinstance(raw, dict):
        sheet.faults.append("the sheet must be a list of keys and values, such as `cover: grass`")
        return sheet
    questions = {
        step.answer: step
        for flow in flows.season()
        for step in flow.steps.values()
        if step.kind == "ask" and step.context not in _NOT_ON_SHEETS
    }
    known = sorted({*_SPECIAL, *questions} - {"fertile"})
    for key in raw:
        if key not in known:
            sheet.faults.append(
                f"{key}: not a key of a sheet; did you mean {nearest(str(key), known)}?"
            )
    reader = _SheetReader(raw, sheet, flows)
    reader.read(questions, languages)
    if not sheet.faults:
        sheet.faults += _missing(flows, sheet.answers)
    return sheet


_PACED = frozenset(
    {
        "field.steps_counted",
        "field.shape",
        "field.paces_of_rectangle",
        "field.paces_of_four_sides",
        "field.paces_of_triangle",
        "field.paces_around",
    }
)
"""Questions of a field that is paced: a sheet gives its sides in metres."""

_NOT_ON_SHEETS = _PACED | {"field.faults", "field.go_on", "planting.date_kind"}
"""Questions that a sheet answers by keys of its own, or not at all."""


class _SheetReader:
    """Reads each key of a sheet into the answers of a season."""

    def __init__(self, raw: dict[object, object], sheet: Sheet, flows: Flows) -> None:
        self.raw = raw
        self.sheet = sheet
        self.flows = flows

    def read(self, questions: Mapping[str, Step], languages: Mapping[str, object]) -> None:
        raw, sheet = self.raw, self.sheet
        if "today" in raw:
            sheet.today = self._day("today", raw["today"], sheet.today, CENTURY) or sheet.today
        language = raw.get("language", sheet.language)
        if isinstance(language, str) and language in languages:
            sheet.language = language
        else:
            self._fault(
                "language", f"{_shown(language)} is not on offer; choose {', '.join(languages)}"
            )
        self._area()
        self._soil()
        for name, step in questions.items():
            if name in raw and name not in _SPECIAL and name != "fertile":
                self._question(name, step, raw[name])
        self._sprouting()
        self._on_sheet()
        self._days()
        self._done()
        for name in ("wage_per_day", "herbicide_cost_per_acre"):
            if name in raw:
                row = self.flows.figures.row(name)
                self._number(name, row.low, row.high, raw[name])
        if "spray_volume_l_per_ha" in raw:
            row = self.flows.figures.row("default_spray_volume_l_per_ha")
            self._number("spray_volume_l_per_ha", row.low, row.high, raw["spray_volume_l_per_ha"])

    def _fault(self, key: str, text: str) -> None:
        self.sheet.faults.append(f"{key}: {text}")

    def _question(self, name: str, step: Step, value: object) -> None:
        state = step.state
        if value in (None, UNKNOWN):
            self._unknown(name, step)
        elif state.choose:
            if isinstance(value, str) and value in state.choose:
                self.sheet.answers[name] = value
            else:
                shown, near = _shown(value), nearest(_shown(value), state.choose)
                choices = ", ".join(state.choose)
                self._fault(name, f"{shown} is not one of {choices}; did you mean {near}?")
        elif state.yes_no:
            self._truth(name, value)
        elif state.number:
            whole = state.number.unit == "count"
            self._number(name, step.low, step.high, value, whole=whole)

    def _unknown(self, name: str, step: Step) -> None:
        """Take the safe answer for one that is not known, and mark it, as a conversation does."""
        self.sheet.answers[name] = step.state.unsure
        self.sheet.answers[unsure(name)] = True

    def _truth(self, name: str, value: object) -> None:
        if isinstance(value, bool):
            self.sheet.answers[name.rpartition(".")[2]] = value
        else:
            self._fault(name, f"{_shown(value)} must be true or false")

    def _number(
        self, name: str, low: float, high: float, value: object, *, whole: bool = False
    ) -> None:
        if (
            isinstance(value, bool)
            or not isinstance(value, int if whole else int | float)
            or not low <= value <= high
        ):
            kind = "a whole number" if whole else "a number"
            self._fault(name, f"{_shown(value)} must be {kind} from {low:g} to {high:g}")
        else:
            self.sheet.answers[name] = value

    def _area(self) -> None:
        if "area" not in self.raw:
            return
        value = self.raw["area"]
        form = _AREAS.get(frozenset(value)) if isinstance(value, dict) else None
        if not isinstance(value, dict) or form is None:
            self._fault("area", f"write {', or '.join(each for each in _AREAS.values())}")
            return
        units = {"acre": 0.0, "ha": 0.0, "m2": 0.0} | {
            name: unit.m2 for name, unit in self.flows.district.units.items()
        }
        unit = value.get("unit", "m2")
        if unit not in units:
            self._fault(
                "area",
                f"unit {_shown(unit)} is not one of {', '.join(units)}; "
                f"did you mean {nearest(_shown(unit), units)}?",
            )
            return
        lengths = _lengths(value)
        if not all(_is_length(each) for each in lengths):
            self._fault("area", f"{', '.join(map(_shown, lengths))} must be above 0")
            return
        written = _written_area(value, lengths, units)
        if written is None:
            self._fault("area", "sides of these lengths cannot meet at their corners")
            return
        row = self.flows.figures.row("area_acres")
        if not row.low <= area_of({"area": written}).acres <= row.high:
            least, most = (Area.from_value(each, "acre") for each in (row.low, row.high))
            self._fault(
                "area",
                f"must be from {row.low:g} to {row.high:g} acres ({least.hectares:.3g} to {most.hectares:.4g} ha)",
            )
            return
        self.sheet.answers["area"] = written

    def _sprouting(self) -> None:
        """Take the test of 20 stakes, which says whether few may sprout where the sheet does not."""
        if "sprouted_of_20" not in self.raw:
            return
        self._number("sprouted_of_20", 1, TESTED, self.raw["sprouted_of_20"], whole=True)
        sprouted = self.sheet.answers.get("sprouted_of_20")
        if sprouted is not None and "low_sprouting" not in self.raw:
            weak = self.flows.figures["sprouts_weak_of_20"]
            self.sheet.answers["low_sprouting"] = float(str(sprouted)) <= weak

    def _soil(self) -> None:
        soil = self.raw.get("soil", {})
        if not isinstance(soil, dict):
            self._fault("soil", f"write {{{', '.join(f'{name}: false' for name in SOIL)}}}")
            return
        for key, value in soil.items():
            if key not in SOIL:
                self._fault(
                    f"soil.{key}", f"not a key of soil; did you mean {nearest(str(key), SOIL)}?"
                )
            elif value in (None, UNKNOWN):
                # As in a conversation: not fertile, and none of the faults; the advice says so.
                self.sheet.answers[key] = False
                self.sheet.answers[unsure("faults" if key in FAULTS else key)] = True
            else:
                self._truth(f"soil.{key}", value)

    def _on_sheet(self) -> None:
        """Answers a conversation asks for and a sheet may leave out."""
        for step in self.flows.steps():
            default = step.state.on_sheet
            if step.kind == "ask" and default is not None and step.answer not in self.raw:
                self.sheet.answers[step.answer] = default

    def _day(self, key: str, value: object, around: date, within: int = SEASON_DAYS) -> date | None:
        try:
            day = value if isinstance(value, date) else date.fromisoformat(str(value))
            day = date(day.year, day.month, day.day)
        except ValueError:
            self._fault(key, f"{_shown(value)} is not a day; write it as 2026-03-12")
            return None
        low, high = (around + timedelta(days=days) for days in (-within, within))
        if low <= day <= high:
            return day
        self._fault(key, f"{day} must be from {low} to {high}")
        return None

    def _days(self) -> None:
        answers, today = self.sheet.answers, self.sheet.today
        for key in ("start_date", "planting_date", "rain_expected"):
            value = self.raw.get(key)
            if value == UNKNOWN:
                answers[key] = today.isoformat() if key == "start_date" else None
                answers[unsure(key)] = True
            elif value is not None and (day := self._day(key, value, today)):
                answers[key] = day.isoformat()
        if "start_date" in answers and "planting_date" in answers:
            self._fault("planting_date", "give either start_date or planting_date, not both")
            return
        kinds = {"start_date": "start", "planting_date": "planting", "rain_expected": "rains"}
        kind = next((kind for key, kind in kinds.items() if key in answers), None)
        if kind is not None:
            answers["date_kind"] = kind

    def _done(self) -> None:
        done = self.raw.get("done") or {}
        if not isinstance(done, dict):
            self._fault("done", "write operations and days, such as {slash: 2026-03-12}")
            return
        names = {
            **{stem(each): each for each in reversed(list(self.flows.operations))},
            **{each: each for each in self.flows.operations},
        }
        names |= {"weed_check": "weed_check_1", "weed_by_hand": "weed_by_hand_1"}
        for key, value in done.items():
            if key not in names:
                self._fault(
                    f"done.{key}", f"not an operation; did you mean {nearest(str(key), names)}?"
                )
            elif day := self._day(f"done.{key}", value, self.sheet.today):
                if day > self.sheet.today:
                    self._fault(
                        f"done.{key}", f"{day} has not come yet; today is {self.sheet.today}"
                    )
                else:
                    self.sheet.done[names[key]] = day


def _missing(flows: Flows, answers: Answers) -> list[str]:
    """List the questions that the flows would ask and the sheet does not answer.

    A question left open leaves decisions open: from the first one on, every branch that the
    answers do not rule out is looked into.
    """
    walk = Walk.season(flows, answers)
    if walk.step is None or walk.step.kind != "ask":
        return []
    answers = answers | walk.answers
    missing: list[str] = []
    seen: set[tuple[str, str]] = set()
    ahead = [(walk.flow, walk.state)]
    while ahead:
        flow, state = ahead.pop(0)
        if state == END:
            flow = flows.flows[flow].next
            if not flow:
                continue
            state = flows.flows[flow].start
        if (flow, state) in seen:
            continue
        seen.add((flow, state))
        step = flows.step(flow, state)
        if step.state.day and "date_kind" not in answers:
            continue  # which of the two days is wanted has been asked just before
        if step.kind == "ask" and step.context not in _PACED and not is_given(answers, step):
            missing.append(_missing_line(step, answers))
        ahead += [(flow, then) for then in _ways_on(step, answers)]
    return missing


def _ways_on(step: Step, answers: Answers) -> list[str]:
    if step.kind != "decide":
        return [step.state.then] if step.state.then else []
    open_rows = [
        row.then
        for row in step.rows
        if all(
            name not in answers or condition.holds(answers[name])
            for name, condition in row.when.conditions
        )
    ]
    return list(dict.fromkeys(open_rows))


def _missing_line(step: Step, answers: Answers) -> str:
    if step.context == "field.faults":
        absent = [name for name in step.answers if name not in answers]
        return f"soil.{{{', '.join(absent)}}}: missing. {plain(step.state.ask)}"
    if step.context == "planting.date_kind":
        return f"start_date, planting_date or rain_expected: missing. {plain(step.state.ask)}"
    name = f"soil.{step.answer}" if step.answer in SOIL else step.answer
    return f"{name}: missing. {plain(step.state.ask)}"


_AREAS = {
    frozenset({"value", "unit"}): "{value: 1.5, unit: acre}",
    frozenset({"length_m", "width_m"}): "{length_m: 40, width_m: 60}",
    frozenset({"triangle_m"}): "{triangle_m: [45, 60, 70]}",
    frozenset({"four_sides_m", "diagonal_m"}): "{four_sides_m: [60, 45, 55, 40], diagonal_m: 75}",
    frozenset({"round_m"}): "{round_m: 180}",
}
"""How a sheet writes an area, by its keys."""

_CORNERS = {"triangle_m": 3, "four_sides_m": 4}
_LONGEST = 10**9


def _lengths(area: Mapping[object, object]) -> list[object]:
    """The numbers of an area as written, in the order of its form."""
    found: list[object] = []
    for key in (
        "value",
        "length_m",
        "width_m",
        "triangle_m",
        "four_sides_m",
        "diagonal_m",
        "round_m",
    ):
        value = area.get(key)
        if key in _CORNERS and key in area:
            right = isinstance(value, list) and len(value) == _CORNERS[key]
            found += value if right and isinstance(value, list) else [value]
        elif key in area:
            found.append(value)
    return found


def _is_length(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < _LONGEST


def _written_area(
    area: Mapping[object, object], lengths: list[object], units: Mapping[str, float]
) -> str | None:
    """Write an area as an answer is kept; None where its sides cannot meet."""
    numbers = [float(str(each)) for each in lengths]
    if "value" in area:
        unit = str(area["unit"])
        return f"{lengths[0]} {unit} {units[unit]:g}" if units[unit] else f"{lengths[0]} {unit}"
    if "length_m" in area:
        return f"{lengths[0]}x{lengths[1]} m"
    if "round_m" in area:
        return _in_acres(Area.from_round(*numbers))
    if "triangle_m" in area:
        a, b, c = numbers
        return _in_acres(Area.from_triangle(a, b, c)) if closes(a, b, c) else None
    a, b, c, d, across = numbers
    if not closes(a, b, across) or not closes(c, d, across):
        return None
    return _in_acres(Area.from_four_sides(a, b, c, d, across))


def _in_acres(area: Area) -> str:
    return f"{round(area.acres, 4)} acre"


_LONGEST_SHOWN = 40
_MOST_SHOWN = 10**15


def _shown(value: object) -> str:
    """Write a value back to whoever wrote it, but not at any length."""
    if isinstance(value, int) and not -_MOST_SHOWN < value < _MOST_SHOWN:
        return "so large a number"
    written = repr(value)
    return written if len(written) <= _LONGEST_SHOWN else f"{written[:_LONGEST_SHOWN]}..."
