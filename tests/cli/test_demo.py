"""`fieldbell demo`: a season lived through by the engine itself."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bot.demo import run
from bot.wording.gsm import segments

FIELDBELL = Path(sys.executable).with_name("fieldbell")


@pytest.fixture(scope="module")
def season() -> str:
    shown: list[str] = []
    run(shown.append)
    return "\n".join(shown)


def arrived(season: str) -> list[tuple[str, str, str]]:
    """Each text as shown: to whom, how big, and what it says."""
    found = re.findall(r"^.{21}  to (\w+) \((.+)\)\n((?:    \| .*\n?)+)", season, re.MULTILINE)
    return [
        (name, size, "\n".join(line[6:] for line in body.splitlines()))
        for name, size, body in found
    ]


def test_the_command_ends_well_and_soon(season: str, tmp_path: Path) -> None:
    began = time.monotonic()
    done = subprocess.run(
        [FIELDBELL, "demo"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        env={"PATH": "", "PYTHONUTF8": "1"},
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert time.monotonic() - began < 10
    # The clock is the demo's own, so that another process on another day shows the same.
    assert done.stdout.rstrip("\n") == season
    assert list(tmp_path.iterdir()) == []


def test_three_growers_live_through_a_season(season: str) -> None:
    texts = arrived(season)
    assert {name for name, _, _ in texts} == {"Asha", "Tobias", "Rehema"}
    assert season.splitlines()[-1].endswith("Every reply came from the engine.")
    days = re.findall(r"^\w{3} (\d\d \w{3} \d{4} \d\d:\d\d)", season, re.MULTILINE)
    instants = [time.strptime(day, "%d %b %Y %H:%M") for day in days]
    assert instants == sorted(instants)
    assert (instants[0].tm_mon, instants[-1].tm_mon) == (2, 12)


def test_each_text_is_shown_with_its_size(season: str) -> None:
    for _, size, body in arrived(season):
        if size.startswith("USSD"):
            assert size == f"USSD, {len(body)} characters"
            assert len(body) <= 182  # 3GPP TS 23.038: 160 octets of 7-bit characters
        else:
            parts = segments(body)
            assert size == f"SMS, {parts} segment{'s' if parts > 1 else ''}"


def test_one_speaks_kiswahili_and_one_uses_ussd(season: str) -> None:
    asha = [(size, body) for name, size, body in arrived(season) if name == "Asha"]
    assert any(body.startswith("Mpango wako wa 1.5 ekari:") for _, body in asha)
    tobias = [size for name, size, _ in arrived(season) if name == "Tobias"]
    assert any(size.startswith("USSD") for size in tobias)
    assert any(size.startswith("SMS") for size in tobias)  # reminders come as texts


@pytest.mark.parametrize(
    "act",
    [
        "Look how far the weeds are.",
        "Look how far the weeds are, 8 weeks after planting.",
        "Dig up a few plants to see how big the roots are.",
    ],
)
def test_the_season_has_its_reminders(season: str, act: str) -> None:
    choices = "1 Done  2 Not yet  3 Help"
    reminders = [
        body
        for _, _, body in arrived(season)
        if "Fieldbell" in body and act in body and body.endswith(choices)
    ]
    assert reminders


def test_planting_waits_for_rain_and_gaps_are_counted(season: str) -> None:
    dry = season.partition("Tobias writes: 2\n")
    rain = season.partition("Have one or two good rains fallen")[2]
    assert dry[1]
    assert "Then wait. I ask again on" in rain
    assert "Good: plant now, while the soil is moist." in rain
    # 8 of 100 places are empty: by hand 6,858 x 8 % and a tenth to spare, 604
    assert "Bring 604 stakes to fill the gaps." in season


def test_not_yet_moves_the_plan(season: str) -> None:
    told = season.partition("writes: not yet")[2]
    # Rehema puts off the spray to 7 March, and is not reminded of it before.
    promised = "Noted: not before Sat 7 Mar.\n    | Next, Sat 7 Mar: Spray the green leaves"
    assert promised in told
    between = told.partition(promised)[2].partition("07 Mar 2026")[0]
    assert between
    assert not re.search(r"to Rehema \(SMS.*\n.*Fieldbell", between)


def test_a_misread_answer_gets_what_is_expected_and_the_question_again(season: str) -> None:
    after = season.partition("Rehema writes: big\n")[2]
    _, _, body = arrived(after)[0]
    expected, question = body.split("\n", 1)
    assert expected.startswith("I did not understand that. Send a number and its unit")
    assert question.startswith("How big is the field?")


def test_a_folder_that_was_kept_gives_the_same_season_again(season: str, tmp_path: Path) -> None:
    for _ in range(2):
        shown: list[str] = []
        run(shown.append, tmp_path)
        assert "\n".join(shown) == season
