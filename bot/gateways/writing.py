"""Bodies made from a table of the profile: values are put in as data, never pasted into JSON.

A table says which fields a body has. "{to}" in a string is a placeholder for a value, "{{" is a
brace; the table is filled first and spelt as JSON or as a form afterwards, so nothing that stands
in a text can become a field or end one.
"""

from __future__ import annotations

import json
import math
from string import Formatter
from typing import TYPE_CHECKING, Literal
from urllib.parse import urlencode

import msgspec

from bot.settings import nearest

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

Body = Literal["json", "form", "query"]
"""How fields are spelt: in the body as JSON or as a form, or in the address behind "?"."""

MEDIA_TYPES: dict[Literal["json", "form"], str] = {
    "json": "application/json",
    "form": "application/x-www-form-urlencoded",
}


def placeholders(table: object) -> set[str]:
    """Return the names of the placeholders in a table. Raises `ValueError` for a stray brace."""
    return {name for text in _strings(table) for _, name in _parts(text) if name is not None}


def check_table(table: Mapping[str, object], known: Iterable[str], *, nested: bool) -> None:
    """Raise `ValueError` for a table that cannot be filled or spelt.

    A form, unlike JSON (`nested`), holds only plain values and lists of them.
    """
    known = set(known)
    for name in sorted(placeholders(table)):
        if name not in known:
            raise ValueError(f"unknown placeholder {{{name}}}; {nearest(name, known)}")
    for name, value in table.items():
        plain = value if isinstance(value, list) and not nested else [value]
        for each in plain:
            if not nested and isinstance(each, dict | list):
                raise ValueError(f"{name!r} is a table or a list of lists, which a form has not")
            _check_value(name, each)


def _check_value(name: str, value: object) -> None:
    if isinstance(value, dict):
        for key, each in value.items():
            _check_value(key, each)
    elif isinstance(value, list):
        for each in value:
            _check_value(name, each)
    elif not isinstance(value, str | int) and not (
        isinstance(value, float) and math.isfinite(value)
    ):
        raise ValueError(f"{name!r} is {value}; write a text, a number, or true or false")


def fill(table: object, values: Mapping[str, str | bool]) -> object:
    """Return a table with values in the places of its placeholders.

    A string that is a placeholder and nothing else becomes the value itself, true or false too.
    """
    match table:
        case dict():
            return {name: fill(each, values) for name, each in table.items()}
        case list():
            return [fill(each, values) for each in table]
        case str():
            parts = _parts(table)
            if len(parts) == 1 and parts[0][0] == "" and parts[0][1] is not None:
                return values[parts[0][1]]
            return "".join(
                before + ("" if name is None else _plain(values[name])) for before, name in parts
            )
    return table


def write_body(body: Body, fields: Mapping[str, object]) -> tuple[str, bytes]:
    """Return the content type and bytes of fields; a list in a form is its field repeated."""
    if body == "json":
        return MEDIA_TYPES["json"], msgspec.json.encode(fields)
    plain = {
        name: [_plain(each) for each in value] if isinstance(value, list) else _plain(value)
        for name, value in fields.items()
    }
    return MEDIA_TYPES["form"], urlencode(plain, doseq=True).encode()


def _plain(value: object) -> str:
    return json.dumps(value) if isinstance(value, bool) else str(value)


def _strings(table: object) -> Iterator[str]:
    match table:
        case dict():
            for each in table.values():
                yield from _strings(each)
        case list():
            for each in table:
                yield from _strings(each)
        case str():
            yield table


def _parts(text: str) -> list[tuple[str, str | None]]:
    """Split a string into what stands before each placeholder, and the placeholder's name."""
    try:
        parts = list(Formatter().parse(text))
    except ValueError as error:
        raise ValueError(f"{text!r} has a stray brace; write {{{{ for a brace") from error
    for _, name, form, conversion in parts:
        if form or conversion:
            raise ValueError(f"{text!r}: nothing may follow a placeholder's name: {{{name}}}")
    return [(before, name) for before, name, _, _ in parts]
