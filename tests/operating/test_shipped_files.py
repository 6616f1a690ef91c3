"""What comes with Fieldbell for operators holds together: units, the container file, the page."""

from __future__ import annotations

import configparser
import re
import shlex
import shutil
import subprocess
import time
from pathlib import Path

import click
import pytest
from deployments import free_port

import bot.operating
from bot.cli import main
from bot.settings import PREFIX, Settings
from bot.store.server import find_server

FOLDER = Path(bot.operating.__file__).parent
ROOT = FOLDER.parent.parent
SERVICES = sorted(FOLDER.glob("*.service"))
PAGE = FOLDER / "README.md"


def options(unit: Path) -> list[tuple[str, str, str]]:
    """Every option of a unit with its section; one may come several times."""
    section, found = "", []
    for line in unit.read_text().splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line and not line.startswith("#"):
            name, _, value = line.partition("=")
            found.append((section, name, value))
    return found


def installed(unit: Path, folder: Path) -> Path:
    """A copy of a unit whose commands are there to be found, as after an installation."""
    text = unit.read_text()
    for name in ("fieldbell", "gunicorn"):
        text = text.replace(f"/opt/fieldbell/bin/{name}", "/bin/true")
    text = text.replace("/usr/bin/gammu-smsd", "/bin/true")
    (folder / unit.name).write_text(text)
    return folder / unit.name


def systemd_analyze(*arguments: str | Path) -> str:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here")
    done = subprocess.run(
        ["systemd-analyze", *arguments],  # noqa: S607
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert not done.stderr
    return done.stdout


@pytest.mark.parametrize("unit", [*SERVICES, *FOLDER.glob("*.timer")], ids=lambda it: it.name)
def test_systemd_finds_no_fault_in_a_unit(unit: Path, tmp_path: Path) -> None:
    for each in (*SERVICES, unit):
        installed(each, tmp_path)
    systemd_analyze("verify", "--man=no", tmp_path / unit.name)


@pytest.mark.parametrize("unit", SERVICES, ids=lambda it: it.name)
def test_a_service_is_let_do_little(unit: Path) -> None:
    found = systemd_analyze("security", "--offline=yes", "--no-pager", "--threshold=20", unit)
    assert re.search("OK|SAFE", found.splitlines()[-1])


@pytest.mark.parametrize("unit", SERVICES, ids=lambda it: it.name)
def test_a_service_runs_as_its_own_user_and_what_it_calls_is_a_command_of_ours(unit: Path) -> None:
    said = options(unit)
    values = {name: value for _, name, value in said}
    assert values["User"] == values["Group"] == "fieldbell"
    assert values["NoNewPrivileges"] == "yes"
    assert values["ProtectSystem"] == "strict"
    assert values["KillMode" if "backup" not in unit.name else "Type"] in {"mixed", "oneshot"}
    calls = re.findall(r"/opt/fieldbell/bin/(\w+) ([\w-]+)", unit.read_text())
    for program, word in calls:
        assert program == "gunicorn" or word in main.commands
    assert calls or unit.name == "fieldbell-modem.service"


def test_the_daemon_of_a_modem_has_the_folder_that_a_profile_is_shown_with() -> None:
    (shown,) = re.findall(r'^folder = "(.+?)" ', (ROOT / "README.md").read_text(), re.MULTILINE)
    values = {name: value for _, name, value in options(FOLDER / "fieldbell-modem.service")}
    assert values["ExecStart"] == f"/usr/bin/gammu-smsd -c {shown}/gammu-smsdrc -p {shown}/smsd.pid"


def test_a_sender_is_given_longer_to_end_than_a_text_may_take() -> None:
    values = {name: value for _, name, value in options(FOLDER / "fieldbell-send.service")}
    assert int(values["TimeoutStopSec"]) > 60  # of a modem, the longest timeout that is a default


def test_the_timer_calls_a_service_of_ours() -> None:
    timer = configparser.ConfigParser(interpolation=None)
    timer.read(FOLDER / "fieldbell-backup.timer")
    assert timer["Timer"]["OnCalendar"].endswith("UTC")
    assert (FOLDER / "fieldbell-backup.service").exists()


class TestContainer:
    """It cannot be built where there is no registry; what it names is there."""

    LINES = (FOLDER / "Containerfile").read_text().replace("\\\n", " ").splitlines()

    def instructions(self, name: str) -> list[str]:
        return [line.partition(" ")[2] for line in self.LINES if line.startswith(f"{name} ")]

    def test_what_it_copies_is_in_the_checkout_and_enough_to_build(self) -> None:
        copied = [
            source
            for line in self.instructions("COPY")
            if not line.startswith("--from")
            for source in shlex.split(line)[:-1]
        ]
        assert all((ROOT / each).exists() for each in copied), copied
        # What the build needs: pyproject.toml names README.md and LICENSE; the folders it packs.
        assert {"pyproject.toml", "README.md", "LICENSE", "bot", "flows", "locales"} <= {*copied}

    def test_it_ends_as_nobody_with_a_command_of_ours(self) -> None:
        assert self.instructions("USER") == ["10001"]
        (command,) = (each for each in self.instructions("CMD"))
        program, flag, config, *_ = re.findall(r'"([^"]+)"', command)
        assert (program, flag) == ("gunicorn", "--config")
        assert config == "/opt/fieldbell/operating/gunicorn.conf.py"
        assert (FOLDER / Path(config).name).exists()
        assert self.instructions("STOPSIGNAL") == ["SIGTERM"]

    def test_it_is_built_in_the_format_that_knows_its_health_check(self) -> None:
        assert self.instructions("HEALTHCHECK")
        # Podman builds the OCI's unless it is told, and that has none. (podman-build(1), --format)
        for text in (PAGE.read_text(), "\n".join(self.LINES)):
            builds = re.findall(r"podman build.*", text)
            assert builds
            assert all("--format docker" in each for each in builds)

    def test_both_stages_are_of_a_python_we_support(self) -> None:
        images = {line.split()[0] for line in self.instructions("FROM")}
        assert images == {"docker.io/library/python:3.11-slim"}


class TestPage:
    TEXT = PAGE.read_text()

    def test_every_command_of_ours_in_it_is_one(self) -> None:
        calls = re.findall(
            r"(?:^|[`/ ])fieldbell ((?:[a-z][\w-]*)(?: [a-z][\w-]*)?)", self.TEXT, re.MULTILINE
        )
        assert len(calls) > 15
        for call in calls:
            first, _, second = call.partition(" ")
            command = main.commands.get(first)
            assert command is not None, call
            if isinstance(command, click.Group) and second:
                assert second in command.commands, call

    def test_every_option_in_it_is_one_of_its_command(self) -> None:
        found = re.findall(r"fieldbell ((?:[a-z][\w-]* )+[^`\n]*--[^`\n]*)", self.TEXT)
        calls = [call for call in found if call.split()[0] in main.commands]
        assert len(calls) > 3
        for call in calls:
            command: click.Command = main
            words = call.split()
            while isinstance(command, click.Group) and words[0] in command.commands:
                command = command.commands[words.pop(0)]
            known = {option for each in command.params for option in each.opts}
            assert {word for word in words if word.startswith("--")} <= known, call

    def test_every_setting_in_it_is_one(self) -> None:
        named = set(re.findall(rf"{PREFIX}([A-Z_]+)", self.TEXT)) - {"SETTINGS"}
        assert {each.lower() for each in named} <= set(Settings.__struct_fields__)
        (toml,) = re.findall(r"```toml\n(.*?)```", self.TEXT, re.DOTALL)
        keys = re.findall(r"^(\w+) =", toml, re.MULTILINE)
        assert keys
        assert {*keys} <= set(Settings.__struct_fields__)

    def test_every_file_of_ours_in_it_is_there(self) -> None:
        for name in re.findall(r"operating/([\w.*-]+)", self.TEXT):
            assert list(FOLDER.glob(name)), name
        for target in re.findall(r"\]\((?!http|#)([^)#]+)", self.TEXT):
            assert (FOLDER / target).exists(), target

    def test_its_metrics_are_those_there_are(self) -> None:
        source = (FOLDER / "metrics.py").read_text()
        for name in set(re.findall(r"fieldbell_(\w+)", self.TEXT)):
            base = name.removesuffix("_total").removesuffix("_bucket").removesuffix("_count")
            assert f'"{base}"' in source or f'"fieldbell_{base}"' in source, name


REDIS_SETTINGS = [
    block
    for page in (PAGE, FOLDER / "scaling.md")
    for block in re.findall(r"^```\n(.*?)^```", page.read_text(), re.DOTALL | re.MULTILINE)
    if re.search(r"^(appendonly|min-replicas|cluster-enabled|sentinel) ?", block, re.MULTILINE)
]


@pytest.mark.parametrize("block", REDIS_SETTINGS, ids=lambda it: it.split()[0])
def test_redis_starts_with_the_settings_that_a_page_asks_for(block: str, tmp_path: Path) -> None:
    file, place = tmp_path / "redis.conf", tmp_path / "redis.sock"
    own = f"port {free_port()}\ndir {tmp_path}\nunixsocket {place}\n"
    file.write_text(own + block)
    sentinel = ["--sentinel"] if block.startswith("sentinel") else []
    log = tmp_path / "log"
    with log.open("w") as stream:
        server = subprocess.Popen([find_server(), file, *sentinel], stdout=stream, stderr=stream)
    try:
        deadline = time.monotonic() + 30
        while not place.exists():
            assert server.poll() is None, log.read_text()
            assert time.monotonic() < deadline
            time.sleep(0.02)
    finally:
        server.kill()
        server.wait()


def test_the_settings_of_redis_were_found() -> None:
    assert len(REDIS_SETTINGS) == 5
