"""A backup of everything kept, and putting it back.

What is put back is of a moment gone by, and the world has moved on: texts have left since that the
store will not know of. So, unless it is to be just as it was, every grower's next text gets a
number far above the last, or a gateway that drops repeated ids would drop new texts for old ones;
rounds under way are paused, for a person to say which go on; and everybody is signed out of the
desk, or a session that was ended since would be good again.
"""

from __future__ import annotations

import secrets
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, cast

from msgspec.structs import replace

from bot.operating import archive
from bot.operating.archive import ArchiveError
from bot.store import codec, keys
from bot.store.beats import Beats
from bot.store.dumping import MOST_PIPED, Entry, entries, is_empty, put
from bot.store.errors import reaching_redis
from bot.store.people import User
from bot.store.rounds import Rounds
from bot.store.shelf import decoded, encoded

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import redis

SERIALS_ON = 1000
"""How far the numbers of texts are moved on: more than a grower is sent between two backups."""


def backup(
    client: redis.Redis,
    path: Path,
    recipients: Sequence[str],
    clock: Callable[[], float] = time.time,
) -> int:
    """Write everything kept to a file; return how many keys. Growers may text meanwhile.

    Raises ArchiveError or StoreUnavailable; then there is no file.
    """
    if being_restored(client):
        raise ArchiveError("a backup is being put back, or was in part; see that through first")
    began = clock()
    taken = datetime.fromtimestamp(began, UTC).isoformat(timespec="seconds")
    count = archive.write(path, taken, entries(client), recipients)
    with reaching_redis():
        client.set(keys.backed_up_key(), f"{began:.0f}")
    return count


def last_backup(client: redis.Redis) -> float | None:
    """Return when the last backup of this store was taken; None if none was. UTC epoch seconds."""
    with reaching_redis():
        found = cast("bytes | None", client.get(keys.backed_up_key()))
    return None if found is None else float(found)


def restore(
    client: redis.Redis,
    path: Path,
    identities: Sequence[str],
    *,
    as_it_was: bool = False,
    clock: Callable[[], float] = time.time,
) -> tuple[str, int]:
    """Put a backup back into an empty store; return when it was taken, and how many keys it has.

    The file is read to its end before anything is written. Cut off while it writes, it can be done
    again. Raises ArchiveError where the file or the store will not do, else StoreUnavailable.
    """
    again = being_restored(client)
    if alive := Beats(client, clock).alive():
        raise ArchiveError(f"a sender is at work ({', '.join(sorted(alive))}); stop it first")
    if not again and not is_empty(client):
        raise ArchiveError(
            "there are growers or a desk in this Redis already, and nothing is put over them; "
            "point REDIS_URL (or FIELDBELL_DATA) at an empty one"
        )
    archive.read(path, identities, lambda _: None)
    with reaching_redis():
        client.set(keys.restoring_key(), "1")
    putting = _Putting(client, (lambda entry: entry) if as_it_was else _moved_on)
    found = archive.read(path, identities, putting.take)
    putting.flush()
    if not as_it_was:
        _pause_rounds(client)
    with reaching_redis():
        client.delete(keys.restoring_key())
    return found


def being_restored(client: redis.Redis) -> bool:
    """Tell whether a backup is being put back, or was in part. Raises StoreUnavailable."""
    with reaching_redis():
        return bool(client.exists(keys.restoring_key()))


class _Putting:
    """Entries gathered, and written many at a time."""

    def __init__(self, client: redis.Redis, change: Callable[[Entry], Entry]) -> None:
        self._client = client
        self._change = change
        self._entries: list[Entry] = []
        self._size = 0

    def take(self, entry: Entry) -> None:
        """Write an entry, now or a little later."""
        self._entries.append(self._change(entry))
        self._size += len(entry.value) + len(entry.key)
        if len(self._entries) >= _GATHERED or self._size > MOST_PIPED:
            self.flush()

    def flush(self) -> None:
        """Write what has been gathered."""
        put(self._client, self._entries)
        self._entries, self._size = [], 0


_GATHERED = 2000


def _moved_on(entry: Entry) -> Entry:
    """Return an entry as it is to be in a world that has moved on since."""
    if keys.is_growers(entry.key) and entry.kind == "string":
        try:
            version, grower = codec.decode(entry.value)
        except codec.RecordError:
            return entry  # it is put back as it lay, for a version that can read it
        grower = replace(grower, serial=grower.serial + SERIALS_ON)
        return replace(entry, value=codec.encode(version, grower))
    if entry.key == keys.users_key().encode():
        signed_out = map(_signed_out, entry.value[1::2])
        pairs = zip(entry.value[::2], signed_out, strict=True)
        return replace(entry, value=[each for pair in pairs for each in pair])
    return entry


def _signed_out(stored: bytes) -> bytes:
    """Return a user's record with whom no session goes; one that is damaged stays as it lay."""
    try:
        user = decoded(stored, User)
    except codec.RecordError:
        return stored
    return encoded(replace(user, generation=secrets.randbits(31)))


def _pause_rounds(client: redis.Redis) -> None:
    """Hold every round that has texts to go: which have gone since then is not known."""
    rounds = Rounds(client)
    for one in rounds.shelf.all().values():
        if one.state == "running" or (one.state == "finished" and rounds.left(one)):
            rounds.change_state(one.id, ("running", "finished"), "paused")
