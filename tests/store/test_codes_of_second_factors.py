"""Second factors: codes as RFC 6238 has them, each taken once, and codes for a phone that is gone."""

from __future__ import annotations

import threading
from base64 import b32encode
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, unquote, urlsplit

import msgspec
import pyotp
import pytest
from test_people import NOW, QUICK, Clock

from bot.store import keys
from bot.store.people import People, User
from bot.store.second_factor import (
    RECOVERY_CODES,
    STEP_S,
    STEPS_AHEAD,
    address_of,
    new_salt,
    secret_of,
    step_of,
    tidy_code,
)
from bot.store.shelf import decoded, encoded

if TYPE_CHECKING:
    import redis

OPERATORS = "a secret of the operator"
SALT = b"\x07" * 20
SECRET = secret_of(OPERATORS, SALT)

# RFC 6238, Appendix B: the times and codes of its table for SHA-1, whose secret is the ASCII string
# of twenty digits. Its codes have eight digits; one of six is their end, as both are remainders of
# one number (RFC 4226, 5.3).
RFC_SECRET = b32encode(b"12345678901234567890").decode()
RFC_TABLE = [
    (59, "94287082"),
    (1111111109, "07081804"),
    (1111111111, "14050471"),
    (1234567890, "89005924"),
    (2000000000, "69279037"),
    (20000000000, "65353130"),
]


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def desk(redis_client: redis.Redis, clock: Clock) -> People:
    desk = People(redis_client, clock, QUICK)
    desk.add("amina", "agent")
    return desk


@pytest.fixture
def recovery(desk: People) -> list[str]:
    """The recovery codes of amina, who has just set up a second factor."""
    given = desk.set_factor("amina", SALT, NOW // STEP_S)
    assert given is not None
    return given[1]


def code_at(at: float, secret: str = SECRET) -> str:
    """The code that an app shows; the library's own way to it."""
    return pyotp.TOTP(secret).generate_otp(int(at) // STEP_S)


def amina(desk: People) -> User:
    user = desk.user("amina")
    assert user is not None
    return user


# Codes


@pytest.mark.parametrize(("at", "code"), RFC_TABLE)
def test_the_codes_of_the_standard_are_those_of_their_time_steps(at: int, code: str) -> None:
    assert step_of(RFC_SECRET, code[-6:], at) == at // 30
    assert step_of(RFC_SECRET, f"{(int(code) + 1) % 10**6:06}", at) is None


@pytest.mark.parametrize(("off", "taken"), [(-2, False), (-1, True), (0, True), (1, True), (2, False)])  # fmt: skip
def test_a_phones_clock_may_be_a_step_away(off: int, *, taken: bool) -> None:
    # RFC 6238, 5.2 and 6: a step either way, for what is on its way and for clocks that drift.
    step = step_of(SECRET, code_at(NOW + off * STEP_S), NOW)
    assert step == (NOW // STEP_S + off if taken else None)


@pytest.mark.parametrize("code", ["", "12345", "1234567", "١٢٣٤٥٦", "a" * 6, "\udc80" * 6])
def test_what_is_no_code_is_none(code: str) -> None:
    assert step_of(SECRET, tidy_code(code), NOW) is None


def test_a_secret_hangs_on_the_operators_and_on_the_salt_and_has_160_bits() -> None:
    # RFC 4226, 4, R6: 160 bits are recommended. In base32 a letter has five.
    assert len(SECRET) * 5 == 160
    others = [secret_of(OPERATORS, new_salt()), secret_of(OPERATORS, new_salt())]
    assert len({SECRET, secret_of(OPERATORS + "x", SALT), *others}) == 4
    assert secret_of(OPERATORS, SALT) == SECRET


def test_an_app_reads_whose_it_is_and_the_secret() -> None:
    read = urlsplit(address_of(SECRET, "ọlá o'neill"))
    assert (read.scheme, read.netloc) == ("otpauth", "totp")
    assert unquote(read.path) == "/Fieldbell desk:ọlá o'neill"
    assert parse_qs(read.query) == {"secret": [SECRET], "issuer": ["Fieldbell desk"]}


# Taken once


def test_a_code_is_taken_once(desk: People, recovery: list[str], clock: Clock) -> None:
    assert len(recovery) == RECOVERY_CODES
    assert desk.spend("amina", code_at(NOW), OPERATORS) == ""  # it was shown when it was set up
    clock.now += STEP_S
    typed = f" {code_at(clock.now)[:3]} {code_at(clock.now)[3:]} "
    assert desk.spend("AMINA", typed, OPERATORS) == "code"
    assert desk.spend("amina", typed, OPERATORS) == ""
    # RFC 6238, 5.2: not a second time. Nor an older one, which somebody may have looked at.
    clock.now += STEP_S
    assert desk.spend("amina", code_at(clock.now - STEP_S), OPERATORS) == ""
    assert desk.spend("amina", code_at(clock.now), OPERATORS) == "code"


@pytest.mark.parametrize(("back_s", "taken"), [(60, ""), (STEPS_AHEAD * STEP_S + 60, "code")])
def test_a_clock_that_had_been_ahead_locks_nobody_out_for_long(
    desk: People, recovery: list[str], clock: Clock, back_s: int, taken: str
) -> None:
    # A server without a clock of its own may begin on any day, and be put right later.
    assert recovery
    clock.now += 365 * 86400
    seen = code_at(clock.now)
    assert desk.spend("amina", seen, OPERATORS) == "code"
    clock.now -= back_s
    assert desk.spend("amina", seen, OPERATORS) == ""
    assert desk.spend("amina", code_at(clock.now), OPERATORS) == taken
    assert desk.spend("amina", code_at(clock.now), OPERATORS) == ""


@pytest.mark.parametrize("kind", ["code", "recovery"])
def test_of_many_who_send_one_code_at_once_one_gets_in(
    desk: People, recovery: list[str], clock: Clock, kind: str
) -> None:
    clock.now += STEP_S
    code = code_at(clock.now) if kind == "code" else recovery[0]
    taken: list[str] = []
    begin = threading.Barrier(8)

    def send() -> None:
        begin.wait()
        taken.append(desk.spend("amina", code, OPERATORS))

    threads = [threading.Thread(target=send) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(taken) == [""] * 7 + [kind]


def test_a_recovery_code_is_taken_once_however_it_is_typed(
    desk: People, recovery: list[str]
) -> None:
    typed = recovery[3].upper().replace("-", "  ")
    assert desk.spend("amina", typed, OPERATORS) == "recovery"
    assert desk.spend("amina", recovery[3], OPERATORS) == ""
    left = amina(desk).factor
    assert left is not None
    assert len(left.recovery) == RECOVERY_CODES - 1
    # They do not hang on the operator's secret: whoever had to set another has a way in.
    assert desk.spend("amina", recovery[4], "another secret of the operator") == "recovery"


def test_another_secret_of_the_operators_voids_codes(
    desk: People, recovery: list[str], clock: Clock
) -> None:
    assert recovery
    clock.now += STEP_S
    assert desk.spend("amina", code_at(clock.now), OPERATORS + "x") == ""


@pytest.mark.parametrize("written", ["", " ", "000000", "x" * 12, "x" * 100_000, "\ud800" * 12])
def test_what_is_no_code_of_theirs_is_not_taken(
    desk: People, recovery: list[str], written: str
) -> None:
    assert recovery
    before = amina(desk)
    assert desk.spend("amina", written, OPERATORS) == ""
    assert desk.spend("nobody", written, OPERATORS) == ""
    assert amina(desk) == before


def test_new_recovery_codes_replace_the_old(desk: People, recovery: list[str]) -> None:
    new = desk.new_recovery_codes("amina")
    assert new is not None
    assert not set(new) & set(recovery)
    assert desk.spend("amina", recovery[0], OPERATORS) == ""
    assert desk.spend("amina", new[0], OPERATORS) == "recovery"
    desk.add("baraka", "agent")
    assert desk.new_recovery_codes("baraka") is None
    assert desk.new_recovery_codes("nobody") is None


# Kept


def test_setting_it_up_and_dropping_it_end_every_session(desk: People, recovery: list[str]) -> None:
    assert recovery
    before = amina(desk)
    dropped = desk.drop_factor("amina")
    assert dropped is not None
    assert (dropped.factor, dropped.generation) == (None, before.generation + 1)
    assert desk.spend("amina", recovery[0], OPERATORS) == ""
    assert desk.drop_factor("amina") is None
    assert desk.drop_factor("nobody") is None
    assert desk.set_factor("nobody", SALT, 0) is None
    again = desk.set_factor("amina", new_salt(), 0)
    assert again is not None
    assert again[0].generation == before.generation + 2


def test_neither_the_secret_nor_a_recovery_code_lies_in_redis(
    desk: People, recovery: list[str], redis_client: redis.Redis
) -> None:
    assert amina(desk).factor is not None
    stored = b"".join(redis_client.hvals(keys.users_key()))
    for secret in (SECRET, pyotp.TOTP(SECRET).byte_secret(), *recovery, *map(tidy_code, recovery)):
        assert (secret if isinstance(secret, bytes) else secret.encode()) not in stored


def test_a_user_stored_before_there_were_second_factors_has_none(desk: People) -> None:
    fields = list(msgspec.structs.astuple(amina(desk)))[:-1]
    old = encoded(amina(desk)).replace(
        msgspec.msgpack.encode(amina(desk)), msgspec.msgpack.encode(fields)
    )
    assert decoded(old, User) == amina(desk)
