from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest
import yaml

from bot import data
from bot.dialogue.loading import FlowError, read_flows
from bot.dialogue.proof import Fault, prove
from bot.dialogue.sheet import read_sheet
from bot.dialogue.walk import Walk

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bot.dialogue.loading import Flows

    Edit = Callable[[str, str, str], None]

BARE = """      - when: {cover: sparse, herbicide_ok: false, hard_weeds: false}
        then: till_directly
"""
TALL_BUSH = '{cover: woody, herbicide_ok: true, height_cm: "> knee_height_cm", hard_weeds: false}'


@pytest.fixture
def short(flow_folder: Path, edit: Edit) -> Path:
    """The copied folder with a season that ends after clearing, which is proved sooner."""
    edit("clearing.yaml", "next: tillage\n", "")
    (flow_folder / "tillage.yaml").unlink()
    (flow_folder / "planting.yaml").unlink()
    return flow_folder


@pytest.fixture
def till_less(flow_folder: Path, edit: Edit) -> Path:
    """The copied folder with a season that goes from clearing to planting, proved sooner as well."""
    edit("clearing.yaml", "next: tillage", "next: planting")
    (flow_folder / "tillage.yaml").unlink()
    return flow_folder


def fault(folder: Path, where: str, what: str) -> Fault:
    """The first fault that says this of this state."""
    found = prove(read_flows(folder))
    fitting = [each for each in found if each.where == where and what in each.what]
    assert fitting, [str(each) for each in found]
    return fitting[0]


def counter_example(folder: Path, where: str, what: str) -> dict[str, object]:
    answers = fault(folder, where, what).answers
    assert answers is not None
    return dict(answers)


def test_the_shipped_flows_prove_clean(flows: Flows) -> None:
    assert [str(each) for each in prove(flows)] == []


@pytest.mark.parametrize("season", ["short", "till_less"])
def test_the_season_these_tests_spoil_proves_clean(
    season: str, request: pytest.FixtureRequest
) -> None:
    folder = request.getfixturevalue(season)
    assert [str(each) for each in prove(read_flows(folder))] == []


# Decisions


def test_a_removed_row_leaves_a_gap(short: Path, edit: Edit) -> None:
    edit("clearing.yaml", BARE, "")
    answers = counter_example(short, "clearing.route", "no row fits")
    bare = {"cover": "sparse", "herbicide_ok": False, "hard_weeds": False}
    assert answers.items() >= bare.items()


def test_a_counter_example_really_leads_there(short: Path, edit: Edit) -> None:
    edit("clearing.yaml", BARE, "")
    answers = fault(short, "clearing.route", "no row fits").answers
    assert answers is not None
    with pytest.raises(LookupError, match=r"no row of clearing\.route fits"):
        Walk.season(read_flows(short), answers)


def test_a_counter_example_is_printed_as_an_answer_sheet(
    flow_folder: Path, edit: Edit, flows: Flows
) -> None:
    edit("tillage.yaml", "next: planting\n", "")
    (flow_folder / "planting.yaml").unlink()
    edit(
        "tillage.yaml",
        "      - when: {plough_return: cost_unknown}\n        then: plough_unknown\n",
        "",
    )
    printed = str(fault(flow_folder, "tillage.plough", "no row fits"))
    sheet = yaml.safe_load(printed.partition("\n")[2].strip())
    assert isinstance(sheet, dict)
    assert sheet["soil"].keys() == {"stony", "shallow", "waterlogged", "sloping", "fertile"}
    # A sheet of these keys is read; only the questions after the fault are missing from it.
    lines = read_sheet(sheet, flows, data.languages(), date(2026, 3, 2)).faults
    assert [line for line in lines if ": missing. " not in line] == []


def test_a_duplicated_row_overlaps(short: Path, edit: Edit) -> None:
    edit("clearing.yaml", BARE, BARE + BARE.replace("till_directly", "clear_by_hand"))
    assert counter_example(short, "clearing.route", "both fit")["cover"] == "sparse"


def test_a_widened_row_overlaps_at_the_very_edge(short: Path, edit: Edit) -> None:
    edit("clearing.yaml", TALL_BUSH, TALL_BUSH.replace("> knee", ">= knee"))
    assert counter_example(short, "clearing.route", "both fit")["height_cm"] == 50


def test_a_narrowed_row_leaves_a_gap_in_the_interval(short: Path, edit: Edit) -> None:
    edit("clearing.yaml", TALL_BUSH, TALL_BUSH.replace("> knee_height_cm", "> 60"))
    height = counter_example(short, "clearing.route", "no row fits")["height_cm"]
    assert isinstance(height, int | float)
    assert 50 < height <= 60


def test_a_row_that_never_fits(short: Path, edit: Edit) -> None:
    edit("clearing.yaml", BARE, BARE + BARE.replace("sparse", "[]"))
    fault(short, "clearing.route", "never fits")


def test_an_answer_used_before_it_is_given(short: Path, edit: Edit) -> None:
    edit("field.yaml", "{fault_count: 1}", "{fault_count: 1, cover: grass}")
    answers = counter_example(short, "field.verdict", "looks at cover before it is given")
    assert "cover" not in answers


# Ways


def test_an_unreachable_state(short: Path, edit: Edit) -> None:
    lonely = "  forgotten:\n    advise:\n      - say: Nobody hears this.\n    then: end\n\n"
    edit("field.yaml", "  leave:\n", f"{lonely}  leave:\n")
    fault(short, "field.forgotten", "no answers lead here")


def test_a_loop_that_cannot_end(short: Path) -> None:
    (short / "circle.yaml").write_text(
        "flow: circle\nabout: Round and round\nstates:\n"
        "  first:\n    ask: Again?\n    yes_no: true\n    unsure: true\n    then: second\n"
        "  second:\n    ask: And again?\n    yes_no: true\n    unsure: true\n    then: first\n"
    )
    fault(short, "circle.first", "can never end")
    fault(short, "circle.second", "can never end")


def test_a_compute_whose_input_is_missing(short: Path, edit: Edit) -> None:
    assumed = '    assume: "the soil is not fertile"\n    then: '
    edit("field.yaml", f"{assumed}faults", f"{assumed}count")
    assert "stony" not in counter_example(short, "field.count", "faults needs")


# Sentences


@pytest.mark.parametrize(
    ("file", "old", "new", "state"),
    [
        ("clearing", "wait {full_kill_wait_days} days for", "wait {full_kil_days} days for", "spray_then_clear"),
        ("clearing", "Your knee is at about 50.", "Your knee is at {knee_hight_cm}.", "height_cm"),
        ("clearing", "in cm, such as 60.", "in cm, under {cover_hight_cm}.", "height_cm"),
        ("weeding", "small: Under {weed_height_from_cm} cm", "small: Under {weed_hight} cm", "weed_stage"),
    ],
    ids=["advice", "question", "hint", "label"],
)  # fmt: skip
def test_an_unknown_figure_in_a_sentence(  # noqa: PLR0913, PLR0917 - the fault and where it is put
    short: Path, edit: Edit, file: str, old: str, new: str, state: str
) -> None:
    edit(f"{file}.yaml", old, new)
    fault(short, f"{file}.{state}", "neither a figure nor an amount")


def test_an_unknown_amount_in_a_sentence(till_less: Path, edit: Edit) -> None:
    edit("planting.yaml", "Without herbicide plan three", "With {steaks} stakes plan three")
    fault(till_less, "planting.weeding_by_hand", "neither a figure nor an amount")


def test_an_amount_stated_before_its_answer_is_given(till_less: Path, edit: Edit) -> None:
    edit("planting.yaml", "Without herbicide plan three", "With {preemergence_tanks} plan three")
    answers = counter_example(till_less, "planting.weeding_by_hand", "{preemergence_tanks} needs")
    assert "preemergence" not in answers


@pytest.mark.parametrize("amount", ["stakes", "in_row_m", "row_m"])
def test_stakes_stated_before_sprouting_is_asked(short: Path, edit: Edit, amount: str) -> None:
    edit("clearing.yaml", "There is little to clear", f"For {{{amount}}} there is little to clear")
    fault(short, "clearing.till_directly", f"{{{amount}}} needs")


def test_an_amount_in_a_question_which_only_advice_can_state(till_less: Path, edit: Edit) -> None:
    edit("planting.yaml", "Which day can you start?", "You need {stakes} stakes. Which day?")
    fault(till_less, "planting.start_date", "{stakes}")


# Slips of the pen: an error that names the file and the state, and the nearest name


def lacks(folder: Path, named: list[str]) -> str:
    """The words that the error does not name, and the error; empty when it names them all."""
    with pytest.raises(FlowError) as caught:
        read_flows(folder)
    absent = [word for word in named if word not in str(caught.value)]
    return f"{absent} not in {caught.value}" if absent else ""


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("  green:\n    ask:", "  green:\n    aks:", ["clearing", "green", "aks", "'ask'"]),
        ("    then: how_much_stands\n", "    thne: how_much_stands\n", ["clearing", "cover", "'then'"]),
        ("about: What stands", "abuot: What stands", ["clearing.yaml", "abuot", "'about'"]),
        ("        judgement: Low", "        judgment: Low", ["clearing", "route", "'judgement'"]),
    ],
    ids=["ask", "then", "about", "judgement"],
)  # fmt: skip
def test_a_misspelt_key_names_the_place_and_the_nearest_key(
    flow_folder: Path, edit: Edit, old: str, new: str, named: list[str]
) -> None:
    edit("clearing.yaml", old, new)
    assert lacks(flow_folder, named) == ""


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (("clearing", "    then: how_much_stands\n", "    then: how_much_stand\n"), ["clearing.cover", "'how_much_stands'"]),
        (("clearing", "next: tillage", "next: tilage"), ["clearing", "'tillage'"]),
        (("field", "compute: faults", "compute: fault"), ["field.count", "'faults'"]),
        (("clearing", "{figure: cover_height_cm", "{figure: cover_hight_cm"), ["clearing.height_cm", "cover_height_cm"]),
        (("clearing", "[slash, clear, spray_fallow]", "[slash, clear, spray_falow]"), ["clearing.cut_clear_then_spray", "'spray_fallow'"]),
        (("operations", "{after: slash, operation: clear", "{after: slahs, operation: clear"), ["operations.yaml", "'slash'"]),
        (("clearing", TALL_BUSH, TALL_BUSH.replace("knee_height", "knee_hight")), ["clearing.route", "knee_height_cm"]),
        (("planting", 'about: spray_fallow\n        when: {fallow_spray: true}\n        say: "Buy', 'about: spray_falow\n        when: {fallow_spray: true}\n        say: "Buy'), ["planting.mixes", "'spray_fallow'"]),
        (("planting", "    unsure: workers\n", "    unsure: worker\n"), ["planting.workers", "'workers'"]),
        (("planting", "    on_sheet: workers\n", "    on_sheet: worker\n"), ["planting.workers", "'workers'"]),
        (("operations", "first: rain", "first: rains"), ["operations.yaml, plant", "'rain'"]),
        (("operations", "labour: labour_plant_days", "labour: labor_plant_days"), ["operations.yaml, plant", "'labour_plant_days_per_acre'"]),
        (("menu", "flow: stakes", "flow: steaks"), ["menu.stakes", "'stakes'"]),
        (("costs", "compute: weeding_costs", "compute: weeding_cost"), ["costs.weeding_costs", "'weeding_costs'"]),
    ],
    ids=["then", "next", "compute", "figure", "operation", "link", "bound", "about", "unsure", "on_sheet", "first", "labour", "begin", "costs"],
)  # fmt: skip
def test_an_unknown_name_names_the_place_and_the_nearest_name(
    flow_folder: Path, edit: Edit, change: tuple[str, str, str], named: list[str]
) -> None:
    file, old, new = change
    edit(f"{file}.yaml", old, new)
    assert lacks(flow_folder, named) == ""


def test_a_key_given_twice_is_an_error(flow_folder: Path, edit: Edit) -> None:
    twice = "  cover:\n    ask: Twice?\n    yes_no: true\n    then: end\n\n"
    edit("clearing.yaml", "  green:\n    ask", f"{twice}  green:\n    ask")
    assert lacks(flow_folder, ["clearing.yaml", "'cover' stands twice"]) == ""


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("    unsure_is_unknown: true\n    then: known_or_paced\n", "    unsure_is_unknown: true\n", ["field.area", "then"]),
        ("    unsure_is_unknown: true\n    then: known_or_paced\n", "    then: known_or_paced\n", ["field.area", "`unsure`", "unsure_is_unknown"]),
        ('    assume: "the soil is not fertile"\n', "", ["field.fertile", "`assume`"]),
        ("    paces: round\n", "    paces: round\n    area: true\n", ["field.paces_around", "one way to answer"]),
        ("    area: true\n", "    area: true\n    yes_no: true\n", ["field.area", "one way to answer"]),
        ("    none_of_these: None of these\n", "", ["field.faults", "none_of_these"]),
        ("    compute: faults\n", "    compute: faults\n    do: close\n", ["field.count", "one thing"]),
        ("flow: field\n", "flow: fields\n", ["field.yaml", "fields"]),
        ("states:\n", "states:\n\t", ["field.yaml", "YAML"]),
        ("{fault_count: 0, fertile: true}", '{fault_count: "0 or so"}', ["field.verdict", "not a condition"]),
    ],
    ids=["no then", "no unsure", "no assume", "paces and area", "two readers", "no none", "two things", "file name", "tab", "condition"],
)  # fmt: skip
def test_a_state_that_cannot_run_is_an_error(
    flow_folder: Path, edit: Edit, old: str, new: str, named: list[str]
) -> None:
    edit("field.yaml", old, new)
    assert lacks(flow_folder, named) == ""


@pytest.mark.parametrize("name", ["figures.yaml", "weeding.yaml", "menu.yaml", "sentences.yaml"])
def test_a_file_the_engine_needs_is_missed(flow_folder: Path, name: str) -> None:
    (flow_folder / name).unlink()
    assert lacks(flow_folder, [name.removesuffix(".yaml")]) == ""


def test_a_figure_outside_its_range_is_an_error_that_names_it(
    flow_folder: Path, edit: Edit
) -> None:
    edit("figures.yaml", "knee_height_cm: {value: 50", "knee_height_cm: {value: 500")
    with pytest.raises(FlowError, match="knee_height_cm"):
        read_flows(flow_folder)
