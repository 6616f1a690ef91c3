"""Who may use the desk and the API, and the trail of what they did.

Names are folded (NFC, no capitals, single spaces), so that one person is not two. A password is
kept as its argon2id hash and a token as its SHA-256, so neither can be read back. Times are UTC
epoch seconds. Every method raises `StoreUnavailable` when Redis is down, full or read-only, and
`RecordError` for a record that it cannot read.
"""

from __future__ import annotations

import re
import secrets
import time
import unicodedata
from base64 import b64encode
from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Literal, cast

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from msgspec import Struct
from msgspec.structs import replace

from bot.store import keys
from bot.store.codec import RecordError
from bot.store.errors import reaching_redis
from bot.store.second_factor import (
    DIGITS,
    RECOVERY_CODES,
    Factor,
    secret_of,
    step_of,
    tidy_code,
)
from bot.store.shelf import Shelf, decoded, encoded

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    import redis

Role = Literal["agent", "admin"]
Scope = Literal["growers:read", "growers:write", "rounds:write", "reports:read"]
SCOPES: tuple[Scope, ...] = ("growers:read", "growers:write", "rounds:write", "reports:read")

LONGEST_NAME = 40
SHORTEST_PASSWORD = 10
"""Characters of a password. (Common practice: length matters more than kinds of characters.)"""
LONGEST_PASSWORD = 200

COMMON_PASSWORDS = frozenset(
    """
    0123456789 1234567890 0987654321 9876543210 12345678910 1q2w3e4r5t 1qaz2wsx3edc
    abcdefghij abcd123456 a123456789 aaaaaaaaaa admin12345 administrator cassava123 cassava1234
    changeme123 fieldbell1 fieldbell123 iloveyou12 iloveyou123 letmein123 letmein1234 mypassword
    password00 password01 password12 password123 password1234 passw0rd123 qazwsxedcrfv qwerty1234
    qwerty12345 qwerty123456 qwertyuiop welcome123 welcome1234
    """.split()  # noqa: SIM905 - a list of words is read more easily
)
"""Passwords of ten characters or more that everybody tries first; from memory."""

TOKEN_PREFIX = "fb_"  # noqa: S105 - what a token begins with, so that scanners of code find it
TRAIL_KEPT = 100_000
"""Entries of the trail that are kept, about."""
TOKEN_SEEN_EVERY_S = 3600
"""A token's last use is written no more often than this, in seconds."""

_TEMPORARY_LETTERS = "23456789abcdefghjkmnpqrstuvwxyz"  # none that is taken for another
_ENTRY_ID = re.compile(r"[0-9]{1,15}-[0-9]{1,9}")


class User(Struct, array_like=True, frozen=True):
    """Someone who signs in to the desk.

    An admin sees every group, an agent only their own. `generation` is part of each session and
    changes to end them all. A `temporary` password opens nothing but the page that changes it.
    With a `factor` a password alone opens nothing.
    """

    name: str
    role: Role
    groups: tuple[str, ...]
    password: str
    generation: int
    created: int
    last_seen: int = 0
    temporary: bool = False
    factor: Factor | None = None

    def may_see(self, group: str) -> bool:
        """Whether the growers of this group are theirs to see; "" is those without a group."""
        return self.role == "admin" or group in self.groups


class Token(Struct, array_like=True, frozen=True):
    """Another system's way in: what it may do (`scopes`), with which groups (none: every one)."""

    name: str
    scopes: tuple[Scope, ...]
    groups: tuple[str, ...]
    created: int
    last_used: int = 0

    def may_see(self, group: str) -> bool:
        """Whether the growers of this group are this token's to see."""
        return not self.groups or group in self.groups


class Entry(Struct, array_like=True, frozen=True):
    """One line of the trail: `who` did `what` to `whom`, as a sentence: "amina removed baraka".

    `who` is a user's name, or in brackets what else it was: "(command line)". Never a text or a
    password is in it; a phone number may be.
    """

    at: int
    who: str
    what: str
    whom: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why something was not done: one sentence for the person who asked."""

    reason: str


class People:
    """Users, tokens and the trail in Redis. The client must not decode responses."""

    def __init__(
        self,
        client: redis.Redis,
        clock: Callable[[], float] = time.time,
        hasher: PasswordHasher | None = None,
    ) -> None:
        self.redis = client
        self._users = Shelf(client, keys.users_key(), User)
        self._tokens = Shelf(client, keys.tokens_key(), Token)
        self._clock = clock
        self._hasher = hasher or PasswordHasher()
        # Checked in the place of a user who is not there, so that the answer takes as long.
        self._nobody = _hash_of_nobody(self._hasher)

    # Users

    def users(self) -> list[User]:
        """Return everyone, by name."""
        return sorted(self._users.all().values(), key=lambda it: it.name)

    def user(self, name: str) -> User | None:
        """Return the user of a name, however it is written; None if there is none."""
        return self._users.find(fold_name(name))

    def add(self, name: str, role: Role, groups: tuple[str, ...] = ()) -> str | Refusal:
        """Add a user and return the temporary password, which is nowhere kept readable."""
        name = fold_name(name)
        if fault := fault_in_name(name):
            return Refusal(fault)
        password = temporary_password()
        user = User(
            name=name,
            role=role,
            groups=tidy_groups(groups),
            password=self._hash(password),
            # At random, so that a session of someone removed is none of a later namesake's.
            generation=secrets.randbits(31),
            created=int(self._clock()),
            temporary=True,
        )
        added = self._users.add(name, user)
        return password if added else Refusal(f"there is already someone called {name}")

    def change(
        self, name: str, role: Role | None = None, groups: tuple[str, ...] | None = None
    ) -> User | None:
        """Change a user's role or groups; None if there is no such user."""
        return self._changed_user(
            name,
            lambda user: replace(
                user,
                role=role or user.role,
                groups=user.groups if groups is None else tidy_groups(groups),
            ),
        )

    def remove(self, name: str) -> bool:
        """Remove a user, who is signed out everywhere at once; False if there was none."""
        return self._users.remove(fold_name(name))

    def sign_out(self, name: str) -> User | None:
        """End every session of a user; None if there is no such user."""
        return self._changed_user(name, lambda user: replace(user, generation=user.generation + 1))

    def seen(self, name: str) -> None:
        """Note that a user is here now."""
        now = int(self._clock())
        self._changed_user(name, lambda user: replace(user, last_seen=now))

    # Passwords

    def check(self, name: str, password: str) -> User | None:
        """Return the user whose name and password these are, else None.

        It takes as long for a name that is not there. A hash made with other parameters than
        today's is made anew.
        """
        user = self.user(name)
        if not self._fits(user.password if user else self._nobody, password) or user is None:
            return None
        if self._hasher.check_needs_rehash(user.password):
            renewed = self._hash(password)
            # Only the very hash that was checked: the password may have been changed meanwhile.
            checked = user.password
            self._changed_user(
                name,
                lambda now: replace(now, password=renewed) if now.password == checked else now,
            )
        # As they were when the password was looked at: if it has been changed since, so has the
        # generation, and a session of this one is none.
        return user

    def set_password(self, name: str, password: str) -> User | Refusal:
        """Give a user the password they chose, and end every session of theirs."""
        if fault := fault_in_password(password, name):
            return Refusal(fault)
        return self._with_password(name, password, temporary=False) or Refusal(
            "nobody has this name any more"
        )

    def reset_password(self, name: str) -> str | None:
        """Give a user a temporary password, end their sessions and return it; None if no user."""
        password = temporary_password()
        return password if self._with_password(name, password, temporary=True) else None

    def _with_password(self, name: str, password: str, *, temporary: bool) -> User | None:
        hashed = self._hash(password)
        return self._changed_user(
            name,
            lambda user: replace(
                user, password=hashed, temporary=temporary, generation=user.generation + 1
            ),
        )

    # Second factors

    def set_factor(self, name: str, salt: bytes, step: int) -> tuple[User, list[str]] | None:
        """Give a user a second factor, whose code of `step` they have shown.

        Returns the user, whose sessions are ended, and the recovery codes, which are nowhere kept
        readable; None if there is no such user, or they have one.
        """
        codes, hashes = self._recovery_codes()
        factor = Factor(salt, step, hashes, int(self._clock()))
        user = self._changed_user(
            name,
            lambda user: (
                user
                if user.factor
                else replace(user, factor=factor, generation=user.generation + 1)
            ),
        )
        return (user, codes) if user and user.factor == factor else None

    def new_recovery_codes(self, name: str) -> list[str] | None:
        """Put new recovery codes in the place of a user's; None if they have no second factor."""
        codes, hashes = self._recovery_codes()
        user = self._changed_user(
            name,
            lambda user: replace(
                user, factor=user.factor and replace(user.factor, recovery=hashes)
            ),
        )
        return codes if user and user.factor else None

    def drop_factor(self, name: str) -> User | None:
        """Take a user's second factor away and end their sessions; None if they have none."""
        had = False

        def drop(user: User) -> User:
            nonlocal had
            had = user.factor is not None
            return replace(user, factor=None, generation=user.generation + had)

        user = self._changed_user(name, drop)
        return user if had else None

    def spend(self, name: str, written: str, operators: str) -> Literal["", "code", "recovery"]:
        """Take a code of a user's second factor, which it then is never again.

        `operators` is the secret of the settings; where there is none, recovery codes alone count.
        Returns what kind of code it was; "" if it is none, or was taken before.
        """
        user, code = self.user(name), tidy_code(written[:LONGEST_PASSWORD])
        if user is None or user.factor is None:
            return ""
        salt, step, hashed = user.factor.salt, None, ""
        if len(code) == DIGITS and operators:
            step = step_of(secret_of(operators, salt), code, self._clock())
        else:
            hashed = next((one for one in user.factor.recovery if self._fits(one, code)), "")
        if step is None and not hashed:
            return ""
        left: Factor | None = None

        def spend(now: User) -> User:
            nonlocal left
            # Only of the very factor that was looked at: it may be another meanwhile.
            same = now.factor is not None and now.factor.salt == salt
            left = now.factor.spent(step, hashed) if now.factor and same else None
            return replace(now, factor=left) if left else now

        self._changed_user(name, spend)
        if left is None:
            return ""
        return "recovery" if hashed else "code"

    def _recovery_codes(self) -> tuple[list[str], tuple[str, ...]]:
        codes = [temporary_password() for _ in range(RECOVERY_CODES)]
        return codes, tuple(self._hash(tidy_code(code)) for code in codes)

    def _hash(self, password: str) -> str:
        return self._hasher.hash(_password_bytes(password))

    def _fits(self, hashed: str, password: str) -> bool:
        if len(password) > LONGEST_PASSWORD:
            password = ""  # nobody's, and quicker to hash than a book
        try:
            return self._hasher.verify(hashed, _password_bytes(password))
        except VerificationError:
            return False
        except InvalidHashError as error:
            raise RecordError(
                "a stored password is damaged; give the user a new one: fieldbell desk password"
            ) from error

    # Tokens

    def add_token(
        self, name: str, scopes: tuple[Scope, ...], groups: tuple[str, ...] = ()
    ) -> str | Refusal:
        """Add a token and return its secret, which is nowhere kept readable."""
        name = fold_name(name)
        if fault := fault_in_name(name):
            return Refusal(fault)
        if not scopes:
            return Refusal(f"a token without a scope may do nothing; choose {', '.join(SCOPES)}")
        secret = TOKEN_PREFIX + secrets.token_urlsafe(32)
        token = Token(
            name,
            tuple(scope for scope in SCOPES if scope in scopes),
            tidy_groups(groups),
            int(self._clock()),
        )
        added = self._tokens.add(_digest(secret), token, lambda other: other.name == name)
        return secret if added else Refusal(f"there is already a token called {name}")

    def tokens(self) -> list[Token]:
        """Return every token, by name."""
        return sorted(self._tokens.all().values(), key=lambda it: it.name)

    def token(self, secret: str) -> Token | None:
        """Return the token of a secret, and note its use; None if there is none."""
        if not secret.startswith(TOKEN_PREFIX) or len(secret) > LONGEST_PASSWORD:
            return None
        digest = _digest(secret)
        found = self._tokens.find(digest)
        now = int(self._clock())
        if found is None or now - found.last_used < TOKEN_SEEN_EVERY_S:
            return found
        return self._tokens.change(digest, lambda token: replace(token, last_used=now))

    def revoke(self, name: str) -> bool:
        """End a token at once; False if there was none of this name."""
        name = fold_name(name)
        theirs = [digest for digest, token in self._tokens.all().items() if token.name == name]
        removed = [self._tokens.remove(digest) for digest in theirs]
        return any(removed)

    # The trail

    def record(self, who: str, what: str, whom: str = "", detail: str = "") -> None:
        """Write down that somebody did something. Never pass a text or a password."""
        entry = Entry(int(self._clock()), who, what, whom, detail)
        with reaching_redis():
            self.redis.xadd(
                keys.audit_key(), {"entry": encoded(entry)}, maxlen=TRAIL_KEPT, approximate=True
            )

    def recent(self, limit: int, before: str = "") -> list[tuple[str, Entry]]:
        """Return the latest entries with their places, the newest first.

        `before` is the place of the last entry of the page before; what is no place is taken as
        the end of the trail.
        """
        newest = f"({before}" if _ENTRY_ID.fullmatch(before) else "+"
        with reaching_redis():
            found = cast(
                "list[tuple[bytes, dict[bytes, bytes]]]",
                self.redis.xrevrange(keys.audit_key(), max=newest, count=limit),
            )
        return [
            (place.decode(), decoded(fields[b"entry"], Entry, place)) for place, fields in found
        ]

    def _changed_user(self, name: str, edit: Callable[[User], User]) -> User | None:
        return self._users.change(fold_name(name), edit)


# Names, groups and passwords as people write them


def fold_name(written: str) -> str:
    """Return a name as it is kept: NFC, no capitals, single spaces."""
    folded = unicodedata.normalize("NFC", unicodedata.normalize("NFC", written).casefold())
    return " ".join(folded.split())


def fault_in_name(name: str) -> str:
    """Say what is wrong with a folded name; "" if nothing is."""
    if not _bare(name):
        return "a name is missing"
    if len(name) > LONGEST_NAME:
        return f"the name is over {LONGEST_NAME} characters"
    if not all(
        # A mark belongs to its letter, where NFC knows no single character for the two: "ọ̀".
        each.isalnum() or each in " .'-_" or unicodedata.category(each) == "Mn"
        for each in name
    ):
        return "a name is made of letters, digits, spaces and . ' - _ only"
    return ""


def tidy_groups(written: Iterable[str]) -> tuple[str, ...]:
    """Return names of groups without empty or double ones, spaces single, letters NFC."""
    tidy = (" ".join(unicodedata.normalize("NFC", group).split()) for group in written)
    return tuple(dict.fromkeys(group for group in tidy if group))


def fault_in_password(password: str, name: str) -> str:
    """Say why a password will not do for a user; "" if it will."""
    if len(password) < SHORTEST_PASSWORD:
        return f"a password has at least {SHORTEST_PASSWORD} characters"
    if len(password) > LONGEST_PASSWORD:
        return f"a password has at most {LONGEST_PASSWORD} characters"
    bare = _bare(password)
    few = len(set(password)) <= 2  # noqa: PLR2004 - "aaaaaaaaaa", "1212121212"
    if bare in COMMON_PASSWORDS or few:
        return "that password is one of the first that anybody tries; choose another"
    if _bare(name) in {bare, bare.rstrip("0123456789")}:
        return "the password must not be the name; choose another"
    return ""


def temporary_password() -> str:
    """Make a password to be read out or copied from paper: "k7hm-w2xp-q9fd", 59 bits."""
    letters = (secrets.choice(_TEMPORARY_LETTERS) for _ in range(12))
    return "-".join("".join(next(letters) for _ in range(4)) for _ in range(3))


def _bare(written: str) -> str:
    return "".join(each for each in fold_name(written) if each.isalnum())


def _password_bytes(password: str) -> bytes:
    # Two keyboards may write one letter in two ways. Half a surrogate pair is no letter at all,
    # yet no reason to fail.
    return unicodedata.normalize("NFC", password).encode("utf-8", "surrogatepass")


def _hash_of_nobody(hasher: PasswordHasher) -> str:
    """Make up a hash that takes as long to check as any, and that no password is known for."""
    salt, tag = (
        b64encode(secrets.token_bytes(size)).decode().rstrip("=")
        for size in (hasher.salt_len, hasher.hash_len)
    )
    costs = f"m={hasher.memory_cost},t={hasher.time_cost},p={hasher.parallelism}"
    return f"$argon2id$v=19${costs}${salt}${tag}"


def _digest(secret: str) -> str:
    # A random secret of 32 bytes cannot be guessed, so that no slow hash is needed.
    return sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()
