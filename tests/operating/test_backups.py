"""A backup holds every key to the byte, also of a store in use, and only its key opens it."""

from __future__ import annotations

import gzip
import random
import shutil
import stat
import subprocess
from typing import TYPE_CHECKING, Any

import msgspec
import pyrage
import pytest
from argon2 import PasswordHasher
from conftest import NORTH, contents
from msgspec.structs import replace

from bot.dialogue.records import Grower
from bot.operating import archive, backups
from bot.operating.archive import ArchiveError
from bot.operating.backups import SERIALS_ON, backup, restore
from bot.store import dumping, keys
from bot.store.beats import Beats
from bot.store.errors import StoreUnavailable
from bot.store.forgetting import forget
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.indexes import MARKS
from bot.store.people import People
from bot.store.rounds import Round, Rounds
from bot.store.second_factor import new_salt

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import redis

IDENTITY = pyrage.x25519.Identity.generate()
KEY, TO = [str(IDENTITY)], [str(IDENTITY.to_public())]


def frames(path: Path) -> list[bytes]:
    """The frames of a backup in the clear, without its header."""
    whole, at, found = gzip.decompress(path.read_bytes()), 0, []
    while at < len(whole):
        end = at + 4 + int.from_bytes(whole[at : at + 4], "big")
        found.append(whole[at:end])
        at = end
    return found[1:]


def test_every_key_comes_back_to_the_byte(
    lived_in: Store, other_redis: redis.Redis, tmp_path: Path
) -> None:
    before = contents(lived_in.redis)
    assert {kind for kind, *_ in before.values()} == {
        "string", "list", "hash", "set", "zset", "stream",
    }  # fmt: skip
    path = tmp_path / "a.backup"
    assert backup(lived_in.redis, path, TO) == len(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    taken, count = restore(other_redis, path, KEY, as_it_was=True)
    assert count == len(before)
    assert taken.endswith("+00:00")
    after = contents(other_redis)
    # An expiry is kept to the second, and reading it here takes a moment.
    for key, (kind, value, expiry) in after.items():
        assert (kind, value) == before[key][:2], key
        assert abs(expiry - before[key][2]) <= 1, key
    assert after.keys() == before.keys()


def test_who_is_put_back_is_forgotten_without_reading_every_name(
    lived_in: Store, other_redis: redis.Redis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A list that came to be when the place of its key among the names was past.
    names = dumping._scanned  # noqa: SLF001 - as if these were read a moment earlier
    monkeypatch.setattr(
        dumping,
        "_scanned",
        lambda client: (each for each in names(client) if b":replies:" not in each),
    )
    backup(lived_in.redis, tmp_path / "a", [])
    restore(other_redis, tmp_path / "a", [])
    other_redis.set(keys.lists_since_key(), 0)
    for place in range(3):
        number = f"+25571234{place:04d}"
        assert list(other_redis.scan_iter(match=keys.seen_pattern(number)))
        forget(Store(other_redis), number)
    assert not [key for key in other_redis.scan_iter() if b"+25571234" in key]


def test_a_backup_of_what_was_restored_is_the_same_but_for_its_time(
    lived_in: Store, other_redis: redis.Redis, tmp_path: Path
) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    backup(lived_in.redis, one, [], lambda: 1_772_500_000)
    restore(other_redis, one, [], as_it_was=True)
    backup(other_redis, two, [], lambda: 1_772_600_000)
    first, second = frames(one), frames(two)
    assert first[:-1] == second[:-1]
    assert first[-1] != second[-1]  # the digest covers the time
    assert one.read_bytes() != two.read_bytes()


def test_what_is_of_the_moment_is_left_out(
    store: Store, other_redis: redis.Redis, tmp_path: Path
) -> None:
    for key in (
        *(keys.spreader_key(), keys.upload_key("x"), keys.uploads_key()),
        f"{keys.attempts_key()}:amina",
    ):
        store.redis.set(key, "1")
    store.redis.set("somebody-elses", "1")
    store.redis.set("{other}:key", "1")
    Groups(store.redis).named(NORTH)
    backup(store.redis, tmp_path / "a", [])
    restore(other_redis, tmp_path / "a", [])
    assert other_redis.keys() == [keys.groups_key().encode()]


def test_an_empty_store_has_a_backup_too(
    store: Store, other_redis: redis.Redis, tmp_path: Path
) -> None:
    assert backup(store.redis, tmp_path / "a", TO) == 0
    assert restore(other_redis, tmp_path / "a", KEY)[1] == 0
    assert other_redis.keys() == []


def test_a_store_in_use_is_read_so_that_records_and_indexes_agree(
    store: Store, other_redis: redis.Redis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dumping, "BATCH", 4)  # so that much happens between two reads
    names = ["", NORTH, "Mirindi South"]
    for name in names[1:]:
        Groups(store.redis).named(name)
    numbers = [f"+2557123{place:05d}" for place in range(1500)]
    begun = [Commit(each, NEW, Grower(serial=1), 1.0) for each in numbers[:1000]]
    assert store.commit_many(begun) == []
    chance = random.Random(20260302)  # noqa: S311 - no secret
    made = 0

    def live(home: str) -> None:
        """A grower texts, moves to another group, comes or goes; often one being read."""
        nonlocal made
        near = [each for each in numbers if keys.grower_key(each).startswith(home)]
        number = chance.choice(near if near and chance.random() < 0.3 else numbers)
        loaded = store.load(number)
        if loaded.version and chance.random() < 0.05:
            store.forget(number)
            return
        serial = loaded.grower.serial + 1
        grower = Grower(
            language=chance.choice(["en", "sw"]),
            serial=serial,
            group=chance.choice(names),
            trouble=chance.choice(["", "asked for help"]),
        )
        made += store.commit(number, loaded, grower, due=float(serial))

    real = dumping._as_entries  # noqa: SLF001 - what is called after each read

    def as_entries(names: list[bytes], answers: list[Any]) -> Iterator[dumping.Entry]:
        if names:
            live(keys.home_of(names[0]))
        return real(names, answers)

    monkeypatch.setattr(dumping, "_as_entries", as_entries)
    backup(store.redis, tmp_path / "a", [])
    assert made > 300
    restore(other_redis, tmp_path / "a", [], as_it_was=True)

    restored = Store(other_redis)
    found = set(restored.growers())
    assert len(found) > 900
    for number in found:
        due = other_redis.zscore(keys.due_key(keys.shard_of(number)), number)
        assert due == restored.load(number).grower.serial
    assert sum(other_redis.zcard(keys.due_key(shard)) for shard in range(keys.SHARDS)) == len(found)
    indexes = _counted(other_redis)
    restored.recount()
    assert _counted(other_redis) == indexes


def _counted(client: redis.Redis) -> dict[bytes, Any]:
    """The indexes that can be made anew; since when somebody is to be rung cannot."""
    found: dict[bytes, object] = {}
    for pattern in keys.INDEXES:
        for key in client.scan_iter(match=pattern):
            if client.type(key) == b"hash":
                found[key] = client.hgetall(key)
                found[key].pop(MARKS.encode(), None)  # it is another one each time
            else:
                found[key] = set(client.zrange(key, 0, -1))
    return found


def test_a_world_that_moved_on_gets_new_ids_and_paused_rounds(
    lived_in: Store, other_redis: redis.Redis, tmp_path: Path
) -> None:
    rounds = Rounds(lived_in.redis)
    for name in ("waiting", "gone"):
        rounds.shelf.add(name, Round(name, name, "amina", 1, (NORTH,), state="finished"))
        rounds.advance(name, "send", NORTH, ((0, ""), (64, "")), {"chosen": 2})
    lived_in.redis.hset(keys.told_key(5, "gone"), mapping={"sent": 1, "refused": 1})
    backup(lived_in.redis, tmp_path / "a", [])
    restore(other_redis, tmp_path / "a", [])
    restored = Store(other_redis)
    for number in lived_in.growers():
        old, new = lived_in.load(number), restored.load(number)
        assert new.version == old.version
        # What waits keeps its id: sent before or not, it is the same text.
        assert new.grower == replace(old.grower, serial=old.grower.serial + SERIALS_ON)
    states = {each.id: each.state for each in Rounds(other_redis).shelf.all().values()}
    assert states == {"r1": "paused", "waiting": "paused", "gone": "finished"}


def test_no_session_that_was_ended_since_comes_back_to_life(
    lived_in: Store, other_redis: redis.Redis, tmp_path: Path
) -> None:
    quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    people = People(lived_in.redis, hasher=quick)
    people.add("baraka", "admin")
    people.set_factor("baraka", new_salt(), 0)
    lived_in.redis.hset(keys.users_key(), "damaged", b"?")
    before = people.user("baraka")
    assert before is not None
    backup(lived_in.redis, tmp_path / "a", [])
    restore(other_redis, tmp_path / "a", [])
    after = People(other_redis, hasher=quick).user("baraka")
    assert after is not None
    # Nor may it come near: signing in and out counts on from what a user has.
    assert abs(after.generation - before.generation) > 1000
    assert replace(after, generation=before.generation) == before
    assert other_redis.hget(keys.users_key(), "damaged") == b"?"


def test_nothing_is_put_over_what_is_there(
    lived_in: Store, other_redis: redis.Redis, tmp_path: Path
) -> None:
    backup(lived_in.redis, tmp_path / "a", [])
    Store(other_redis).commit("+255712345678", NEW, Grower(), due=None)
    before = contents(other_redis)
    with pytest.raises(ArchiveError, match="already"):
        restore(other_redis, tmp_path / "a", [])
    assert contents(other_redis) == before


def test_a_restore_cut_off_is_done_again(
    lived_in: Store, other_redis: redis.Redis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backups, "_GATHERED", 50)
    before = contents(lived_in.redis)
    backup(lived_in.redis, tmp_path / "a", [])
    real, calls = backups.put, []

    def put(client: redis.Redis, entries: list[dumping.Entry]) -> int:
        calls.append(len(entries))
        if len(calls) == 3:
            raise StoreUnavailable("gone")
        return real(client, entries)

    monkeypatch.setattr(backups, "put", put)
    with pytest.raises(StoreUnavailable):
        restore(other_redis, tmp_path / "a", [], as_it_was=True)
    assert 0 < other_redis.dbsize() < len(before)
    with pytest.raises(ArchiveError, match="see that through"):
        backup(other_redis, tmp_path / "b", [])
    restore(other_redis, tmp_path / "a", [], as_it_was=True)
    assert contents(other_redis).keys() == before.keys()


def test_nothing_is_restored_under_a_sender_at_work(
    store: Store, other_redis: redis.Redis, tmp_path: Path
) -> None:
    backup(store.redis, tmp_path / "a", [])
    Beats(other_redis).beat("host:1", {})
    with pytest.raises(ArchiveError, match="host:1"):
        restore(other_redis, tmp_path / "a", [])


class TestDamage:
    @pytest.fixture(params=[True, False], ids=["encrypted", "in the clear"])
    def whole(self, request: pytest.FixtureRequest, lived_in: Store, tmp_path: Path) -> Path:
        path = tmp_path / "whole"
        backup(lived_in.redis, path, TO if request.param else [])
        return path

    def test_a_file_cut_short_or_changed_anywhere_is_refused_and_nothing_written(
        self, whole: Path, other_redis: redis.Redis
    ) -> None:
        written = whole.read_bytes()
        chance = random.Random(7)  # noqa: S311 - no secret
        size = len(written)
        spoilt = [written[:0], written[:10], written[:-1], written[: size // 2], written + b"x"]
        # gzip's own header has bytes that say nothing: time, flags, system (RFC 1952, 2.3.1).
        for place in (chance.randrange(10, size) for _ in range(25)):
            flipped = bytes([written[place] ^ (1 << chance.randrange(8))])
            spoilt.append(written[:place] + flipped + written[place + 1 :])
        for each in spoilt:
            whole.write_bytes(each)
            with pytest.raises(ArchiveError):
                restore(other_redis, whole, KEY)
            assert other_redis.dbsize() == 0

    def test_another_file_is_refused(self, tmp_path: Path, other_redis: redis.Redis) -> None:
        path = tmp_path / "other"
        frame = msgspec.msgpack.encode(["another backup", 1, "", 64])
        for content in (b"", b"hello", gzip.compress(len(frame).to_bytes(4, "big") + frame)):
            path.write_bytes(content)
            with pytest.raises(ArchiveError):
                restore(other_redis, path, KEY)
        with pytest.raises(ArchiveError, match="cannot be read"):
            restore(other_redis, tmp_path / "nowhere", KEY)


def test_only_its_key_opens_it(lived_in: Store, other_redis: redis.Redis, tmp_path: Path) -> None:
    path = tmp_path / "a"
    backup(lived_in.redis, path, TO)
    assert b"+2557" not in path.read_bytes()
    with pytest.raises(ArchiveError, match="--key"):
        restore(other_redis, path, [])
    with pytest.raises(ArchiveError, match="key"):
        restore(other_redis, path, [str(pyrage.x25519.Identity.generate())])
    with pytest.raises(ArchiveError, match="AGE-SECRET-KEY-1"):
        restore(other_redis, path, ["age1nonsense"])


def test_several_may_hold_a_key(lived_in: Store, other_redis: redis.Redis, tmp_path: Path) -> None:
    other = pyrage.x25519.Identity.generate()
    count = backup(lived_in.redis, tmp_path / "a", [*TO, str(other.to_public())])
    assert restore(other_redis, tmp_path / "a", [str(other)])[1] == count


def test_a_recipient_that_is_none_is_refused(store: Store, tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match="age1"):
        backup(store.redis, tmp_path / "a", ["age1oops"])
    assert list(tmp_path.iterdir()) == []


def test_a_backup_that_fails_leaves_no_file(
    lived_in: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(client: redis.Redis) -> object:
        yield from list(dumping.entries(client))[:50]
        raise StoreUnavailable("gone")

    monkeypatch.setattr(backups, "entries", failing)
    for to in ([], TO):
        with pytest.raises(StoreUnavailable):
            backup(lived_in.redis, tmp_path / "a", to)
    assert list(tmp_path.iterdir()) == []


def test_no_file_is_written_over(store: Store, tmp_path: Path) -> None:
    (tmp_path / "a").write_text("mine")
    with pytest.raises(ArchiveError, match="already"):
        backup(store.redis, tmp_path / "a", [])
    with pytest.raises(ArchiveError, match="cannot be written"):
        backup(store.redis, tmp_path / "nowhere" / "a", [])
    assert (tmp_path / "a").read_text() == "mine"


def test_a_key_is_made_and_read_again(tmp_path: Path) -> None:
    path = tmp_path / "key"
    recipient = archive.make_key(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    (identity,) = archive.read_key(path)
    assert str(pyrage.x25519.Identity.from_str(identity).to_public()) == recipient
    with pytest.raises(ArchiveError, match="already"):
        archive.make_key(path)
    path.write_text("# nothing\n")
    with pytest.raises(ArchiveError, match="no key"):
        archive.read_key(path)


@pytest.mark.skipif(shutil.which("age") is None, reason="age is not installed")
def test_the_tool_age_itself_opens_it(lived_in: Store, tmp_path: Path) -> None:
    backup(lived_in.redis, tmp_path / "a", TO)
    backup(lived_in.redis, tmp_path / "clear", [])
    (tmp_path / "key").write_text(f"{KEY[0]}\n")
    opened = subprocess.run(
        ["age", "--decrypt", "--identity", tmp_path / "key", tmp_path / "a"],  # noqa: S607
        check=True,
        capture_output=True,
    ).stdout
    (tmp_path / "opened").write_bytes(opened)
    assert frames(tmp_path / "opened")[:-1] == frames(tmp_path / "clear")[:-1]
