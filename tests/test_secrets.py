"""Secrets come from the environment or from files, and are shown nowhere."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import pytest

from bot.gateways.profiles import ProfileError, secret
from bot.settings import SECRETS, Settings, SettingsError, held_by

if TYPE_CHECKING:
    from pathlib import Path

KEY = "correct horse battery staple"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    made = tmp_path / "secret"
    made.write_text(f"{KEY}\n")
    return made


@pytest.mark.parametrize("name", SECRETS)
def test_a_secret_may_stand_in_a_file(file: Path, name: str) -> None:
    settings = Settings.read({f"FIELDBELL_{name.upper()}_FILE": str(file)})
    assert getattr(settings, name) == KEY


def test_the_address_of_redis_may_stand_in_a_file_by_either_name(tmp_path: Path) -> None:
    url = tmp_path / "url"
    url.write_text("redis://user:pass@a:6379/0")
    assert Settings.read({"REDIS_URL_FILE": str(url)}).redis_url == url.read_text()
    both = {"REDIS_URL": "redis://b", "FIELDBELL_REDIS_URL_FILE": str(url)}
    assert Settings.read(both).redis_url == url.read_text()


@pytest.mark.parametrize(
    ("written", "read"),
    [("a", "a"), ("a\n", "a"), ("a\r\n", "a"), ("a\n\n", "a\n"), (" a ", " a "), ("", "")],
)
def test_only_the_last_line_end_of_a_file_is_no_part_of_the_secret(
    tmp_path: Path, written: str, read: str
) -> None:
    made = tmp_path / "secret"
    made.write_bytes(written.encode())
    assert held_by("KEY", {"KEY_FILE": str(made)}) == read


def test_a_secret_given_twice_is_an_error_that_shows_neither(file: Path) -> None:
    twice = {"FIELDBELL_SECRET": "another one", "FIELDBELL_SECRET_FILE": str(file)}
    with pytest.raises(SettingsError, match="FIELDBELL_SECRET_FILE are both set") as caught:
        Settings.read(twice)
    assert KEY not in str(caught.value)
    assert "another one" not in str(caught.value)


def test_a_file_that_is_not_there_is_an_error_that_names_it() -> None:
    with pytest.raises(SettingsError, match="FIELDBELL_SECRET_FILE names /nowhere"):
        Settings.read({"FIELDBELL_SECRET_FILE": "/nowhere"})


def test_a_file_of_bytes_that_are_no_text_is_an_error_that_shows_none_of_them(
    tmp_path: Path,
) -> None:
    made = tmp_path / "secret"
    made.write_bytes(b"\xff\xfehidden")
    with pytest.raises(SettingsError, match="is not UTF-8 text") as caught:
        held_by("KEY", {"KEY_FILE": str(made)})
    assert "hidden" not in str(caught.value)


def test_what_is_no_secret_cannot_stand_in_a_file() -> None:
    with pytest.raises(SettingsError, match="FIELDBELL_ZONE_FILE"):
        Settings.read({"FIELDBELL_ZONE_FILE": "/etc/zone"})


def test_a_misspelt_file_of_a_secret_names_the_nearest() -> None:
    with pytest.raises(SettingsError, match="did you mean FIELDBELL_SECRET_FILE"):
        Settings.read({"FIELDBELL_SECRET_FILES": "/run/secrets/x"})


def test_a_gateways_secret_may_stand_in_a_file(file: Path) -> None:
    assert secret("GATEWAY_KEY", {"GATEWAY_KEY_FILE": str(file)}) == KEY
    with pytest.raises(ProfileError, match="both set"):
        secret("GATEWAY_KEY", {"GATEWAY_KEY_FILE": str(file), "GATEWAY_KEY": "x"})
    with pytest.raises(ProfileError, match="GATEWAY_KEY, which is not set"):
        secret("GATEWAY_KEY", {})


@pytest.mark.parametrize("shown", [repr, str, lambda it: f"{it}", lambda it: f"{it!r}"])
def test_settings_that_are_shown_show_no_secret(shown: object) -> None:
    settings = Settings(**dict.fromkeys(SECRETS, KEY), zone="Africa/Lagos", remind_at=8)
    said = shown(settings)  # type: ignore[operator]
    assert KEY not in said
    assert "zone='Africa/Lagos'" in said
    assert "secret=(set)" in said
    assert "secret=''" in shown(Settings())  # type: ignore[operator]


@pytest.mark.parametrize(
    ("mode", "text", "warned"),
    [
        (0o644, f'secret = "{KEY}"', True),
        (0o604, f'reviewer_key = "{KEY}"', True),
        (0o640, f'secret = "{KEY}"', False),
        (0o600, f'redis_url = "redis://:{KEY}@h"', False),
        (0o644, f'redis_url = "redis://:{KEY}@h"', True),
        (0o644, f'redis_url = "redis+sentinel://h/s?sentinel_password={KEY}"', True),
        (0o644, 'redis_url = "redis://127.0.0.1:6379/0"', False),
        (0o644, 'redis_url = "redis+cluster://fieldbell@10.0.0.1:6379,10.0.0.2"', False),
        (0o644, 'zone = "Africa/Lagos"', False),
    ],
)
def test_a_settings_file_with_a_secret_that_everybody_can_read_is_warned_of(
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
    mode: int,
    text: str,
    warned: bool,  # noqa: FBT001
) -> None:
    made = tmp_path / "fieldbell.toml"
    made.write_text(text)
    made.chmod(mode)
    with caplog.at_level(logging.WARNING):
        Settings.read({}, made)
    assert ("everybody on this machine can read" in caplog.text) is warned
    assert KEY not in caplog.text
