"""What is made of a table: changes against what was accepted, and the picture. Tables are made up."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from tests.benchmarks import changes, picture
from tests.benchmarks.table import Row, render

ROOT = Path(__file__).parents[2]
SVG = "{http://www.w3.org/2000/svg}"


def cost(name: str, ratio: float, reserve: float | None = None) -> Row:
    return Row(
        name, "a floor", 10 * ratio, 10, ratio, "us", "at most 1" if reserve else "", reserve
    )


def speed(name: str, ratio: float, reserve: float | None = None) -> Row:
    return Row(
        name, "a floor", 10 * ratio, 10, ratio, "texts/s", "at least 1" if reserve else "", reserve
    )


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (cost("a turn", 12.7), ["regressed by 27%: a turn, 12.70 where 10.00 was accepted"]),
        (cost("a turn", 11.9), []),
        (cost("a turn", 5), []),  # better is no regression
        (speed("a round", 0.73), ["regressed by 27%: a round, 0.73 where 1.00 was accepted"]),
        (speed("a round", 0.81), []),
        (speed("a round", 2), []),
        (cost("a new one", 1000), []),  # nothing was accepted yet
    ],
)
def test_a_row_more_than_a_fifth_worse_is_named(row: Row, said: list[str]) -> None:
    assert changes.regressions([row], {"a turn": 10, "a round": 1}) == said


def test_the_worst_is_named_first() -> None:
    rows = [cost("a", 13), speed("b", 0.5), cost("c", 14), cost("d", 10)]
    said = changes.regressions(rows, {"a": 10, "b": 1, "c": 10, "d": 10})
    assert [each.split(":")[1].split(",")[0].strip() for each in said] == ["b", "c", "a"]


def test_the_table_shows_each_change_and_none_where_there_is_none() -> None:
    rows = [cost("a", 12.7), speed("b", 0.5), cost("new", 3)]
    expected = {"a": 10.0, "b": 1.0}
    shown = {row.name: changes.change(row, expected) for row in rows}
    head, *lines = render(rows, shown).splitlines()
    end = head.index("change") + len("change")
    assert [line[end - 6 : end].strip() for line in lines] == ["+27 %", "-50 %", ""]


def test_what_is_accepted_is_read_again_and_what_was_not_measured_stays(tmp_path: Path) -> None:
    file = tmp_path / "expected.toml"
    assert changes.read(file) == {}
    changes.accept([cost('a "turn", of 20,000', 7.591), cost("b", 133.4)], file)
    changes.accept([cost("b", 120), speed("c", 0.04567)], file)
    kept = {'a "turn", of 20,000': 7.59, "b": 120.0, "c": 0.0457}
    assert changes.read(file) == kept
    assert tomllib.loads(file.read_text("utf-8")) == kept
    assert file.read_text("utf-8").startswith("# The ratio")


def test_what_is_committed_can_be_read_and_every_ratio_is_one() -> None:
    expected = changes.read()
    assert len(expected) >= 20
    assert all(ratio > 0 for ratio in expected.values())


def drawn(rows: list[Row]) -> ET.Element:
    return ET.fromstring(picture.draw(rows, "a <made-up> machine"))  # noqa: S314 - our own


def test_the_picture_has_a_bar_for_each_row_longer_the_slower_it_is() -> None:
    rows = [cost("a", 2), cost("b & c", 20), speed("d", 0.05), speed("e", 0.5), cost("f", 1)]
    svg = drawn(rows)
    bars = [float(bar.get("width", "")) for bar in svg.iter(f"{SVG}rect") if bar.get("class")]
    assert bars[0] == bars[3] < bars[1] == bars[2]  # half the speed is twice the time
    assert bars[4] == 2
    words = [text.text for text in svg.iter(f"{SVG}text")]
    assert {"a", "b & c", "d", "e", "f", "a <made-up> machine", "floor"} <= set(words)


def test_what_is_faster_than_its_floor_goes_left_of_it() -> None:
    ours, theirs = (
        next(bar for bar in drawn([row]).iter(f"{SVG}rect") if bar.get("class"))
        for row in (speed("a", 1.25), speed("a", 0.8))
    )
    assert float(ours.get("x", "")) < float(theirs.get("x", ""))
    assert float(ours.get("x", "")) + float(ours.get("width", "")) == pytest.approx(
        float(theirs.get("x", ""))
    )


def test_the_mark_of_a_goal_lies_where_the_row_would_just_meet_it() -> None:
    svg = drawn([cost("a", 10, 2.0), cost("b", 20), speed("c", 0.1, 0.5)])
    marks = [float(mark.get("x1", "")) for mark in svg.iter(f"{SVG}line") if mark.get("class")]
    ends = [
        float(bar.get("x", "")) + float(bar.get("width", ""))
        for bar in svg.iter(f"{SVG}rect")
        if bar.get("class")
    ]
    assert marks[0] == pytest.approx(ends[1], abs=0.2)  # twice what it costs may yet be spent
    assert marks[1] < ends[2]
    assert any("goal missed" in (text.text or "") for text in svg.iter(f"{SVG}text"))


def test_small_counts_cannot_be_accepted() -> None:
    told = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks", "--quick", "--accept"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert told.returncode == 2
    assert "leave it out" in told.stderr
