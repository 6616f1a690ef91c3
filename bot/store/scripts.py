"""The scripts that Redis runs, as they lie beside this file."""

from __future__ import annotations

from importlib import resources


def script(name: str) -> str:
    """Return the text of a script, such as "commit.lua"."""
    return resources.files("bot.store").joinpath(name).read_text(encoding="utf-8")
