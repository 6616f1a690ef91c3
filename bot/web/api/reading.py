"""Reading what a request holds: strictly, and if it cannot be used, with every fault in it.

`msgspec` stops at the first fault. So when it finds one the whole is gone through again, part by
part, and whoever wrote the request can mend all of it at once.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_args, get_origin

import msgspec
from msgspec import Struct

from bot.web.api.shapes import Fault

if TYPE_CHECKING:
    from collections.abc import Iterator

    from werkzeug.datastructures import MultiDict

Kind = TypeVar("Kind", bound=Struct)

_PLACE = re.compile(r" - at `\$[^`]*`$")
"""Where msgspec says that a fault is; the field says it already."""


def read_body(body: bytes, kind: type[Kind]) -> Kind | list[Fault]:
    """Read a body of JSON."""
    try:
        try:
            return msgspec.json.decode(body, type=kind)
        except msgspec.ValidationError:
            # What follows the fault has not been looked at: it may be no JSON at all.
            raw = _any_json.decode(body)
    except (msgspec.DecodeError, RecursionError) as error:
        return [Fault("", f"this is no JSON that can be read: {error}")]
    return list(_faults(raw, kind, "", strict=True)) or msgspec.convert(raw, kind)


def _number(written: str) -> float:
    """Read a number with a point: 3.0 is the whole number 3 (JSON Schema, "integer")."""
    value = float(written)
    return int(value) if value.is_integer() else value


_any_json = msgspec.json.Decoder(float_hook=_number)


def read_query(query: MultiDict[str, str], kind: type[Kind]) -> Kind | list[Fault]:
    """Read what stands behind the question mark of an address."""
    given = query.to_dict()
    faults = [
        Fault(name, "it is given more than once") for name in given if len(query.getlist(name)) > 1
    ]
    try:
        read = msgspec.convert(given, kind, strict=False)
    except msgspec.ValidationError:
        faults += _faults(given, kind, "", strict=False)
    return faults or read


def _faults(raw: Any, kind: Any, place: str, *, strict: bool) -> Iterator[Fault]:  # noqa: ANN401 - any JSON, any type
    """Find what is wrong with a value that should be of a type."""
    try:
        msgspec.convert(raw, kind, strict=strict)
    except msgspec.ValidationError as error:
        reason = _PLACE.sub("", str(error))
    else:
        return
    inside = [fault for part in _parts(raw, kind, place) for fault in _faults(*part, strict=strict)]
    if isinstance(raw, dict) and isinstance(kind, type) and issubclass(kind, Struct):
        names = {each.encode_name: each.required for each in msgspec.structs.fields(kind)}
        inside += [Fault(_in(place, name), "no such field is known") for name in {*raw} - {*names}]
        inside += [
            Fault(_in(place, name), "it is missing")
            for name, required in names.items()
            if required and name not in raw
        ]
    yield from inside or [Fault(place, reason)]


def _parts(raw: Any, kind: Any, place: str) -> Iterator[tuple[Any, Any, str]]:  # noqa: ANN401
    """Give the parts of a value, each with the type it should have and its place."""
    if get_origin(kind) is Annotated:
        kind = get_args(kind)[0]
    if isinstance(raw, dict) and isinstance(kind, type) and issubclass(kind, Struct):
        for each in msgspec.structs.fields(kind):
            if each.encode_name in raw:
                yield raw[each.encode_name], each.type, _in(place, each.encode_name)
    elif isinstance(raw, dict) and get_origin(kind) is dict:
        for name, value in raw.items():
            yield value, get_args(kind)[1], _in(place, name)
    elif isinstance(raw, list) and get_origin(kind) is list:
        for number, value in enumerate(raw):
            yield value, get_args(kind)[0], f"{place}[{number}]"


def _in(place: str, name: str) -> str:
    return f"{place}.{name}" if place else name
