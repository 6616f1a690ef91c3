"""A translator's file that came by browser: read into memory, and written only when accepted."""

from __future__ import annotations

import binascii
import os
import re
import zlib
from base64 import b64decode, b64encode
from contextlib import suppress
from dataclasses import dataclass
from io import BytesIO
from secrets import token_hex
from typing import TYPE_CHECKING

from flask import request
from werkzeug.exceptions import RequestEntityTooLarge
from werkzeug.formparser import FormDataParser

from bot.dialogue.messages import asks_too_much, messages
from bot.wording.catalogue import Catalogue

if TYPE_CHECKING:
    from pathlib import Path

    from werkzeug.datastructures import FileStorage, MultiDict

    from bot.dialogue.loading import Flows

MOST_PO_BYTES = 1024 * 1024
"""Bytes of a `.po` that are read; a whole language takes less than a tenth."""

MOST_BODY_BYTES = 2 * MOST_PO_BYTES
"""Bytes of a form: a file that does not compress, in base64, and the other fields."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a file, or a form, cannot be used: one line for the translator."""

    reason: str


def read_upload(po: bytes, code: str, flows: Flows) -> Catalogue | Refused:
    """Read a translator's file for a language, or say in one line why it cannot be used."""
    if len(po) > MOST_PO_BYTES:
        return Refused("The file is over 1 MiB; a language's messages.po is far smaller.")
    if not po.strip():
        return Refused("No file was chosen, or it is empty; choose your messages.po.")
    named = re.search(rb'^"Language: *([A-Za-z]+)', po, re.MULTILINE)
    if named and named[1].decode().lower() != re.split("[_-]", code)[0].lower():
        return Refused(
            f"The file says that it is for the language {named[1].decode()!r}, not {code!r}."
        )
    try:
        catalogue = Catalogue.read(po)
    except ValueError as error:
        return Refused(f"This is no .po file that can be read. {' '.join(str(error).split())}")
    for each in messages(flows):
        if asks_too_much(each, catalogue):
            return Refused(f"The translation of {each.context} has a value its English does not.")
    if not any(catalogue.has(each.msgid, each.context) for each in messages(flows)):
        return Refused("The file translates none of Fieldbell's texts; is it another program's?")
    return catalogue


def carried(po: bytes) -> str:
    """Pack a file so that it travels in a form."""
    return b64encode(zlib.compress(po, 9)).decode()


def unpacked(field: str) -> bytes:
    """Unpack a file that travelled in a form; empty for what is none, cut when it is too long."""
    with suppress(binascii.Error, zlib.error, ValueError):
        # Never more than is read anyway: a small field can unpack to a huge one.
        unpacker = zlib.decompressobj()
        return unpacker.decompress(b64decode(field, validate=True), MOST_PO_BYTES + 1)
    return b""


def accept(po: bytes, file: Path) -> None:
    """Write an accepted file in place of the old one, whole or not at all. Raises OSError."""
    beside = file.with_name(f".{file.name}.{token_hex(8)}")
    try:
        with beside.open("xb") as new:
            new.write(po)
            new.flush()
            os.fsync(new.fileno())
        beside.replace(file)
    except OSError:
        beside.unlink(missing_ok=True)
        raise


def read_form() -> tuple[MultiDict[str, str], MultiDict[str, FileStorage]] | Refused:
    """Read the form, its file into memory: Flask's own reader would put a large one on disk."""
    request.max_content_length = MOST_BODY_BYTES
    parser = FormDataParser(
        stream_factory=_in_memory,
        max_form_memory_size=MOST_BODY_BYTES,
        max_content_length=MOST_BODY_BYTES,
        max_form_parts=20,
    )
    try:
        _, form, files = parser.parse(
            request.stream, request.mimetype, request.content_length, request.mimetype_params
        )
    except RequestEntityTooLarge:
        return Refused("The file is over 1 MiB; a language's messages.po is far smaller.")
    return form, files


def _in_memory(
    total_content_length: int | None,  # noqa: ARG001 - the parser gives them by name
    content_type: str | None,  # noqa: ARG001
    filename: str | None,  # noqa: ARG001
    content_length: int | None = None,  # noqa: ARG001
) -> BytesIO:
    return BytesIO()


def sent_po(form: MultiDict[str, str], files: MultiDict[str, FileStorage]) -> bytes:
    """Take the file chosen in the form, or else the one that travels in it."""
    file = files.get("po")
    if file is not None:
        return file.stream.read(MOST_PO_BYTES + 1)
    return unpacked(form.get("carried", ""))
