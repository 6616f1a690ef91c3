"""The commands of agents: enrolling, rounds, forgetting, on a real Redis of their own."""

from __future__ import annotations

import csv
import os
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import msgspec
import openpyxl
import pytest
from click.testing import CliRunner

from bot.cli import main
from bot.enrolment import importing
from bot.gateways.numbers import masked
from bot.reminders.sender import Sender
from bot.reminders.spreading import Spreader
from bot.store import keys
from bot.store.errors import StoreUnavailable
from bot.store.growers import Store
from bot.store.people import People
from bot.store.rounds import Round, Rounds
from bot.store.server import EmbeddedRedis

if TYPE_CHECKING:
    from collections.abc import Iterator

    import redis
    from click.testing import Result

    from bot.store.growers import Commit


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


# What goes wrong


def test_a_file_that_is_none_leaves_no_group(run: Run, tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_bytes(b"%PDF-1.7")
    run("growers", "import", str(tmp_path / "list.csv"), "--group", "Mirindi Nroth", status=2)
    out = run("growers", "export", str(tmp_path / "o.csv"), "--group", "Mirindi Nroth", status=2)
    assert "no group" in out.output


def test_faulty_rows_are_never_lost(run: Run, file: Path) -> None:
    importing = ("growers", "import", str(file), "--group", "Mirindi North")
    nowhere = file.parent / "none" / "mend.csv"
    assert str(nowhere) in run(*importing, "--faults", str(nowhere), status=2).output
    # Nothing was half done.
    assert "0 growers" in run("growers", "export", str(file.parent / "out.csv")).output
    # Nor over the very file that is read.
    assert "another" in run(*importing, "--faults", str(file), status=2).output
    (file.parent / "same.csv").symlink_to(file)
    run(*importing, "--faults", str(file.parent / "same.csv"), status=2)
    assert file.read_text("utf-8") == LIST
    # What was there is kept until there is a faulty row.
    mend, good = file.parent / "mend.csv", file.parent / "good.csv"
    mend.write_text("mine", "utf-8")
    good.write_text("Simu\n0712345601\n", "utf-8")
    run("growers", "import", str(good), "--group", "G", "--faults", str(mend))
    assert mend.read_text("utf-8") == "mine"
    run("growers", "import", str(good), "--group", "G")
    assert not (file.parent / "good-to-mend.csv").exists()


@pytest.mark.parametrize("raised", [KeyboardInterrupt(), StoreUnavailable("gone")])
def test_an_import_that_ends_early_says_how_far_it_came(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, raised: BaseException
) -> None:
    path = tmp_path / "many.csv"
    path.write_text("Simu\n" + "".join(f"07123{n:05d}\n" for n in range(60)), "utf-8")
    monkeypatch.setattr(importing, "BATCH", 20)
    commit, calls = Store.commit_many, iter((True, True))

    def failing(self: Store, changes: list[Commit]) -> list[str]:
        if not next(calls, False):
            raise raised
        return commit(self, changes)

    monkeypatch.setattr(Store, "commit_many", failing)
    out = run("growers", "import", str(path), "--group", "G", status=1).output
    assert "40 rows were taken in" in out
    monkeypatch.undo()
    monkeypatch.setenv("FIELDBELL_DATA", str(tmp_path / "data"))


def test_a_dash_is_no_file(run: Run) -> None:
    out = run("growers", "import", "-", "--group", "G", status=2).output
    assert "'-' does not exist" in out


def test_a_group_has_a_name(run: Run, file: Path) -> None:
    assert "a name" in run("growers", "import", str(file), "--group", " \t", status=2).output


@pytest.mark.parametrize("name", ["out.csv", "out.xlsx"])
def test_an_export_that_cannot_be_written_says_so(run: Run, tmp_path: Path, name: str) -> None:
    out = run("growers", "export", str(tmp_path / "none" / name), status=2).output
    assert name in out


def test_a_forgotten_number_is_in_the_trail_masked_only(
    run: Run, file: Path, data_folder: Path
) -> None:
    run("growers", "import", str(file), "--group", "Mirindi North")
    run("growers", "forget", "0712345601", "--yes")
    with EmbeddedRedis(data_folder / "data") as server, server.client() as client:
        (_, entry), *_ = People(client).recent(1)
        assert (entry.what, entry.whom) == ("forgot", masked("+255712345601"))
        assert not [key for key in client.scan_iter() if b"712345601" in client.dump(key)]


@pytest.mark.parametrize(
    "args",
    [
        ("rounds", "list"),
        ("rounds", "show", "x"),
        ("rounds", "count", "x"),
        ("rounds", "start", "x"),
        ("rounds", "new", "n", "--group", "", "--text", "sw=Habari"),
        ("growers", "recount"),
        ("growers", "forget", "0712345601", "--yes"),
        ("growers", "export", "out.csv"),
    ],
)
def test_without_redis_it_is_one_line(
    run: Run, monkeypatch: pytest.MonkeyPatch, args: tuple[str, ...]
) -> None:
    monkeypatch.setenv("REDIS_URL", "redis://127.0.0.1:1")
    out = run(*args, status=1).output
    assert "check that Redis runs" in out
    assert len(out.splitlines()) == 1


@pytest.mark.parametrize("round_id", ["", " ", "{s01}:due", "a" * 9999, "ɓ", "\udcff", "*", "\0"])
def test_an_id_of_no_round_is_refused(run: Run, round_id: str) -> None:
    for command in ("show", "count", "start", "pause", "resume", "stop"):
        out = run("rounds", command, round_id, status=2).output
        assert "no round" in out or "not text" in out


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--text", "sw=A", "--text", "sw=B"), "already"),
        (("--text", "sw=A", "--flow", "field"), "either"),
        (("--text", "sw=A", "--start", "9999-12-31 23:59"), "365 days"),
        (("--text", "sw=A", "--start", "0001-01-01 00:00"), "365 days"),
        (("--text", "sw=\udcff"), "not text"),
    ],
)
def test_a_round_that_makes_no_sense_is_refused(run: Run, args: tuple[str, ...], said: str) -> None:
    assert said in run("rounds", "new", "Meeting", "--group", "", *args, status=2).output
    assert "No rounds yet" in run("rounds", "list").output


def test_a_group_may_be_written_loosely_and_twice(run: Run, file: Path) -> None:
    run("growers", "import", str(file), "--group", "Mirindi  North ")
    groups = ("--group", "Mirindi North", "--group", " Mirindi   North")
    round_id = run("rounds", "new", "Season", *groups, "--flow", "field").output.strip()
    out = run("rounds", "count", round_id).output
    assert "no language yet: 2" in out
    shown = run("rounds", "show", round_id).output
    assert "(Mirindi North)" in shown
    assert "chosen: 2" in shown


def test_a_damaged_round_is_one_line(run: Run, data_folder: Path) -> None:
    run("rounds", "list")
    with EmbeddedRedis(data_folder / "data") as server, server.client() as client:
        client.hset(keys.rounds_key(), "r1", b"junk")
        client.hset(keys.rounds_key(), "r2", msgspec.msgpack.encode((9, [])))
    for args in (("list",), ("show", "r1"), ("start", "r2")):
        (line,) = run("rounds", *args, status=1).output.splitlines()
        assert "the round r" in line


def test_what_no_longer_makes_sense_is_not_counted(run: Run, data_folder: Path) -> None:
    run("rounds", "list")
    with EmbeddedRedis(data_folder / "data") as server, server.client() as client:
        one = Round("r1", "Meeting", "x", 1, ("",), flow="weeding")
        Rounds(client).shelf.add("r1", one)
    assert "cannot be begun" in run("rounds", "count", "r1", status=2).output


def test_a_terminal_without_a_letter_is_no_end(run: Run, data_folder: Path) -> None:
    made = ("--group", "", "--text", "sw=Ŋɓ 🌱")
    round_id = run("rounds", "new", "Ɓala", *made).output.strip()
    environment = {
        "FIELDBELL_DATA": str(data_folder / "data"),
        "PATH": os.environ["PATH"],
        "PYTHONIOENCODING": "latin-1",
    }
    for args in (("list",), ("show", round_id)):
        fieldbell = Path(sys.executable).with_name("fieldbell")
        done = subprocess.run(
            [fieldbell, "rounds", *args], env=environment, capture_output=True, check=False
        )
        assert done.returncode == 0, done.stderr
        assert b"\\u0181ala" in done.stdout


# `fieldbell send` ends as a whole


@pytest.fixture
def shared_redis(
    redis_client: redis.Redis, redis_server: EmbeddedRedis, monkeypatch: pytest.MonkeyPatch
) -> Iterator[redis.Redis]:
    """A Redis that outlives the command; and the signals as they were."""
    monkeypatch.setenv("REDIS_URL", redis_server.url)
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    yield redis_client
    for number, handler in before.items():
        signal.signal(number, handler)


def spreaders() -> list[threading.Thread]:
    return [each for each in threading.enumerate() if each.name == "spreader"]


def locked(client: redis.Redis) -> None:
    """Wait until the spreader holds its lock."""
    for _ in range(3000):
        if client.exists(keys.spreader_key()):
            return
        threading.Event().wait(0.01)
    pytest.fail("the spreader never began")


@pytest.mark.parametrize("how", ["signal", "fault"])
def test_sender_and_spreader_end_together(
    shared_redis: redis.Redis, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    def tick(_: Sender, __: threading.Event | None = None) -> int:
        locked(shared_redis)
        assert spreaders()
        if how == "fault":
            raise RuntimeError("a fault nobody thought of")
        signal.raise_signal(signal.SIGTERM)
        return 0

    monkeypatch.setattr(Sender, "tick", tick)
    result = CliRunner().invoke(main, ["send"])
    assert result.exit_code == (1 if how == "fault" else 0), result.output
    assert not spreaders()
    assert not shared_redis.exists(keys.spreader_key())


@pytest.mark.usefixtures("shared_redis")
def test_a_spreader_that_fails_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    failed = threading.Event()

    def tick(_: Spreader) -> bool:
        failed.set()
        raise RuntimeError("a fault nobody thought of")

    def sending(_: Sender, __: threading.Event | None = None) -> int:
        assert failed.wait(30)
        assert spreaders()
        signal.raise_signal(signal.SIGTERM)
        return 0

    monkeypatch.setattr(Spreader, "tick", tick)
    monkeypatch.setattr(Sender, "tick", sending)
    result = CliRunner().invoke(main, ["send"])
    assert result.exit_code == 0, result.output
    assert not spreaders()
