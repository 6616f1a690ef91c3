"""`fieldbell doctor`, `backup`, `backup-key` and `restore` from the terminal."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from bot.cli import main
from bot.dialogue.records import Grower
from bot.operating import checking_setup
from bot.store import keys
from bot.store.growers import NEW, Store
from bot.store.people import People

if TYPE_CHECKING:
    from pathlib import Path

    import redis
    from click.testing import CliRunner

    from bot.store.server import EmbeddedRedis

NUMBER = "+255712345678"


@pytest.fixture(autouse=True)
def redis_url(
    redis_server: EmbeddedRedis, redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Let the commands reach the tests' own Redis, which is empty."""
    assert redis_client.dbsize() == 0
    monkeypatch.setenv("REDIS_URL", redis_server.url)


def test_a_backup_is_made_and_put_back(
    runner: CliRunner, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.commit(NUMBER, NEW, Grower(name="Neema"), due=None)
    made = runner.invoke(main, ["backup-key", "key"])
    assert made.exit_code == 0
    variable, _, recipient = made.stdout.strip().partition("=")
    monkeypatch.setenv(variable, recipient)
    assert runner.invoke(main, ["backup", "a.age"]).exit_code == 0
    assert (tmp_path / "a.age").read_bytes().startswith(b"age-encryption.org/v1")

    refused = runner.invoke(main, ["restore", "a.age", "--key", "key"])
    assert refused.exit_code == 1
    assert "already" in refused.stderr
    store.redis.flushall()
    without = runner.invoke(main, ["restore", "a.age"])
    assert (without.exit_code, store.redis.dbsize()) == (1, 0)
    restored = runner.invoke(main, ["restore", "a.age", "--key", "key"])
    assert (restored.exit_code, restored.stderr) == (0, "")
    assert store.load(NUMBER).grower.name == "Neema"
    ((_, entry),) = People(store.redis).recent(9)
    assert entry.what == "restored"


def held(client: redis.Redis) -> dict[bytes, object]:
    # A hash of some size has no order, so that its dump may be another each time.
    return {
        key: client.hgetall(key) if client.type(key) == b"hash" else client.dump(key)
        for key in client.scan_iter()
    }


def test_a_move_changes_nothing(runner: CliRunner, store: Store) -> None:
    store.commit(NUMBER, NEW, Grower(name="Neema"), due=None)
    before = held(store.redis)
    assert runner.invoke(main, ["backup", "a", "--in-the-clear"]).exit_code == 0
    store.redis.flushall()
    assert runner.invoke(main, ["restore", "a", "--as-it-was"]).exit_code == 0
    assert held(store.redis) == before


def test_a_backup_to_nobody_is_refused(runner: CliRunner, tmp_path: Path) -> None:
    result = runner.invoke(main, ["backup", "a"])
    assert result.exit_code == 1
    assert "backup-key" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_no_sender_begins_while_a_backup_is_put_back(runner: CliRunner, store: Store) -> None:
    store.redis.set(keys.restoring_key(), "1")
    result = runner.invoke(main, ["send", "--once"])
    assert result.exit_code == 1
    assert "put back" in result.stderr


def test_the_doctor_says_what_is_wrong_and_how_to_mend_it(
    runner: CliRunner, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checking_setup, "prove", lambda _: [])  # it has a test of its own
    (tmp_path / "out.toml").write_text(
        '[modem]\nfolder = "."\n[sms_in]\nbody = "json"\nnumber = "f"\ntext = "t"\n'
    )
    environ = {"FIELDBELL_GATEWAY": "out.toml"}
    well = runner.invoke(main, ["doctor", "--json"], env=environ)
    findings = [json.loads(line) for line in well.stdout.splitlines()]
    assert [each for each in findings if each["level"] == "wrong"] == []
    assert well.exit_code == 0

    store.commit(NUMBER, NEW, Grower(), due=1.0)
    ill = runner.invoke(main, ["doctor"], env=environ)
    assert ill.exit_code == 1
    lines = ill.stdout.splitlines()
    (place,) = (place for place, line in enumerate(lines) if line.startswith("wrong"))
    assert "no sender is at work" in lines[place]
    assert lines[place + 1].lstrip().startswith("> start one")


def findings_of(runner: CliRunner, monkeypatch: pytest.MonkeyPatch) -> list[dict[str, str]]:
    monkeypatch.setattr(checking_setup, "prove", lambda _: [])
    looked = runner.invoke(main, ["doctor", "--json"])
    return [json.loads(line) for line in looked.stdout.splitlines()]


def test_the_doctor_signs_in_to_redis_with_the_password_of_the_settings(
    runner: CliRunner, redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FIELDBELL_REDIS_PASSWORD", "of this test")
    redis_client.config_set("requirepass", "of this test")
    try:
        findings = findings_of(runner, monkeypatch)
    finally:
        redis_client.config_set("requirepass", "")
    assert {"level": "ok", "part": "redis", "found": "answers", "mend": ""} in findings


def test_a_cluster_that_does_not_answer_is_a_finding_among_the_others(
    runner: CliRunner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("REDIS_URL", "redis+cluster://127.0.0.1:1")
    findings = findings_of(runner, monkeypatch)
    assert {each["part"] for each in findings} >= {"settings", "flows", "gateway", "redis"}
    (ill,) = (each for each in findings if each["part"] == "redis")
    assert ill["level"] == "wrong"


@pytest.mark.parametrize("command", ["backup", "backup-key"])
def test_a_place_that_may_not_be_looked_into_is_a_line_and_no_traceback(
    runner: CliRunner, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    def refused(_: Path) -> bool:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.exists", refused)  # for root everything may be
    options = ["--in-the-clear"] if command == "backup" else []
    result = runner.invoke(main, [command, "file", *options])
    assert result.exit_code == 1
    assert result.stderr == "Error: file cannot be written: Permission denied\n"
