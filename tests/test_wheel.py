"""The wheel as a stranger gets it: built, installed into an empty environment, run anywhere."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.wheel

ROOT = Path(__file__).resolve().parent.parent
PIP = ("-m", "pip", "--disable-pip-version-check", "--quiet")
SHEET = """\
today: 2026-03-02
area: {length_m: 60, width_m: 80}
soil: {stony: true, shallow: false, waterlogged: false, sloping: false, fertile: true}
cover: woody
height_cm: 150
green: true
hard_weeds: false
herbicide_ok: false
price_per_tonne: 150000
plough_cost_per_acre: 60000
ridge_cost_per_acre: 300000
dry_season_harvest: false
clay_waterlogged: false
weeds_hard_to_control: false
light_well_drained: true
low_sprouting: false
fast_early_weeds: false
planting_date: 2026-03-20
"""


def run(*command: str | Path, cwd: Path) -> str:
    """Run a command without the settings and paths of this environment; return what it prints."""
    kept = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
    pip = {name: value for name, value in os.environ.items() if name.startswith("PIP_")}
    done = subprocess.run(
        command,
        cwd=cwd,
        env=kept | pip,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--outdir", folder, ROOT, cwd=folder)
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def environment(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh environment with the locked packages and the wheel; returns its bin folder."""
    folder = tmp_path_factory.mktemp("environment")
    run(sys.executable, "-m", "venv", "--without-pip", folder, cwd=folder)

    def pip(*command: str | Path) -> None:
        # Our pip serves it, and what is never run is not compiled: half of the time.
        run(sys.executable, *PIP, "--python", folder / "bin" / "python", *command, cwd=folder)

    install, lock = ("install", "--no-compile", "--no-deps"), ROOT / "requirements.lock"
    pip(*install, "--require-hashes", "-r", lock)
    pip(*install, wheel)
    # Everything the wheel says it needs is in the lock, in a version that will do.
    pip("check")
    return folder / "bin"


@pytest.fixture
def empty(tmp_path: Path) -> Path:
    return tmp_path


def test_flows_translations_scripts_and_profiles_travel_in_the_wheel(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    for folder, inside in (("flows", "bot/_data/flows"), ("locales", "bot/_data/locales")):
        for file in (ROOT / folder).rglob("*"):
            if file.is_file():
                assert f"{inside}/{file.relative_to(ROOT / folder)}" in names
    for pattern in ("*.py", "*.lua", "*.toml", "py.typed"):
        for file in (ROOT / "bot").rglob(pattern):
            assert str(file.relative_to(ROOT)) in names
    for file in (ROOT / "bot" / "operating").glob("*[!_]"):  # units, the page, and the like
        if file.is_file():
            assert str(file.relative_to(ROOT)) in names
    assert not [name for name in names if name.startswith("tests/")]


def test_the_package_that_runs_is_the_wheels(environment: Path, empty: Path) -> None:
    where = run(
        environment / "python",
        "-c",
        "import bot; from bot import data; print(bot.__file__); print(data.folder('flows'))",
        cwd=empty,
    ).splitlines()
    for place in where:
        assert Path(place).is_relative_to(environment.parent)


@pytest.mark.parametrize("file", ["README.md", "Containerfile"])
def test_the_units_and_settings_linked_to_are_the_wheels_though_the_checkout_is_near(
    environment: Path, file: str
) -> None:
    said = (ROOT / "bot" / "operating" / file).read_text()
    (arguments,) = re.findall(r'"\$\(/opt/fieldbell/bin/python (.+)\)/operating"', said)
    found = run(environment / "python", *shlex.split(arguments), cwd=ROOT).strip()
    assert (Path(found) / "operating" / "gunicorn.conf.py").exists()
    assert Path(found).is_relative_to(environment.parent)


def test_it_checks_advises_and_lives_through_the_demo_from_an_empty_folder(
    environment: Path, empty: Path
) -> None:
    fieldbell = environment / "fieldbell"
    assert "every text fits" in run(fieldbell, "check", cwd=empty)
    demo = run(fieldbell, "demo", cwd=empty)
    assert demo.splitlines()[-1].endswith("Every reply came from the engine.")
    assert list(empty.iterdir()) == []

    (empty / "sheet.yaml").write_text(SHEET, encoding="utf-8")
    advice = json.loads(run(fieldbell, "advise", "sheet.yaml", "--json", cwd=empty))
    assert advice["verdict"] == "poor"
    assert [each["name"] for each in advice["operations"]][:4] == [
        "slash",
        "clear",
        "plough",
        "plant",
    ]
    assert advice["operations"][3]["due"] == "2026-03-20"
