"""`fieldbell desk`: people and tokens from the terminal, on the embedded Redis of the tests."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from bot.desk_cli import desk
from bot.store.people import SCOPES, People

if TYPE_CHECKING:
    import redis
    from click.testing import CliRunner, Result

    from bot.store.server import EmbeddedRedis


@pytest.fixture(autouse=True)
def redis_url(
    redis_server: EmbeddedRedis, redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Let the commands reach the tests' own Redis, which is empty."""
    assert redis_client.dbsize() == 0
    monkeypatch.setenv("REDIS_URL", redis_server.url)


@pytest.fixture
def people(redis_client: redis.Redis) -> People:
    return People(redis_client)


def done(result: Result) -> list[str]:
    assert (result.exit_code, result.stderr) == (0, "")
    return result.stdout.splitlines()


def refused(result: Result, *parts: str) -> None:
    assert (result.exit_code, result.stdout) == (2, "")
    assert len(result.stderr.splitlines()) == 1
    assert [part for part in parts if part not in result.stderr] == [], result.stderr


def trail(people: People) -> list[tuple[str, str, str, str]]:
    """What was done, the first thing first."""
    found = [entry for _, entry in people.recent(50)]
    return [(each.who, each.what, each.whom, each.detail) for each in reversed(found)]


def test_somebody_is_added_and_their_password_printed_once(
    runner: CliRunner, people: People
) -> None:
    arguments = ["add", "Amina  Juma", "--group", "Mirindi North", "--group", "Kasele"]
    first, password = done(runner.invoke(desk, arguments))
    assert first.startswith("amina juma may sign in")
    user = people.check("amina juma", password)
    assert user is not None
    assert (user.role, user.groups, user.temporary) == ("agent", ("Mirindi North", "Kasele"), True)
    assert trail(people) == [
        ("(command line)", "added", "amina juma", "agent; Mirindi North; Kasele")
    ]
    refused(runner.invoke(desk, ["add", "amina juma"]), "there is already someone called")
    refused(runner.invoke(desk, ["add", "<script>"]), "letters, digits")


def test_the_list_tells_names_roles_and_groups(runner: CliRunner) -> None:
    assert done(runner.invoke(desk, ["list"])) == ["name  role  last seen  second factor  groups"]
    runner.invoke(desk, ["add", "baraka", "--role", "admin"])
    runner.invoke(desk, ["add", "amina", "--group", "Kasele", "--group", "Mirindi North"])
    lines = [re.split(r"  +", line) for line in done(runner.invoke(desk, ["list"]))]
    assert lines[1:] == [
        ["amina", "agent", "never", "no", "Kasele; Mirindi North"],
        ["baraka", "admin", "never", "no"],
    ]


def test_when_somebody_was_seen_is_told_in_the_zone_of_the_settings(
    runner: CliRunner, redis_client: redis.Redis
) -> None:
    runner.invoke(desk, ["add", "amina"])
    People(redis_client, lambda: 1_772_431_200).seen("amina")  # 2026-03-02 06:00 UTC
    assert "2026-03-02 09:00" in runner.invoke(desk, ["list"]).stdout


def test_a_new_password_replaces_the_old(runner: CliRunner, people: People) -> None:
    old = done(runner.invoke(desk, ["add", "amina"]))[1]
    new = done(runner.invoke(desk, ["password", "Amina"]))[1]
    assert people.check("amina", old) is None
    assert people.check("amina", new) is not None
    assert trail(people)[-1] == ("(command line)", "gave a new password to", "amina", "")
    assert not any(new in part for entry in trail(people) for part in entry)


def test_signing_out_ends_sessions_and_removing_removes(runner: CliRunner, people: People) -> None:
    runner.invoke(desk, ["add", "amina"])
    before = people.users()[0].generation
    assert done(runner.invoke(desk, ["sign-out", "amina"])) == ["amina is signed out everywhere"]
    assert people.users()[0].generation != before
    assert done(runner.invoke(desk, ["remove", "amina"])) == ["amina is removed"]
    assert people.users() == []
    assert [what for _, what, _, _ in trail(people)] == [
        "added",
        "ended the sessions of",
        "removed",
    ]


def test_a_second_factor_that_is_lost_is_taken_away(runner: CliRunner, people: People) -> None:
    people.add("amina", "agent")
    refused(runner.invoke(desk, ["drop-second-factor", "amina"]), "no second factor to take away")
    given = people.set_factor("amina", b"\x07" * 20, 0)
    assert given is not None
    assert "  yes" in done(runner.invoke(desk, ["list"]))[1]
    (said,) = done(runner.invoke(desk, ["drop-second-factor", "Amina"]))
    assert said.startswith("amina signs in with the password alone")
    (user,) = people.users()
    assert (user.factor, user.generation) == (None, given[0].generation + 1)
    assert trail(people) == [("(command line)", "took away the second factor of", "amina", "")]


@pytest.mark.parametrize(
    "command", ["password", "remove", "sign-out", "drop-second-factor", "revoke"]
)
def test_an_unknown_name_is_told_with_the_nearest(
    runner: CliRunner, people: People, command: str
) -> None:
    refused(runner.invoke(desk, [command, "amima"]), "has this name", "there are none yet")
    people.add("amina", "agent")
    people.add_token("amina", SCOPES)
    refused(runner.invoke(desk, [command, "amima"]), "has this name", "did you mean amina?")
    assert trail(people) == []


def test_a_token_is_made_listed_and_revoked(runner: CliRunner, people: People) -> None:
    scopes = ["--scope", "reports:read", "--scope", "growers:read"]
    (secret,) = done(runner.invoke(desk, ["token", "union", *scopes, "--group", "Kasele"]))
    token = people.token(secret)
    assert token is not None
    assert (token.scopes, token.groups) == (("growers:read", "reports:read"), ("Kasele",))
    runner.invoke(desk, ["token", "ministry", "--scope", "rounds:write"])
    result = runner.invoke(desk, ["tokens"])
    lines = [re.split(r"  +", line) for line in done(result)]
    assert lines[1] == ["ministry", "rounds:write", "never", "every group"]
    assert lines[2][:2] == ["union", "growers:read reports:read"]
    assert lines[2][3] == "Kasele"
    assert secret not in result.stdout
    assert done(runner.invoke(desk, ["revoke", "union"])) == ["the token union is revoked"]
    assert people.token(secret) is None
    assert not any(secret in part for entry in trail(people) for part in entry)


def test_a_token_without_a_scope_or_with_an_unknown_one_is_refused(runner: CliRunner) -> None:
    refused(runner.invoke(desk, ["token", "union"]), "choose growers:read")
    result = runner.invoke(desk, ["token", "union", "--scope", "growers"])
    assert result.exit_code == 2
    assert done(runner.invoke(desk, ["tokens"])) == ["name  scopes  last used  groups"]
