"""A few hundred strange inputs to each reader, every day; `python -m tests.fuzzing` tries more.

What such a run has found stands here by name, so that it stays mended.
"""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bot.settings import Settings
from bot.wording.catalogue import Catalogue
from tests.fuzzing.mutating import LONGEST, WORDS, mutated
from tests.fuzzing.targets import TARGETS, webhook_seeds, webhooks

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.store.growers import Store

EXAMPLES = {"words": 60, "workbooks": 60}
"""Inputs a day where one takes long; elsewhere `MANY`."""
MANY = 300


def strange(seeds: tuple[bytes, ...]) -> st.SearchStrategy[bytes]:
    """Good inputs spoilt, and bytes and words of any kind."""
    spoilt = st.integers(0, 2**32).map(lambda seed: mutated(seeds, Random(seed)))
    soup = st.lists(st.sampled_from(WORDS) | st.binary(max_size=8), max_size=30).map(b"".join)
    return spoilt | spoilt | soup


@pytest.mark.parametrize("name", TARGETS)
def test_no_input_crashes_a_reader(name: str) -> None:
    target = TARGETS[name]

    @settings(max_examples=EXAMPLES.get(name, MANY))
    @given(strange(target.seeds))
    def feed(put: bytes) -> None:
        target.run(put)

    feed()


@pytest.fixture
def post(store: Store) -> Callable[[bytes], bool]:
    return webhooks(store, Settings())


def test_no_request_crashes_the_webhooks(post: Callable[[bytes], bool]) -> None:
    @settings(max_examples=MANY, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(strange(webhook_seeds()))
    def feed(put: bytes) -> None:
        post(put)

    feed()


def test_most_inputs_to_begin_with_are_good_ones(post: Callable[[bytes], bool]) -> None:
    for name, target in TARGETS.items():
        taken = [target.run(seed) for seed in target.seeds]
        assert sum(taken) / len(taken) > 0.5, name
    assert sum(map(post, webhook_seeds())) > 30


def test_an_input_is_the_same_for_the_same_seed_and_no_longer_than_meant() -> None:
    seeds = webhook_seeds()
    made = [mutated(seeds, Random(7)) for _ in range(2)]
    assert made[0] == made[1]
    assert all(len(mutated(seeds, Random(each))) <= LONGEST for each in range(500))


# Found by such runs


@pytest.mark.parametrize("charset", ["utf-9", "", "zlib", "ascii"])
def test_a_po_whose_charset_cannot_be_used_is_refused_in_words(charset: str) -> None:
    po = f'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset={charset}\\n"\n\n'
    po += 'msgid "Stop"\nmsgstr "Arrête ŋ"\n'
    with pytest.raises(ValueError, match=r"not a readable \.po file"):
        Catalogue.read(po.encode())
