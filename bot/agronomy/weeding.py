"""Modes of action of the herbicides the advice may name.

Groups are the numbers of the HRAC Global Classification of 2020 (from memory; 1, 9, 10 and 22
also in CropLife Australia, "Specific guidelines" for herbicides of groups 1, 9 and 10).
"""

from __future__ import annotations

HRAC_GROUPS = {
    "fluazifop": 1,
    "haloxyfop": 1,
    "quizalofop": 1,
    "clethodim": 1,
    "atrazine": 5,
    "diuron": 5,
    "glyphosate": 9,
    "glufosinate": 10,
    "s_metolachlor": 15,
    "paraquat": 22,
    "isoxaflutole": 27,
    "indaziflam": 29,
    "aclonifen": 32,
}
"""HRAC group by active ingredient."""

GRAMINICIDE = HRAC_GROUPS["fluazifop"]
"""Group of the grass herbicides made for broad-leaved crops."""

REFUSED = frozenset({HRAC_GROUPS["paraquat"]})
"""Groups the advice never names as a choice: paraquat kills by a mouthful, without antidote."""


def may_follow(group: int, last_group: int | None) -> bool:
    """Whether a spray of this group may follow the last one: never the same twice running."""
    return group not in REFUSED and group != last_group


_NAMED = {
    "graminicide": GRAMINICIDE,
    "glufosinate": HRAC_GROUPS["glufosinate"],
    "glyphosate": HRAC_GROUPS["glyphosate"],
    "paraquat": HRAC_GROUPS["paraquat"],
}


def spray_group(product: str) -> int | None:
    """HRAC group of a product a grower can name at a weed check; None for any other answer."""
    return _NAMED.get(product)
