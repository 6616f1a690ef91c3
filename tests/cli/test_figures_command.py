"""`fieldbell figures`, and a district's own file as every command meets it."""

from __future__ import annotations

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


@pytest.mark.parametrize("command", ["figures", "check", "talk", "advise -"])
@pytest.mark.parametrize(
    ("content", "cause"),
    [
        ("figures: {glyphosate_gate_day: 63}", "did you mean glyphosate_gate_days?"),
        ("figures: {glyphosate_gate_days: 40}", "40 is outside its range 56 to 90 days"),
        ("figures: {gap_fill_from_days: 20, gap_fill_to_days: 14}", "must not be larger"),
        ("figures: {full_kill_wait_days: 28, full_kill_most_days: 21}", "must not be larger"),
        ("figures: {", "not readable as YAML"),
        ("figure: {}", "figure"),
        ("units: {acre: {m2: 4000, words: {en: [acre]}}}", "name it in small letters"),
        ("units: {plot: {m2: 450, words: {en: [acre]}}}", "'acre' is in use for acre"),
    ],
)
def test_a_slip_in_the_file_is_one_clear_line(
    tmp_path: Path, command: str, content: str, cause: str
) -> None:
    file = tmp_path / "district.yaml"
    file.write_text(content, encoding="utf-8")
    done = run(file, *command.split(), *(["--data", str(tmp_path)] if command == "talk" else []))
    assert done.exit_code == 1
    assert cause in done.output
    assert isinstance(done.exception, SystemExit)
    assert "Traceback" not in done.output


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    done = run(tmp_path / "none.yaml", "figures")
    assert done.exit_code == 1
    assert "none.yaml cannot be read" in done.output
