"""A record made small: zstd with a dictionary of what records are full of.

A record alone is too short for names and days to come often enough in it; the dictionary has
them. It belongs to the schema that records were written under, and must never change: a record
can only be read with the one it was written with, whose number it carries. `python -m
tests.benchmarks.dictionary` trains one for a new schema.
"""

from __future__ import annotations

import threading
from importlib.resources import files
from typing import TYPE_CHECKING

from zstandard import ZstdCompressionDict, ZstdCompressor, ZstdDecompressor, ZstdError

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["ZstdError", "pack", "unpack"]

LEVEL = 3
"""Higher ones save a tenth more and take three times as long or more."""

SMALL = 100
"""Bytes of a record that is left as it is: it would hardly be smaller, or larger, as most are of
growers who are enrolled and have said nothing yet."""

_MAGIC = b"\x28\xb5\x2f\xfd"
"""What zstd begins with (RFC 8878, section 3.1.1), and the msgpack of a record cannot."""

_DICTIONARY = ZstdCompressionDict(files("bot.store").joinpath("records_2.dict").read_bytes())
_DICTIONARY.precompute_compress(level=LEVEL)


class _Contexts(threading.local):
    """A thread's own: they may not be used by two at a time, and are slow to make."""

    compress: Callable[[bytes], bytes]
    decompress: Callable[[bytes], bytes]

    def __init__(self) -> None:
        self.compress = ZstdCompressor(dict_data=_DICTIONARY).compress
        self.decompress = ZstdDecompressor(dict_data=_DICTIONARY).decompress


_contexts = _Contexts()


def pack(record: bytes) -> bytes:
    """Return a record, msgpack of an array, compressed if that is worth it."""
    return record if len(record) < SMALL else _contexts.compress(record)


def unpack(packed: bytes) -> bytes:
    """Return the record that was packed. Raises `ZstdError` where it is damaged."""
    return _contexts.decompress(packed) if packed.startswith(_MAGIC) else packed
