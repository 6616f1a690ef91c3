"""Inputs made of good ones: cut, doubled, spliced, with bytes and words put where none belong."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from random import Random

CHANGES = (1, 1, 1, 2, 3, 6)
"""How many changes are made: mostly few, so that an input is not refused at its first byte."""
LONGEST = 4096
"""Bytes of an input, about: what is longer is slower and finds little more."""

WORDS = tuple(
    word.encode("utf-8", "surrogatepass")
    for word in (
        *("", "\0", "\r\n", "\n\n", '"', "'", "\\", "{", "}", "[", "]", "{}", "[]", ",", ";", ":"),
        *(
            "=",
            "&",
            "%",
            "%00",
            "%ff",
            "+",
            "-",
            "--",
            "...",
            "#",
            "!",
            "*a",
            "&a",
            "<<: ",
            "|",
            ">",
        ),
        *("null", "true", "no", "~", "nan", "inf", "-0", "0", "1e999", "9" * 40, "-1", "0x1F"),
        *(
            "2026-02-30",
            "99:99",
            "!!python/object/apply:os.system [id]",
            "!!binary aGk=",
            "!!set {}",
        ),
        *("{0.__class__}", "{x!r}", "{x:>999999999}", "%(x)s", "%s", "{{", "}}", "{x[0]}", "${x}"),
        *("=cmd|' /C x'!A1", "@SUM(1)", "\ufeff", "\u202e", "\ud800", "\u0661", "\U0001f33e", "İ"),
        *("\x1b[31m", "\f", "\x85", "\u2028", "é", "ŋ", "+255655512345", "00255655512345", "STOP"),
        *("a.b.c", "a.0.b", ".", "..", "../../etc/passwd", "msgid", "msgstr[1]", "#, fuzzy", "#~ "),
        *("Plural-Forms: nplurals=9; plural=n/0;", "Content-Type: text/plain; charset=utf-7\\n"),
        *("Content-Type: text/plain; charset=zlib\\n", "PO-Revision-Date: yesterday\\n"),
    )
)
"""What upsets readers of these formats, as far as is commonly known."""


def mutated(seeds: Sequence[bytes], random: Random) -> bytes:
    """Make an input of one or two good ones."""
    made = bytearray(random.choice(seeds))
    for _ in range(random.choice(CHANGES)):
        start = random.randint(0, len(made))
        end = min(len(made), start + random.choice((0, 1, 1, 2, 4, 16, 64)))
        match random.randrange(8):
            case 0:  # a few bytes of any kind
                made[start:end] = random.randbytes(random.randint(1, 4))
            case 1:
                made[start:end] = random.choice(WORDS)
            case 2:
                del made[start:end]
            case 3:  # a piece of itself again
                made[start:start] = made[start:end] * random.randint(1, 8)
            case 4:  # a piece of another
                other = random.choice(seeds)
                place = random.randint(0, len(other))
                made[start:end] = other[place : place + random.choice((1, 4, 16, 64, 256))]
            case 5:  # cut off
                del made[start:]
            case 6:  # two pieces change places
                piece = bytes(made[start:end])
                del made[start:end]
                place = random.randint(0, len(made))
                made[place:place] = piece
            case _:  # one bit
                if start < len(made):
                    made[start] ^= 1 << random.randrange(8)
    return bytes(made[:LONGEST])
