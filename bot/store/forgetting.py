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
    Uploads(store.redis).drop_all()
    # The record goes late, as whoever tries again must find the grower; but a round may come to
    # them until then, so the rounds are gone through once more.
    Rounds(store.redis).forget(number)
    store.forget(number)
    Rounds(store.redis).forget(number)
    store.confirm(number)
