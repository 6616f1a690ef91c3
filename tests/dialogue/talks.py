"""Texts of whole conversations that more than one file of tests goes through."""

from __future__ import annotations

ENGLISH = [
    # Low green broad leaves: spray, wait, clear, plough, ridge, plant, pre-emergence spray.
    *("hello", "1", "1 acre", "yes", "none", "broad leaves", "40", "no", "yes", "yes"),
    *(
        "10,000",
        "0",
        "15000",
        "10k",
        "no",
        "no",
        "no",
        "no",
        "no",
        "yes",
        "1",
        "15 l",
        "2",
        "1",
        "today",
    ),
]
