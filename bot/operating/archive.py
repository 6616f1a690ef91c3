"""A backup's file: entries one after the other, gzipped, and encrypted to age's own format.

Inside is a run of frames, each its length in four bytes (big-endian) and then msgpack: first a
`Header`, then entries, last a `Footer` with the digest of all before it. `age --decrypt` and
`gunzip` take the two layers off without Fieldbell. (C2SP, "The age file encryption format"; RFC
1952.)

age's encryption is read and written in pieces, each sealed with its place and the last as the last:
a file that was cut short, mended or stitched together is found out. A backup that was left
unencrypted is guarded by the digest alone, against accidents, not against people.
"""

from __future__ import annotations

import os
import zlib
from contextlib import contextmanager, suppress
from hashlib import sha256
from secrets import token_hex
from typing import TYPE_CHECKING, Any, BinaryIO

import msgspec
import pyrage
from msgspec import Struct

from bot.store.dumping import Entry
from bot.store.keys import SHARDS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

FORMAT = 1
"""Raise it when a frame changes other than by a field with a default at the end."""

MAGIC = "fieldbell backup"

PIECE = 64 * 1024
"""Bytes handed on at once."""

GZIP = 31
"""zlib's window of 2^15 with a gzip wrapper (zlib's manual, deflateInit2)."""

AGE = b"age-encryption.org/"
"""How a file of age's begins."""


class ArchiveError(ValueError):
    """A backup that cannot be read or written; the message says why and what to do."""


class Header(Struct, array_like=True, frozen=True):
    """What a backup is: its format, when it was begun (RFC 3339, UTC), and how growers lie."""

    magic: str
    format: int
    taken: str
    shards: int = SHARDS


class Footer(Struct, array_like=True, frozen=True):
    """The end of a backup: how many entries there are, and the SHA-256 of all frames before."""

    end: str
    count: int
    digest: bytes


# Writing


def write(path: Path, taken: str, read: Iterable[Entry], recipients: Sequence[str]) -> int:
    """Write a backup for age recipients ("age1..."), in the clear if none; return how many entries.

    The file is there only once it is whole, and only its owner may read it. Raises ArchiveError
    where it cannot be written, or is there already; and what reading the entries raises.
    """
    keys = [recipient_of(each) for each in recipients]
    packed = _Packed(Header(MAGIC, FORMAT, taken), read)
    with _made(path) as file:
        try:
            if keys:
                pyrage.encrypt_io(packed, file, keys)
            else:
                while piece := packed.read(PIECE):
                    file.write(piece)
        except pyrage.EncryptError:
            # It comes in place of whatever went wrong while the entries were read.
            raise packed.failed or ArchiveError(f"{path}: encrypting it failed") from None
    return packed.count


class _Packed:
    """Entries as a gzipped file to be read from."""

    def __init__(self, header: Header, read: Iterable[Entry]) -> None:
        self.count = 0
        self.failed: Exception | None = None
        self._pieces = self._packed(header, read)
        self._left = b""

    def read(self, size: int) -> bytes:
        """Return up to so many bytes; none at the end."""
        try:
            while not self._left and (piece := next(self._pieces, None)) is not None:
                self._left = piece
        except Exception as error:
            self.failed = error
            raise
        piece, self._left = self._left[:size], self._left[size:]
        return piece

    def _packed(self, header: Header, read: Iterable[Entry]) -> Iterator[bytes]:
        packer, digest, ready = zlib.compressobj(6, zlib.DEFLATED, GZIP), sha256(), bytearray()
        for frame in self._frames(header, read):
            digest.update(frame)
            ready += packer.compress(frame)
            if len(ready) >= PIECE:
                yield bytes(ready)
                ready.clear()
        ready += packer.compress(_frame(Footer("end", self.count, digest.digest())))
        yield bytes(ready) + packer.flush()

    def _frames(self, header: Header, read: Iterable[Entry]) -> Iterator[bytes]:
        yield _frame(header)
        for entry in read:
            self.count += 1
            yield _frame(entry)


def _frame(each: Struct) -> bytes:
    encoded = msgspec.msgpack.encode(each)
    return len(encoded).to_bytes(4, "big") + encoded


@contextmanager
def _made(path: Path) -> Iterator[BinaryIO]:
    """Make a file that is at its place only once all of it is on the disk."""
    part = path.with_name(f".{path.name}.{token_hex(4)}.part")
    try:
        if path.exists():
            raise ArchiveError(f"{path} is there already; name another file, or take it away")
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(descriptor, "wb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            part.rename(path)
        finally:
            with suppress(FileNotFoundError):
                part.unlink()
    except OSError as error:
        raise ArchiveError(f"{path} cannot be written: {error.strerror or error}") from error


def recipient_of(written: str) -> pyrage.x25519.Recipient:
    """Read an age recipient ("age1..."). Raises ArchiveError for what is none."""
    try:
        return pyrage.x25519.Recipient.from_str(written)
    except pyrage.RecipientError as error:
        raise ArchiveError(
            f"{written!r} is no age recipient ({error}); it begins with age1, and "
            "`fieldbell backup-key FILE` makes one"
        ) from error


# Reading


def read(path: Path, identities: Sequence[str], take: Callable[[Entry], None]) -> tuple[str, int]:
    """Hand on each entry; return when the backup was taken, and how many entries there are.

    Raises ArchiveError for a file that is damaged, cut short, or not to be opened with these age
    identities ("AGE-SECRET-KEY-1..."); by then entries may have been handed on.
    """
    unpacked = _Unpacked(take)
    try:
        with path.open("rb") as file:
            encrypted = file.read(len(AGE)) == AGE
            file.seek(0)
            if encrypted:
                pyrage.decrypt_io(file, unpacked, _identities(path, identities))
            else:
                while piece := file.read(PIECE):
                    unpacked.write(piece)
        return unpacked.finished()
    except pyrage.DecryptError as error:
        raise ArchiveError(f"{path} cannot be opened with this key: {error}") from error
    except _Damaged as error:
        raise ArchiveError(f"{path} is damaged: {error}; take another backup") from error
    except OSError as error:
        # age tells of a piece that does not fit by an error without a number.
        what = error.strerror or f"it is damaged or cut short ({error}); take another backup"
        raise ArchiveError(f"{path} cannot be read: {what}") from error


class _Damaged(ValueError):  # noqa: N818 - says what the file is
    """What was read is not what was written."""


class _Unpacked:
    """A gzipped file to be written to, whose entries are handed on as they come."""

    def __init__(self, take: Callable[[Entry], None]) -> None:
        self._take = take
        self._unpacker = zlib.decompressobj(GZIP)
        self._left = bytearray()
        self._digest = sha256()
        self._header: Header | None = None
        self._footer: Footer | None = None
        self._count = 0

    def write(self, packed: bytes) -> int:
        """Take some bytes of the file."""
        try:
            self._left += self._unpacker.decompress(packed)
        except zlib.error as error:
            raise _Damaged("it cannot be unpacked") from error
        if self._unpacker.unused_data:
            raise _Damaged("something follows its end")
        at = 0
        while len(self._left) - at >= 4:  # noqa: PLR2004 - the bytes of a length
            end = at + 4 + int.from_bytes(self._left[at : at + 4], "big")
            if len(self._left) < end:
                break
            self._frame(bytes(self._left[at:end]))
            at = end
        del self._left[:at]
        return len(packed)

    def flush(self) -> None:
        """Nothing waits here that could be handed on."""

    def finished(self) -> tuple[str, int]:
        """Return when the backup was taken, and its count, once all of it has come."""
        if not self._unpacker.eof or self._header is None or self._footer is None:
            raise _Damaged("its end is missing")
        return self._header.taken, self._count

    def _frame(self, frame: bytes) -> None:
        if self._footer is not None:
            raise _Damaged("something follows its end")
        try:
            if self._header is None:
                self._header = _checked(_header.decode(frame[4:]))
            elif frame[4:].startswith(_FOOTER):
                self._footer = _footer.decode(frame[4:])
                if (self._footer.count, self._footer.digest) != (
                    self._count,
                    self._digest.digest(),
                ):
                    raise _Damaged("its digest is another")
            else:
                entry = _entry.decode(frame[4:])
                self._count += 1
                self._take(entry)
        except msgspec.MsgspecError as error:
            raise _Damaged(str(error)) from error
        self._digest.update(frame)


_header = msgspec.msgpack.Decoder(Header)
_entry = msgspec.msgpack.Decoder(Entry)
_footer = msgspec.msgpack.Decoder(Footer)
_FOOTER = msgspec.msgpack.encode(Footer("end", 0, b""))[:5]
"""How a footer begins: an array of three whose first is "end". An entry is an array of four."""


def _checked(header: Header) -> Header:
    if header.magic != MAGIC:
        raise _Damaged("it is no backup of Fieldbell's")
    if header.format > FORMAT:
        raise ArchiveError(
            f"the backup is of format {header.format}, and this Fieldbell reads up to {FORMAT}; "
            "install the version that wrote it, or a newer one"
        )
    if header.shards != SHARDS:
        raise ArchiveError(f"the backup has {header.shards} shards; this Fieldbell has {SHARDS}")
    return header


def _identities(path: Path, written: Sequence[str]) -> list[Any]:
    if not written:
        raise ArchiveError(f"{path} is encrypted; name the file of its key with --key")
    try:
        return [pyrage.x25519.Identity.from_str(each) for each in written]
    except pyrage.IdentityError as error:
        raise ArchiveError(
            f"the key is none of age's ({error}); it begins with AGE-SECRET-KEY-1"
        ) from error


# Keys


def make_key(path: Path) -> str:
    """Make an identity of age's in a file that only its owner may read; return its recipient.

    Raises ArchiveError where there is such a file already.
    """
    identity = pyrage.x25519.Identity.generate()
    recipient = str(identity.to_public())
    with _made(path) as file:
        file.write(f"# public key: {recipient}\n{identity}\n".encode())
    return recipient


def read_key(path: Path) -> list[str]:
    """Return the identities in a file of age's. Raises ArchiveError where it cannot be read."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ArchiveError(f"the key {path} cannot be read: {error}") from error
    if found := [line.strip() for line in lines if line.strip() and not line.startswith("#")]:
        return found
    raise ArchiveError(f"there is no key in {path}")
