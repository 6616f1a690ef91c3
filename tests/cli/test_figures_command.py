"""`fieldbell figures`, and a district's own file as every command meets it."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from bot import data
from bot.cli import main

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result

OWN = """
figures: {glyphosate_gate_days: 63, least_return_percent: 50}
units:
  plot: {m2: 450, words: {en: [plot, plots], sw: [kiwanja, viwanja]}}
"""

SHEET = """
area: {value: 3, unit: plot}
soil: {fertile: true, stony: false, shallow: false, waterlogged: false, sloping: false}
cover: sparse
hard_weeds: false
herbicide_ok: false
price_per_tonne: 10000
plough_cost_per_acre: 15000
ridge_cost_per_acre: 9000
dry_season_harvest: true
low_sprouting: false
fast_early_weeds: false
start_date: 2026-03-02
today: 2026-03-02
"""


def run(district: Path | None, *arguments: str, typed: str = "") -> Result:
    env = {"FIELDBELL_DISTRICT": str(district)} if district else {}
    return CliRunner().invoke(main, arguments, input=typed, env=env)


@pytest.fixture
def own(tmp_path: Path) -> Path:
    file = tmp_path / "district.yaml"
    file.write_text(OWN, encoding="utf-8")
    return file


def test_every_figure_is_printed_with_its_range_and_source() -> None:
    done = run(None, "figures")
    assert done.exit_code == 0
    lines = {line.split()[0]: line for line in done.output.splitlines()[1:]}
    figures = data.flows().figures
    assert lines.keys() == set(figures)
    for name, line in lines.items():
        row = figures.row(name)
        assert re.search(rf" {row.value:.15g}  {re.escape(row.unit)}  ", line), line
        assert f"{row.low:.15g} to {row.high:.15g}" in line
        assert row.source in line
        assert row.note in line


def test_what_the_district_has_changed_is_starred(own: Path) -> None:
    done = run(own, "figures")
    starred = [line.split() for line in done.output.splitlines() if line.startswith("*")]
    assert [(name, value) for _, name, value, *_ in starred[:2]] == [
        ("least_return_percent", "50"),
        ("glyphosate_gate_days", "63"),
    ]
    assert done.output.splitlines()[-1] == "*  1 plot is 450 m2"


def test_a_district_changes_what_a_grower_is_told(own: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(SHEET, encoding="utf-8")
    done = run(own, "advise", str(sheet))
    assert done.exit_code == 0, done.output
    # 3 x 450 m2 at 0.8 m2 a plant, by hand: 1,687.5
    assert done.output.startswith("Your plan for 3 plot:")
    assert "1,688 stakes" in done.output
    # Half again must come back: ploughing earns 5,000 on 15,000, too little.
    assert "Ploughing does not bring enough for its cost here" in done.output
    assert "unit 'plot' is not one of" in run(None, "advise", str(sheet)).output


def test_a_local_unit_is_read_in_each_language(own: Path, tmp_path: Path) -> None:
    for language, typed, fertile in (
        ("en", "3 plots", "Is the soil"),
        ("sw", "viwanja 3", "Je, udongo"),
    ):
        said = run(
            own,
            *("talk", "--lang", language, "--data", str(tmp_path / language)),
            typed=f"hi\n{typed}\n",
        )
        assert said.exit_code == 0, said.output
        assert fertile in said.output.rpartition(typed)[2]


ANSWERS = [
    "yes", "none", "grass", "40", "no", "yes", "yes", "180000", "20000", "60000", "50000", "yes",
    "no", "yes", "2", "16", "3", "1", "today",
]  # fmt: skip
KISWAHILI = {"yes": "ndiyo", "no": "hapana", "none": "hakuna", "grass": "nyasi", "today": "leo"}


@pytest.mark.parametrize(
    ("language", "typed", "title"),
    [
        ("en", "3 plots", "Your plan for 3 plot:\n"),
        ("en", "half a plot", "Your plan for 0.5 plot:\n"),
        ("sw", "viwanja 3", "Mpango wako wa 3 kiwanja:\n"),
        ("sw", "nusu kiwanja", "Mpango wako wa 0.5 kiwanja:\n"),
    ],
)
def test_a_conversation_in_a_local_unit_leads_to_a_plan_for_it(
    own: Path, tmp_path: Path, language: str, typed: str, title: str
) -> None:
    answers = ANSWERS if language == "en" else [KISWAHILI.get(each, each) for each in ANSWERS]
    said = run(
        own,
        *("talk", "--lang", language, "--data", str(tmp_path / "data"), "--today", "2026-03-02"),
        typed="\n".join(["hi", typed, *answers, ""]),
    )
    assert said.exit_code == 0
    _, _, plan = said.output.rpartition("\n> ")
    assert f"\n< {title}" in plan
    # By hand, at 1.0 x 0.8 m: 450 m2 are 562.5 stakes.
    plots = float(title.split()[-2])
    stakes = math.ceil(round(plots * 562.5, 6))
    assert re.search(rf"\b{stakes:,}\b", plan)
    # Planted on 24 March; 63 days later, in the ninth week, is 26 May.
    assert re.search(r"(Tue|Jumanne) 26 (May|Mei): .*9", plan)


@pytest.mark.parametrize(
    ("language", "title"),
    [("en", "Your plan for 3 plot:"), ("sw", "Mpango wako wa 3 kiwanja:")],
)
def test_a_sheet_in_a_local_unit_is_titled_in_its_language(
    own: Path, language: str, title: str
) -> None:
    done = run(own, "advise", "-", typed=f"language: {language}\n{SHEET}")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.output.startswith(f"{title}\n")
    assert re.search(r"\b1,688\b", done.output)  # as by hand above


@pytest.mark.parametrize("size", ["{value: 0.1, unit: plot}", "{value: 5000, unit: plot}"])
def test_a_field_of_local_units_is_held_to_the_same_sizes(own: Path, size: str) -> None:
    # From flows/figures.yaml: 0.02 to 250 acres; of 450 m2, by hand, 0.18 to 2,248 plots.
    done = run(own, "advise", "-", typed=SHEET.replace("{value: 3, unit: plot}", size))
    assert done.exit_code == 2
    assert done.stderr.startswith("area: must be from 0.02 to 250 acres")


def test_words_of_one_language_are_not_taken_in_the_other(own: Path, tmp_path: Path) -> None:
    said = run(
        own,
        *("talk", "--lang", "en", "--data", str(tmp_path / "data")),
        typed="hi\nviwanja 3\n3\n3 plots\n",
    )
    told = said.output.rpartition("> viwanja 3")[2]
    assert "I did not understand that." in told
    assert "3 of what?" in told
    assert "Is the soil" in told.rpartition("> 3 plots")[2]


@pytest.mark.parametrize("command", ["figures", "check", "talk", "advise -"])
@pytest.mark.parametrize(
    ("content", "cause"),
    [
        ("figures: {glyphosate_gate_day: 63}", "did you mean glyphosate_gate_days?"),
        ("figures: {glyphosate_gate_days: 40}", "40 is outside its range 56 to 90 days"),
        ("figures: {gap_fill_from_days: 20, gap_fill_to_days: 14}", "must not be larger"),
        ("figures: {full_kill_wait_days: 28, full_kill_most_days: 21}", "must not be larger"),
        ("figures: {", "not readable as YAML"),
        ("figures:\n\tglyphosate_gate_days: 63\n", "not readable as YAML"),
        ("figures: {tank_l: 15}\nfigures: {tank_l: 20}\n", "'figures' stands twice"),
        ("figures: {glyphosate_gate_days: 2026-13-45}", "not readable as YAML"),
        ("!!python/object/apply:os.getcwd []", "not readable as YAML"),
        ("[" * 5000, "not readable as YAML"),
        ("- figures", "must be a map of keys to values"),
        ("figure: {}", "figure"),
        ("units: {acre: {m2: 4000, words: {en: [acre]}}}", "name it in small letters"),
        ("units: {step: {m2: 450, words: {en: [plot]}}}", "name it in small letters"),
        ("units: {plot: {m2: 450, words: {en: [acre]}}}", "'acre' is in use for acre"),
        ("units: {plot: {m2: 450, words: {en: [plot, M]}}}", "'m' is in use for m"),
        (
            "units: {plot: {m2: 450, words: {en: [plot], sw: [ekari]}}}",
            "'ekari' is in use for acre",
        ),
        (
            "units: {plot: {m2: 450, words: {en: [lot]}}, half: {m2: 225, words: {en: [lot]}}}",
            "'lot' means both plot and half",
        ),
        ("units: {plot: {m2: 450, words: {en: [plot, ' ']}}}", "an empty word"),
    ],
)
def test_a_slip_in_the_file_is_one_clear_line(
    tmp_path: Path, command: str, content: str, cause: str
) -> None:
    file = tmp_path / "district.yaml"
    file.write_text(content, encoding="utf-8")
    done = run(file, *command.split(), *(["--data", str(tmp_path)] if command == "talk" else []))
    assert done.exit_code == 1
    assert isinstance(done.exception, SystemExit)  # and not an error of ours, told at length
    (line,) = done.stderr.splitlines()
    assert cause in line
    assert done.stdout == ""


@pytest.mark.parametrize("command", ["figures", "check", "talk", "advise -"])
@pytest.mark.parametrize("content", [None, bytes(range(256))])
def test_a_file_that_cannot_be_read_is_named(
    tmp_path: Path, command: str, content: bytes | None
) -> None:
    file = tmp_path / "ours.yaml"
    if content is not None:
        file.write_bytes(content)
    done = run(file, *command.split(), *(["--data", str(tmp_path)] if command == "talk" else []))
    assert done.exit_code == 1
    (line,) = done.stderr.splitlines()
    assert "ours.yaml cannot be read" in line


@pytest.mark.parametrize("content", ["", "\n", "# figures: {tank_l: 20}\n", "figures: {}\n"])
def test_a_file_that_sets_nothing_changes_nothing(tmp_path: Path, content: str) -> None:
    file = tmp_path / "district.yaml"
    file.write_text(content, encoding="utf-8")
    done = run(file, "figures")
    assert (done.exit_code, done.output) == (0, run(None, "figures").output)
