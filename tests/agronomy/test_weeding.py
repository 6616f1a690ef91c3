"""Modes of action and their alternation."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.agronomy.weeding import (
    GRAMINICIDE,
    HRAC_GROUPS,
    REFUSED,
    may_follow,
    spray_group,
)

PARAQUAT = 22

groups = st.sampled_from(sorted(set(HRAC_GROUPS.values())))


@pytest.mark.parametrize(
    ("ingredient", "group"),
    [
        # HRAC Global Classification, 2020 numbers (from memory)
        ("fluazifop", 1),
        ("haloxyfop", 1),
        ("quizalofop", 1),
        ("clethodim", 1),
        ("atrazine", 5),
        ("diuron", 5),
        ("glyphosate", 9),
        ("glufosinate", 10),
        # and Jhala and others, Weed Technology 2023, 10.1017/wet.2023.90 (abstract)
        ("s_metolachlor", 15),
        ("paraquat", 22),
        ("isoxaflutole", 27),
        ("indaziflam", 29),
        ("aclonifen", 32),
    ],
)
def test_hrac_numbers(ingredient: str, group: int) -> None:
    assert HRAC_GROUPS[ingredient] == group


def test_grass_herbicides_for_broad_leaved_crops_are_group_1() -> None:
    # HRAC (from memory): "fops" and "dims" inhibit acetyl-CoA carboxylase, group 1
    assert GRAMINICIDE == 1


def test_paraquat_is_refused_whatever_came_before() -> None:
    # common practice; WHO hazard class II, but without an antidote (from memory)
    assert {PARAQUAT} == REFUSED
    assert not any(may_follow(PARAQUAT, last) for last in (None, *HRAC_GROUPS.values()))


@pytest.mark.parametrize(
    ("group", "last_group", "allowed"),
    [
        # common practice: change the mode of action from one spray to the next
        (9, None, True),  # nothing sprayed yet
        (9, 9, False),  # glyphosate after glyphosate
        (10, 9, True),  # glufosinate after glyphosate
        (9, 10, True),  # and back
        (1, 9, True),  # a grass herbicide after glyphosate
        (1, 1, False),  # fluazifop after clethodim
        (9, 27, True),  # glyphosate after a pre-emergence spray of isoxaflutole
    ],
)
def test_sprays_alternate(group: int, last_group: int | None, *, allowed: bool) -> None:
    assert may_follow(group, last_group) is allowed


@given(groups)
def test_there_is_always_another_spray_to_choose(last: int) -> None:
    # grasses: group 1; other weeds: groups 9 and 10 (common practice)
    assert may_follow(9, last) or may_follow(10, last)
    assert not may_follow(last, last)


@pytest.mark.parametrize(
    ("product", "group"),
    [
        # CropLife Australia, "Specific guidelines for Group 01 herbicides": "FOPs, DIMs and DENs
        # are Group 1 herbicides"
        ("graminicide", 1),
        # "Specific guidelines for Group 09 herbicides": alternate with "Group 22 (e.g. paraquat),
        # Group 10 (e.g. glufosinate)"; for Group 10: with "Group 9 (e.g. glyphosate)"
        ("glyphosate", 9),
        ("glufosinate", 10),
        ("paraquat", 22),
        # nothing sprayed, not known, and products no grower is asked about at a weed check
        ("none", None),
        ("", None),
        ("Glyphosate", None),
        ("atrazine", None),
    ],
)
def test_the_group_of_a_product_named(product: str, group: int | None) -> None:
    assert spray_group(product) == group


@pytest.mark.parametrize("ingredient", ["fluazifop", "haloxyfop", "quizalofop", "clethodim"])
def test_grass_herbicides_share_a_group(ingredient: str) -> None:
    # all four under acetyl-CoA carboxylase inhibitors in CropLife Australia, "2017 specific
    # guidelines for Group A herbicides", now Group 1
    assert HRAC_GROUPS[ingredient] == spray_group("graminicide")


@pytest.mark.parametrize(
    ("product", "may_be_next"),
    [
        # by the same guidelines glyphosate and glufosinate change over; paraquat is never advised
        ("none", {"graminicide", "glyphosate", "glufosinate"}),
        ("glyphosate", {"graminicide", "glufosinate"}),
        ("glufosinate", {"graminicide", "glyphosate"}),
        ("graminicide", {"glyphosate", "glufosinate"}),
        ("paraquat", {"graminicide", "glyphosate", "glufosinate"}),
    ],
)
def test_what_may_follow_a_product_named(product: str, may_be_next: set[str]) -> None:
    named = {"graminicide": 1, "glyphosate": 9, "glufosinate": 10, "paraquat": 22}
    last = spray_group(product)
    assert {name for name, group in named.items() if may_follow(group, last)} == may_be_next
