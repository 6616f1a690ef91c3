"""The commands of agents: enrolling, rounds, forgetting, on a real Redis of their own."""

from __future__ import annotations

import csv
import shutil
from typing import TYPE_CHECKING, Protocol

import openpyxl
import pytest
from click.testing import CliRunner, Result

from bot.cli import main

if TYPE_CHECKING:
    from pathlib import Path


class Run(Protocol):
    def __call__(self, *args: str, status: int = 0) -> Result: ...


LIST = """Mirindi Growers' Union;;;
Jina;Simu ya mkononi;Kijiji;Ridhaa
Neema Koroso;0712 345 601;Kanoro;ndiyo
Baraka Tilwe;+255712345602;Kanoro;ndiyo
Juma Pelo;0712345604;Luhembe;hapana
Rehema Shole;07123;Luhembe;ndiyo
"""


@pytest.fixture(scope="module")
def data_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("agents")


@pytest.fixture
def run(data_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("FIELDBELL_DATA", str(data_folder / "data"))
    monkeypatch.setenv("FIELDBELL_SEGMENT_PRICE", "30")
    monkeypatch.delenv("REDIS_URL", raising=False)
    shutil.rmtree(data_folder / "data", ignore_errors=True)

    def invoke(*args: str, status: int = 0) -> Result:
        result = CliRunner().invoke(main, args)
        assert result.exit_code == status, result.output
        return result

    return invoke


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "list.csv"
    path.write_text(LIST, encoding="utf-8")
    return path


def test_a_file_is_enrolled_and_what_is_wrong_comes_back(run: Run, file: Path) -> None:
    out = run("growers", "import", str(file), "--group", "Mirindi North").output
    assert "growers added: 3" in out
    assert "rows that cannot be used: 1" in out
    with (file.parent / "list-to-mend.csv").open(encoding="utf-8-sig", newline="") as mend:
        rows = list(csv.reader(mend))
    assert rows[1][0] == "6"
    assert "07123" in rows[1][1]
    assert rows[1][2:] == ["Rehema Shole", "07123", "Luhembe", "ndiyo"]
    # The rows to mend are mended, and taken in as any other file.
    mended = file.parent / "list-to-mend.csv"
    mended.write_text(mended.read_text("utf-8-sig").replace(",07123,", ",0712345603,"), "utf-8")
    out = run("growers", "import", str(mended), "--group", "Mirindi North").output
    assert "growers added: 1" in out
    assert "as they were" in run("growers", "import", str(file), "--group", "Mirindi North").output


def test_growers_are_exported_and_forgotten(run: Run, file: Path) -> None:
    run("growers", "import", str(file), "--group", "Mirindi North")
    for name in ("out.csv", "out.xlsx"):
        assert "3 growers" in run("growers", "export", str(file.parent / name)).output
    sheet = openpyxl.load_workbook(file.parent / "out.xlsx").active
    numbers = {row[0] for row in sheet.iter_rows(min_row=2, values_only=True)}
    assert numbers == {"+255712345601", "+255712345602", "+255712345604"}
    assert "Forgotten" in run("growers", "forget", "0712345601", "--yes").output
    assert "Nothing was kept" in run("growers", "forget", "0712345601", "--yes").output
    run("growers", "forget", "12", "--yes", status=2)
    assert "2 growers counted" in run("growers", "recount").output


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--column", "phone"], "write it as phone=TITLE"),
        (["--column", "phone=Simv"], "Simu ya mkononi"),
        (["--country", "Tanzania"], "two capital letters"),
    ],
)
def test_what_cannot_be_used_is_said(run: Run, file: Path, args: list[str], said: str) -> None:
    out = run("growers", "import", str(file), "--group", "G", *args, status=2).output
    assert said in out


def test_a_file_that_is_no_table_is_said_to_be_none(run: Run, tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_bytes(b"%PDF-1.7")
    out = run("growers", "import", str(tmp_path / "list.csv"), "--group", "G", status=2).output
    assert "PDF" in out


def test_a_round_is_counted_and_started(run: Run, file: Path) -> None:
    run("growers", "import", str(file), "--group", "Mirindi North")
    made = ("rounds", "new", "Meeting", "--group", "Mirindi North", "--language", "sw")
    assert "no language" not in run("rounds", "list").output
    wrong = run(*made, "--text", "sw=Habari {nmae}", status=2).output
    assert "{" in wrong or "nmae" in wrong
    round_id = run(*made, "--text", "sw=Habari {name}").output.strip()
    # The list names no languages, and the group has none: nobody is meant.
    assert "chosen: 0" in run("rounds", "count", round_id).output
    run("growers", "import", str(file), "--group", "Mirindi North")
    other = run("rounds", "new", "Season", "--group", "Mirindi North", "--flow", "field").output
    out = run("rounds", "count", other.strip()).output
    assert "chosen: 2" in out
    assert "as they have not agreed to be texted: 1" in out
    assert "TSh" in out or "TZS" in out
    assert "running" in run("rounds", "start", other.strip()).output
    assert "is running" in run("rounds", "count", other.strip(), status=2).output
    assert "paused" in run("rounds", "pause", other.strip()).output
    assert "running" in run("rounds", "resume", other.strip()).output
    assert "stopped" in run("rounds", "stop", other.strip()).output
    assert "is stopped" in run("rounds", "start", other.strip(), status=2).output
    assert "stopped" in run("rounds", "show", other.strip()).output
    assert "Season" in run("rounds", "list").output
    assert "no round" in run("rounds", "show", "nothing", status=2).output
