"""The second factor of signing in: codes that change with time, and codes for when the phone is gone.

A code is that of RFC 6238 (TOTP) as phones' apps have it: HMAC-SHA-1, six digits, a new one every
30 seconds. The secret it is made with is kept nowhere. It is worked out each time from the
operator's secret and a salt at random that is kept with the user (RFC 4226, 7.5, "Deterministic
Generation"), so that what lies in Redis or in a backup makes no code. Whoever sets another secret
voids all second factors; the recovery codes stay, as their hashes do not hang on it.
"""

from __future__ import annotations

import hmac
import secrets
from base64 import b32encode
from hashlib import sha256

import pyotp
from msgspec import Struct
from msgspec.structs import replace

STEP_S = 30
"""Seconds that a code is shown for (RFC 6238, 5.2)."""
DIGITS = 6

CLOCKS_DIFFER = 1
"""Codes before and after the present one that are taken too, as a phone's clock is not ours."""

STEPS_AHEAD = 3600 // STEP_S
"""A code that was taken so many steps ahead of now tells that the clock was wrong then."""

SALT_BYTES = 20
SECRET_BYTES = 20
"""Bytes of a secret: as many as SHA-1 gives (RFC 4226, 4, R6 recommends 160 bits)."""

RECOVERY_CODES = 8
"""Recovery codes that are given at once."""

ISSUER = "Fieldbell desk"
"""What an app calls the codes."""

_PURPOSE = b"fieldbell.desk.second-factor:"


class Factor(Struct, array_like=True, frozen=True):
    """A user's second factor.

    `salt` is what the secret is made of, besides the operator's; `step` the time step of the last
    code that was taken, as that and older ones count no more; `recovery` the argon2id hashes of
    the recovery codes that are left; `began` UTC epoch seconds.
    """

    salt: bytes
    step: int
    recovery: tuple[str, ...]
    began: int

    def spent(self, step: int | None, hashed: str) -> Factor | None:
        """Return what is left once a code of `step`, or the recovery code of a hash, is taken.

        None if it was taken before. A code from far ahead, which a clock that was wrong had taken,
        keeps nobody out until that time has come.
        """
        if step is not None:
            before = self.step if self.step - step <= STEPS_AHEAD else 0
            return replace(self, step=step) if step > before else None
        left = tuple(one for one in self.recovery if one != hashed)
        return replace(self, recovery=left) if len(left) < len(self.recovery) else None


def new_salt() -> bytes:
    """Make the salt of a secret to come."""
    return secrets.token_bytes(SALT_BYTES)


def secret_of(operators: str, salt: bytes) -> str:
    """Return the secret that goes with a salt, in base32, as apps take it."""
    made = hmac.digest(operators.encode(), _PURPOSE + salt, sha256)
    return b32encode(made[:SECRET_BYTES]).decode()


def address_of(secret: str, name: str) -> str:
    """Return what an app reads from a QR code: the secret, and whose it is."""
    made = pyotp.TOTP(secret, digits=DIGITS, interval=STEP_S, name=name, issuer=ISSUER)
    return made.provisioning_uri()


def step_of(secret: str, code: str, at: float) -> int | None:
    """Return the time step whose code this is; None if it is of none that counts now.

    `at` is UTC epoch seconds.
    """
    now, codes = int(at) // STEP_S, pyotp.HOTP(secret, digits=DIGITS)
    near = range(max(now - CLOCKS_DIFFER, 0), now + CLOCKS_DIFFER + 1)
    # All are looked at, so that the time it takes tells nothing.
    fits = [step for step in near if hmac.compare_digest(codes.at(step).encode(), code.encode())]
    return fits[-1] if fits else None


def tidy_code(written: str) -> str:
    """Return a code as it was made, however it was typed: without spaces, hyphens or capitals."""
    return "".join(each for each in written if each.isalnum()).lower()
