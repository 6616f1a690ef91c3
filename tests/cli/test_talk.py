"""`fieldbell talk`: a phone in the terminal, driven through a pipe."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bot.cli import main

if TYPE_CHECKING:
    from click.testing import CliRunner, Result

FIELDBELL = Path(sys.executable).with_name("fieldbell")
USSD_CHARACTERS = 182  # 3GPP TS 23.038: 160 octets of 7-bit characters

# Low green grass and a sprayer; each list answers every question from the language to the day.
ENGLISH = [
    "hello", "1", "1.5 ac", "yes", "none", "grass", "40", "no", "yes", "yes", "180000", "20000",
    "60000", "50000", "yes", "no", "yes", "2", "16", "3", "1", "today",
]  # fmt: skip
KISWAHILI = [
    "habari", "kiswahili", "ekari moja na nusu", "ndiyo", "hakuna", "nyasi", "40", "hapana",
    "ndiyo", "ndiyo", "180000", "20000", "60000", "50000", "ndiyo", "hapana", "ndiyo", "2", "16",
    "3", "1", "leo",
]  # fmt: skip
# The same field by the numbers of the screens. The first screen comes with dialling.
KEYS = [
    "1", "1.5 ac", "1", "5", "3", "40", "2", "1", "1", "180000", "20000", "60000", "50000", "1",
    "2", "1", "2", "16", "3", "1", "today",
]  # fmt: skip


def talk(runner: CliRunner, lines: list[str], *options: str) -> Result:
    result = runner.invoke(
        main,
        ["talk", "--data", "data", *options],
        input="".join(f"{line}\n" for line in lines),
    )
    assert result.exit_code == 0, result.output
    return result


def sides(result: Result) -> tuple[list[str], list[str]]:
    """What was sent, and what arrived: a text's further lines are indented."""
    sent, arrived = [], []
    for line in result.output.splitlines():
        if line.startswith("> "):
            sent.append(line[2:])
        elif line.startswith("< "):
            arrived.append(line[2:])
        else:
            assert line.startswith("  "), line
            arrived[-1] += f"\n{line[2:]}"
    return sent, arrived


def test_a_conversation_in_english_leads_to_a_dated_plan(runner: CliRunner) -> None:
    sent, arrived = sides(talk(runner, ENGLISH, "--today", "2026-03-02"))
    assert sent == ENGLISH
    assert arrived[0].startswith("Fieldbell: advice for your cassava field")
    plan = arrived[len(ENGLISH) - 1]
    assert plan.startswith("Your plan for 1.5 acre:\nMon 2 Mar: spray\nMon 16 Mar: plough\n")


def test_a_conversation_in_kiswahili_leads_to_a_dated_plan(runner: CliRunner) -> None:
    sent, arrived = sides(talk(runner, KISWAHILI, "--today", "2026-03-02"))
    assert sent == KISWAHILI
    plan = arrived[len(KISWAHILI) - 1]
    assert plan.startswith("Mpango wako wa 1.5 ekari:\nJumatatu 2 Mac: nyunyiza\n")


def test_a_conversation_by_ussd_leads_to_a_plan_and_the_rest_by_sms(runner: CliRunner) -> None:
    result = talk(runner, KEYS, "--today", "2026-03-02", "--channel", "ussd")
    sent, arrived = sides(result)
    assert sent == KEYS
    screens, texts = arrived[: len(KEYS) + 1], arrived[len(KEYS) + 1 :]
    assert all(len(screen) <= USSD_CHARACTERS for screen in screens)
    assert "Mon 2 Mar: spray" in screens[-1]
    assert texts[0].startswith("Your plan for 1.5 acre:")


def test_a_reminder_arrives_on_its_day_and_its_answer_moves_the_plan(runner: CliRunner) -> None:
    talk(runner, ENGLISH, "--today", "2026-03-02")
    _, early = sides(talk(runner, [], "--today", "2026-03-02"))
    assert early == []  # the plan itself has just said so
    _, arrived = sides(talk(runner, ["1"], "--today", "2026-03-03"))
    assert "goggles" in arrived[0]  # protection comes with every spray reminder
    assert arrived[-2].endswith(
        "Fieldbell, Tue 3 Mar: Spray the green leaves with glyphosate.\n1 Done  2 Not yet  3 Help"
    )
    # Common practice: 14 days for a full kill, and then the plough.
    assert arrived[-1] == "Noted: done on Tue 3 Mar.\nNext, Tue 17 Mar: Plough once."
    _, arrived = sides(talk(runner, ["2 20/3"], "--today", "2026-03-17"))
    assert "Plough once." in arrived[0]
    assert arrived[-1] == "Noted: not before Fri 20 Mar.\nNext, Fri 20 Mar: Plough once."
    _, arrived = sides(talk(runner, [], "--today", "2026-03-19"))
    assert arrived == []


def test_the_conversation_goes_on_in_the_next_run(runner: CliRunner) -> None:
    talk(runner, ENGLISH[:4])
    _, arrived = sides(talk(runner, ENGLISH[4:6]))
    assert arrived[0].startswith("What grows on the field now?")
    assert arrived[1].startswith("How high is it, in cm?")


def test_numbers_are_kept_apart(runner: CliRunner) -> None:
    talk(runner, ENGLISH[:4], "--number", "+255655000001")
    _, arrived = sides(talk(runner, ["hello"], "--number", "0655 000 002"))
    assert "1 English" in arrived[0]
    _, arrived = sides(talk(runner, ["none"], "--number", "0655 000 001"))
    assert arrived[0].startswith("What grows on the field now?")


def test_lang_spares_a_new_number_the_first_question(runner: CliRunner) -> None:
    _, arrived = sides(talk(runner, ["habari"], "--lang", "sw"))
    assert arrived[0].startswith("Shamba lina ukubwa gani?")


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (["--number", "12"], "12: not a phone number; write it as +255655512345\n"),
        (["--lang", "xx"], "xx: not on offer; choose en, sw\n"),
    ],
)
def test_an_option_that_cannot_be_used_is_refused_in_one_line(
    runner: CliRunner, options: list[str], reason: str
) -> None:
    result = runner.invoke(main, ["talk", *options], input="")
    assert (result.exit_code, result.stderr, result.stdout) == (2, reason, "")


def test_a_setting_nobody_knows_is_refused_in_one_line(
    runner: CliRunner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FIELDBELL_ZONES", "Africa/Lagos")
    result = runner.invoke(main, ["talk"], input="")
    assert result.exit_code == 2
    assert result.stderr == (
        "unknown environment variable FIELDBELL_ZONES; did you mean FIELDBELL_ZONE?\n"
    )


def test_any_bytes_through_a_real_pipe_get_a_reply(tmp_path: Path) -> None:
    lines = [b"hello", b"1", b"\xff\xfe", b"", "🌱".encode(), b"x" * 10_000, b"\x00", b"1.5 ac\xff"]
    done = subprocess.run(
        [FIELDBELL, "talk", "--data", tmp_path / "data"],
        input=b"\n".join(lines) + b"\n",
        capture_output=True,
        check=False,
        timeout=30,
        env={"PYTHONUTF8": "1", "PATH": ""},
    )
    assert (done.returncode, done.stderr) == (0, b"")
    shown = done.stdout.decode().splitlines()
    assert len([line for line in shown if line.startswith("> ")]) == len(lines)
    assert len([line for line in shown if line.startswith("< ")]) >= len(lines)
