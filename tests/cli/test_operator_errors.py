"""What an operator must mend is one line, and never a traceback."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from bot.cli import main

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import CliRunner


@pytest.mark.parametrize("command", ["serve", "send"])
def test_a_misspelt_profile_names_the_nearest_key(
    runner: CliRunner, tmp_path: Path, command: str
) -> None:
    profile = tmp_path / "ours.toml"
    profile.write_text('[sms_in]\nbody = "json"\nnumbr = "from"\ntext = "text"\n')
    environ = {"FIELDBELL_GATEWAY": str(profile), "FIELDBELL_DATA": str(tmp_path / "data")}
    result = runner.invoke(main, [command], env=environ)
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert "did you mean number?" in line


def test_a_misspelt_setting_names_the_nearest_one(runner: CliRunner) -> None:
    result = runner.invoke(main, ["send"], env={"FIELDBELL_ZON": "Africa/Lagos"})
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert "zone" in line.lower()
