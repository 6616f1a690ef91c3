"""Users, tokens and the trail: what is kept, what cannot be read back, and what is refused."""

from __future__ import annotations

import threading
import unicodedata
from hashlib import sha256

import msgspec
import pytest
import redis
from argon2 import PasswordHasher, extract_parameters
from hypothesis import given
from hypothesis import strategies as st
from redis.backoff import NoBackoff
from redis.retry import Retry

from bot.store import keys, people
from bot.store.codec import RecordError
from bot.store.errors import StoreUnavailable
from bot.store.people import (
    COMMON_PASSWORDS,
    SCOPES,
    Entry,
    People,
    Refusal,
    Token,
    User,
    fault_in_name,
    fault_in_password,
    fold_name,
    temporary_password,
    tidy_groups,
)

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
GOOD = "three goats by the well"
NOW = 1_772_431_200


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = float(NOW)

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def desk(redis_client: redis.Redis, clock: Clock) -> People:
    return People(redis_client, clock, QUICK)


def added(desk: People, name: str = "amina juma", *groups: str) -> str:
    password = desk.add(name, "agent", groups)
    assert isinstance(password, str)
    return password


def user_of(desk: People, name: str) -> User:
    user = desk.user(name)
    assert user is not None
    return user


# Users


def test_somebody_added_signs_in_with_a_temporary_password(desk: People) -> None:
    password = added(desk, "Amina  Juma", "Mirindi North", " Mirindi  North", "", "Kasele")
    user = desk.check("AMINA JUMA", password)
    assert user is not None
    assert (user.name, user.role, user.groups) == (
        "amina juma",
        "agent",
        ("Mirindi North", "Kasele"),
    )
    assert (user.temporary, user.created, user.last_seen) == (True, NOW, 0)


def test_a_password_is_kept_as_an_argon2id_hash(desk: People, redis_client: redis.Redis) -> None:
    password = added(desk)
    assert user_of(desk, "amina juma").password.startswith("$argon2id$")
    stored = b"".join(redis_client.hvals(keys.users_key()))
    assert password.encode() not in stored


def test_a_wrong_password_or_name_is_nobody(desk: People) -> None:
    password = added(desk)
    assert desk.check("amina juma", password + "x") is None
    assert desk.check("amina jumaa", password) is None
    assert desk.check("amina juma", "") is None
    assert desk.check("", "") is None
    assert desk.check("amina juma", "\ud800" * 12) is None
    assert desk.check("amina juma", password + " " * 1_000_000) is None


def test_a_name_that_is_not_there_costs_a_hash_of_the_same_parameters(
    desk: People, monkeypatch: pytest.MonkeyPatch
) -> None:
    added(desk)
    verified: list[str] = []
    verify = PasswordHasher.verify

    def seen(self: PasswordHasher, hashed: str, password: bytes) -> bool:
        verified.append(hashed)
        return verify(self, hashed, password)

    monkeypatch.setattr(PasswordHasher, "verify", seen)
    desk.check("amina juma", "wrong password")
    desk.check("nobody at all", "wrong password")
    assert len(verified) == 2
    assert extract_parameters(verified[0]) == extract_parameters(verified[1])


def test_one_person_is_not_two(desk: People) -> None:
    added(desk, "Adékúnlé")
    again = desk.add(unicodedata.normalize("NFD", "ADÉKÚNLÉ"), "admin")
    assert again == Refusal("there is already someone called adékúnlé")
    assert user_of(desk, "adékúnlé").role == "agent"


def test_people_are_listed_by_name_and_removed(desk: People) -> None:
    for name in ("zuhura", "amina", "baraka"):
        added(desk, name)
    assert [each.name for each in desk.users()] == ["amina", "baraka", "zuhura"]
    assert desk.remove("Baraka")
    assert not desk.remove("baraka")
    assert [each.name for each in desk.users()] == ["amina", "zuhura"]
    assert desk.check("baraka", GOOD) is None


def test_a_change_touches_only_what_it_names(desk: People) -> None:
    added(desk, "amina", "Kasele")
    before = user_of(desk, "amina")
    changed = desk.change("Amina", role="admin")
    assert changed == msgspec.structs.replace(before, role="admin")
    assert desk.change("amina", groups=()) == msgspec.structs.replace(
        before, role="admin", groups=()
    )
    assert desk.change("nobody", role="admin") is None


def test_signing_out_and_a_new_password_change_the_generation(desk: People) -> None:
    added(desk, "amina")
    generations = [user_of(desk, "amina").generation]
    desk.sign_out("amina")
    generations.append(user_of(desk, "amina").generation)
    assert isinstance(desk.set_password("amina", GOOD), User)
    generations.append(user_of(desk, "amina").generation)
    assert desk.reset_password("amina") is not None
    generations.append(user_of(desk, "amina").generation)
    assert len(set(generations)) == 4


def test_a_namesake_of_somebody_removed_does_not_take_over_their_sessions(desk: People) -> None:
    seen = set()
    for _ in range(5):
        added(desk, "amina")
        seen.add(user_of(desk, "amina").generation)
        desk.remove("amina")
    assert len(seen) == 5  # five of 2^31: two alike in one run of 200 million


def test_being_seen_does_not_undo_a_sign_out_at_the_same_moment(desk: People) -> None:
    added(desk, "amina")
    before = user_of(desk, "amina").generation
    threads = [threading.Thread(target=desk.seen, args=("amina",)) for _ in range(4)]
    threads += [threading.Thread(target=desk.sign_out, args=("amina",)) for _ in range(4)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    after = user_of(desk, "amina")
    assert (after.generation, after.last_seen) == (before + 4, NOW)


def test_whom_nobody_knows_is_not_made_by_a_change(desk: People) -> None:
    desk.seen("amina")
    assert desk.sign_out("amina") is None
    assert desk.reset_password("amina") is None
    assert isinstance(desk.set_password("amina", GOOD), Refusal)
    assert desk.users() == []


def test_a_chosen_password_is_no_longer_temporary(desk: People) -> None:
    password = added(desk)
    assert isinstance(desk.set_password("amina juma", GOOD), User)
    assert desk.check("amina juma", password) is None
    user = desk.check("amina juma", GOOD)
    assert user is not None
    assert not user.temporary
    renewed = desk.reset_password("amina juma")
    assert renewed is not None
    assert desk.check("amina juma", GOOD) is None
    user = desk.check("amina juma", renewed)
    assert user is not None
    assert user.temporary


def test_a_password_typed_on_another_keyboard_is_the_same(desk: People) -> None:
    added(desk)
    desk.set_password("amina juma", "ẹkú àárọ̀ o jàre")
    assert desk.check("amina juma", unicodedata.normalize("NFD", "ẹkú àárọ̀ o jàre")) is not None


def test_the_longest_password_can_be_used(desk: People) -> None:
    longest = "".join(chr(0x1D160 + i % 5) for i in range(200))  # NFC makes them longer
    added(desk)
    assert isinstance(desk.set_password("amina juma", longest), User)
    assert desk.check("amina juma", longest) is not None
    assert desk.check("amina juma", longest[:-1]) is None


def test_a_hash_of_other_parameters_is_made_anew_when_it_is_right(
    desk: People, redis_client: redis.Redis, clock: Clock
) -> None:
    password = added(desk)
    old = user_of(desk, "amina juma")
    stronger = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)
    renewed = People(redis_client, clock, stronger)
    assert renewed.check("amina juma", "wrong one") is None
    assert user_of(desk, "amina juma") == old
    assert renewed.check("amina juma", password) is not None
    new = user_of(desk, "amina juma")
    assert extract_parameters(new.password).time_cost == 2
    assert msgspec.structs.replace(new, password=old.password) == old  # and nobody is signed out
    assert renewed.check("amina juma", password) is not None


def test_a_password_changed_while_it_is_looked_at_stays_changed(
    desk: People, redis_client: redis.Redis, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    password = added(desk)
    stronger = People(redis_client, clock, QUICK)

    def meanwhile(*_: object) -> bool:
        desk.set_password("amina juma", GOOD)
        return True

    monkeypatch.setattr(PasswordHasher, "check_needs_rehash", meanwhile)
    user = stronger.check("amina juma", password)
    assert user is not None
    assert user.generation != user_of(desk, "amina juma").generation
    monkeypatch.undo()
    assert desk.check("amina juma", password) is None
    assert desk.check("amina juma", GOOD) is not None


def test_a_book_is_not_hashed_whole(desk: People, monkeypatch: pytest.MonkeyPatch) -> None:
    added(desk)
    sizes: list[int] = []

    def seen(_: PasswordHasher, __: str, password: bytes) -> bool:
        sizes.append(len(password))
        return True

    monkeypatch.setattr(PasswordHasher, "verify", seen)
    desk.check("amina juma", "x" * 200)
    desk.check("amina juma", "x" * 50_000)
    assert sizes == [200, 0]


def test_agents_see_their_groups_and_admins_all() -> None:
    agent = User("a", "agent", ("Kasele",), "", 1, 1)
    assert [agent.may_see(group) for group in ("Kasele", "Mirindi North", "")] == [
        True,
        False,
        False,
    ]
    admin = User("b", "admin", (), "", 1, 1)
    assert admin.may_see("Kasele")
    assert admin.may_see("")


# Names, groups, passwords


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("", "missing"),
        ("...", "missing"),
        ("a" * 41, "over 40"),
        ("amina\x00", "letters, digits"),
        ("(command line)", "letters, digits"),
        ("token:union", "letters, digits"),
        ("<b>", "letters, digits"),
        ("a\u202eb", "letters, digits"),
    ],
)
def test_what_is_no_name_is_refused(desk: People, name: str, fault: str) -> None:
    refusal = desk.add(name, "agent")
    assert isinstance(refusal, Refusal)
    assert fault in refusal.reason
    assert desk.users() == []


@pytest.mark.parametrize("name", ["amina", "o'kello", "j. p. mwita", "ọ̀ṣun", "ƙasimu-2", "阿明"])
def test_names_of_many_languages_will_do(name: str) -> None:
    assert fault_in_name(fold_name(name)) == ""


@given(st.text(max_size=30))
def test_folding_a_name_twice_changes_nothing_more(written: str) -> None:
    folded = fold_name(written)
    assert fold_name(folded) == folded
    assert fold_name(unicodedata.normalize("NFD", folded)) == folded
    assert fold_name(f"  {written} ") == folded


def test_groups_are_tidied() -> None:
    assert tidy_groups(("B", " A  b", "B", "  ", unicodedata.normalize("NFD", "É"))) == (
        "B",
        "A b",
        "É",
    )


@pytest.mark.parametrize(
    ("password", "fault"),
    [
        ("short", "at least 10"),
        ("ninechars", "at least 10"),
        ("x" * 201, "at most 200"),
        ("Password123", "first that anybody tries"),
        ("1234567890", "first that anybody tries"),
        ("qwerty-uiop", "first that anybody tries"),
        ("aaaaaaaaaaaa", "first that anybody tries"),
        ("121212121212", "first that anybody tries"),
        ("----------", "first that anybody tries"),
        ("amina juma", "must not be the name"),
        ("AminaJuma2026", "must not be the name"),
    ],
)
def test_a_password_that_is_easily_guessed_is_refused(
    desk: People, password: str, fault: str
) -> None:
    added(desk)
    before = user_of(desk, "amina juma")
    refusal = desk.set_password("amina juma", password)
    assert isinstance(refusal, Refusal)
    assert fault in refusal.reason
    assert user_of(desk, "amina juma") == before


def test_a_good_password_will_do() -> None:
    assert fault_in_password(GOOD, "amina juma") == ""
    assert fault_in_password("tencharas7", "amina") == ""
    assert fault_in_password("8473625190", "amina") == ""
    assert fault_in_password("☀☁☂☃★☆☎☏☐☑", "amina") == ""


def test_the_common_passwords_are_ones_that_the_length_lets_through() -> None:
    assert {each for each in COMMON_PASSWORDS if len(each) < 10} == set()
    assert {each for each in COMMON_PASSWORDS if not each.isalnum()} == set()


def test_temporary_passwords_differ_and_will_do() -> None:
    made = {temporary_password() for _ in range(200)}
    assert len(made) == 200
    assert all(fault_in_password(each, "amina") == "" for each in made)
    assert not set("".join(made)) & set("01lio")


# Tokens


def test_a_token_is_found_by_its_secret_only(desk: People, redis_client: redis.Redis) -> None:
    secret = desk.add_token("Union", ("reports:read", "growers:read"), ("Kasele",))
    assert isinstance(secret, str)
    assert secret.startswith("fb_")
    assert len(secret) == 3 + 43  # 32 bytes in base64 without padding
    token = desk.token(secret)
    assert token == Token("union", ("growers:read", "reports:read"), ("Kasele",), NOW, NOW)
    assert desk.token(secret[:-1]) is None
    assert desk.token(secret + "x") is None
    assert desk.token("") is None
    assert desk.token("fb_" + "\ud800") is None
    stored = redis_client.hgetall(keys.tokens_key())
    assert list(stored) == [sha256(secret.encode()).hexdigest().encode()]
    assert secret.encode()[3:] not in b"".join(stored.values())


def test_a_tokens_last_use_is_written_once_an_hour(desk: People, clock: Clock) -> None:
    secret = desk.add_token("union", SCOPES)
    assert isinstance(secret, str)
    desk.token(secret)
    clock.now += 3599
    desk.token(secret)
    assert desk.tokens()[0].last_used == NOW
    clock.now += 1
    desk.token(secret)
    assert desk.tokens()[0].last_used == NOW + 3600


def test_a_revoked_token_is_none(desk: People) -> None:
    secret = desk.add_token("union", ("growers:read",))
    other = desk.add_token("ministry", ("growers:read",))
    assert isinstance(secret, str)
    assert isinstance(other, str)
    assert desk.revoke("UNION")
    assert not desk.revoke("union")
    assert desk.token(secret) is None
    assert desk.token(other) is not None
    assert [each.name for each in desk.tokens()] == ["ministry"]


def test_a_token_needs_a_name_of_its_own_and_a_scope(desk: People) -> None:
    assert isinstance(desk.add_token("union", ("growers:read",)), str)
    again = desk.add_token(" Union ", ("growers:read",))
    assert again == Refusal("there is already a token called union")
    for refusal in (desk.add_token("", SCOPES), desk.add_token("other", ())):
        assert isinstance(refusal, Refusal)
    assert len(desk.tokens()) == 1


def test_a_token_without_groups_reaches_every_group() -> None:
    assert Token("union", SCOPES, (), NOW).may_see("Kasele")
    narrow = Token("union", SCOPES, ("Kasele",), NOW)
    assert narrow.may_see("Kasele")
    assert not narrow.may_see("")


# The trail


def test_the_trail_is_read_back_page_by_page(desk: People, clock: Clock) -> None:
    for count in range(7):
        clock.now = NOW + count
        desk.record("amina", "rang", f"+25571234567{count}")
    pages: list[list[str]] = []
    before = ""
    while found := desk.recent(3, before):
        pages.append([entry.whom[-1] for _, entry in found])
        before = found[-1][0]
    assert pages == [["6", "5", "4"], ["3", "2", "1"], ["0"]]
    assert desk.recent(1)[0][1] == Entry(NOW + 6, "amina", "rang", "+255712345676")


@pytest.mark.parametrize("place", ["x", "-1", "1-2; drop", "9" * 40, "٣-٤"])
def test_what_is_no_place_in_the_trail_is_its_end(desk: People, place: str) -> None:
    desk.record("amina", "rang")
    assert [entry.what for _, entry in desk.recent(5, place)] == ["rang"]


def test_the_trail_does_not_grow_for_ever(
    desk: People, redis_client: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(people, "TRAIL_KEPT", 200)
    for count in range(1000):
        desk.record("amina", f"did {count}")
    # Redis trims whole nodes of a stream, of 100 entries each as it comes.
    assert 200 <= redis_client.xlen(keys.audit_key()) <= 400
    assert desk.recent(1)[0][1].what == "did 999"


# Where all is kept, and what may go wrong


def test_every_key_is_under_one_tag(desk: People, redis_client: redis.Redis) -> None:
    added(desk)
    desk.add_token("union", SCOPES)
    desk.record("amina", "rang")
    found = list(redis_client.scan_iter())
    assert len(found) == 3
    assert all(each.startswith(b"{desk}:") for each in found)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (b"\xc1", "damaged"),
        (b"", "damaged"),
        (msgspec.msgpack.encode((1, ["amina", "king"])), "damaged"),
        (msgspec.msgpack.encode((2, ["amina"])), "schema 2"),
    ],
)
def test_a_record_that_cannot_be_read_says_so(
    desk: People, redis_client: redis.Redis, value: bytes, said: str
) -> None:
    redis_client.hset(keys.users_key(), "amina", value)
    for ask in (lambda: desk.user("amina"), desk.users, lambda: desk.sign_out("amina")):
        with pytest.raises(RecordError, match=said):
            ask()


def test_a_damaged_hash_says_what_to_do(desk: People, redis_client: redis.Redis) -> None:
    user = User("amina", "agent", (), "not a hash", 1, 1)
    redis_client.hset(keys.users_key(), "amina", msgspec.msgpack.encode((1, user)))
    with pytest.raises(RecordError, match="fieldbell desk password"):
        desk.check("amina", GOOD)


def test_redis_out_of_reach_is_told_by_every_method(clock: Clock) -> None:
    away = redis.Redis(unix_socket_path="/nowhere/redis.sock", retry=Retry(NoBackoff(), 0))
    desk = People(away, clock, QUICK)
    for ask in (
        desk.users,
        desk.tokens,
        lambda: desk.user("amina"),
        lambda: desk.add("amina", "agent"),
        lambda: desk.change("amina", "admin"),
        lambda: desk.remove("amina"),
        lambda: desk.sign_out("amina"),
        lambda: desk.check("amina", GOOD),
        lambda: desk.reset_password("amina"),
        lambda: desk.add_token("union", SCOPES),
        lambda: desk.token("fb_x"),
        lambda: desk.revoke("union"),
        lambda: desk.record("amina", "rang"),
        lambda: desk.recent(5),
    ):
        with pytest.raises(StoreUnavailable):
            ask()
