"""Under the users of the example, Fieldbell can do all its work, and nobody more than that."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
import redis
from acl_server import EXAMPLE, PLACEHOLDER, client, served, users
from redis.backoff import NoBackoff
from redis.retry import Retry
from seasons import ASHA, BARAKA, Day

from bot.operating.backups import backup
from bot.settings import Settings
from bot.store.dumping import entries
from bot.store.growers import Store
from bot.web import create_app

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture(scope="module")
def socket(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with served(tmp_path_factory.mktemp("acl")) as made:
        yield made


@pytest.fixture
def fieldbell(socket: Path) -> Iterator[redis.Redis]:
    with client(socket, "administrator") as administrator:
        administrator.flushall()
        administrator.script_flush()
    with client(socket, "fieldbell") as made:
        yield made


def test_a_whole_day_goes_by_under_its_user(fieldbell: redis.Redis) -> None:
    day = Day(fieldbell)
    day.live()
    errors = {what: status for what, status in day.statuses.items() if status >= 500}
    assert errors == {"damaged": 503}
    assert day.statuses["sign in a long enough one"] == 303
    assert day.statuses["sign in wrong"] == 403
    assert day.statuses[f"desk growers/{ASHA}"] == 200
    assert day.statuses["POST /rounds/ID/start"] == 200
    assert {each.text.to for each in day.gateway.ledger} == {ASHA}
    assert Store(fieldbell).load(ASHA).known is None
    assert Store(fieldbell).load(BARAKA).known is not None


def test_it_is_backed_up_under_its_user(
    socket: Path, fieldbell: redis.Redis, tmp_path: Path
) -> None:
    Day(fieldbell).live()
    with client(socket, "administrator") as administrator:
        kept = list(entries(administrator))
    assert kept
    assert backup(fieldbell, tmp_path / "a.backup", []) == len(kept)


@pytest.mark.parametrize(
    "command",
    [
        *("FLUSHALL", "FLUSHDB", "KEYS *", "CONFIG GET *", "CONFIG SET dir /tmp", "DEBUG OBJECT x"),
        *("MONITOR", "SHUTDOWN NOSAVE", "SAVE", "BGSAVE", "BGREWRITEAOF", "REPLICAOF a 1"),
        *("SLAVEOF a 1", "ACL LIST", "ACL SETUSER x on", "CLIENT LIST", "CLIENT KILL x"),
        *("MIGRATE a 1 x 0 1", "SWAPDB 0 1", "MODULE LIST", "SCRIPT FLUSH", "SCRIPT KILL"),
        *("SLOWLOG GET", "LATENCY LATEST", "CLUSTER RESET", "PUBLISH a b", "SUBSCRIBE a"),
        *("PSUBSCRIBE *", "FAILOVER", "SORT {desk}:x", "RESTORE {desk}:x 0 y"),
    ],
)
def test_what_is_not_its_work_is_refused_to_it(fieldbell: redis.Redis, command: str) -> None:
    # Redis 7 refuses DEBUG to everyone, before it looks at users.
    with pytest.raises(redis.exceptions.ResponseError, match=r"no permissions|DEBUG command not"):
        fieldbell.execute_command(*command.split())


@pytest.mark.parametrize(
    "command",
    ["GET other", "SET other 1", "GET {s00}x", "DEL {t00}:grower:1", "COPY {desk}:x other"],
)
def test_keys_that_are_not_its_own_are_refused_to_it(fieldbell: redis.Redis, command: str) -> None:
    with pytest.raises(redis.exceptions.NoPermissionError):
        fieldbell.execute_command(*command.split())


def test_a_script_can_do_no_more_than_its_user(fieldbell: redis.Redis) -> None:
    for inside in ("'FLUSHALL'", "'CONFIG', 'GET', '*'", "'GET', 'other'"):
        with pytest.raises(redis.exceptions.ResponseError, match=r"not allowed|permission|can't"):
            fieldbell.eval(f"return redis.call({inside})", 0)


def test_who_does_not_say_who_they_are_is_nobody(socket: Path) -> None:
    once = Retry(NoBackoff(), 0)
    with redis.Redis(unix_socket_path=str(socket), retry=once) as nobody:
        for command in ("PING", "GET {desk}:users", "INFO"):
            with pytest.raises(redis.exceptions.AuthenticationError):
                nobody.execute_command(*command.split())


def test_with_the_example_as_it_stands_nobody_can_sign_in() -> None:
    text = EXAMPLE.read_text()
    assert text.count(PLACEHOLDER) == 2
    assert "nopass" not in text
    assert ">" not in users(text)


def test_a_right_that_is_missing_is_told_to_the_operator_and_loses_no_text(
    socket: Path, fieldbell: redis.Redis, caplog: pytest.LogCaptureFixture
) -> None:
    with client(socket, "administrator") as administrator:
        administrator.execute_command("ACL", "SETUSER", "fieldbell", "-evalsha")
        try:
            app = create_app(Settings(), Store(fieldbell))
            answer = app.test_client().post("/hooks/sms", json={"from": ASHA, "text": "x"})
        finally:
            administrator.execute_command("ACL", "SETUSER", "fieldbell", "+evalsha")
    assert answer.status_code == 503
    assert "lacks a right" in caplog.text
