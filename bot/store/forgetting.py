"""Forgetting a number: nothing of it is left in any key.

The trail of what was done at the desk has numbers masked only, and the append-only file and
backups keep what they have until they are rewritten: DEVELOPERS.md says how.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bot.store.rounds import Rounds
from bot.store.uploads import Uploads

if TYPE_CHECKING:
    from bot.store.growers import Store


def forget(store: Store, number: str) -> None:
    """Delete everything kept of a number (E.164), wherever it is kept.

    Raises StoreUnavailable. Should the record be gone then, all is, but perhaps not on enough
    replicas: `Store.confirm` tells.
    """
    # Before the record, as whoever tries again must find the grower; and after it once more, as a
    # round or a file may come to the number for as long as there is a record.
    _forget_at_desk(store, number)
    store.forget(number)
    _forget_at_desk(store, number)
    store.confirm(number, desk=True)


def _forget_at_desk(store: Store, number: str) -> None:
    Rounds(store.redis).forget(number)
    Uploads(store.redis).drop_all()
