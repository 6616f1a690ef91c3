"""A few hundred strange inputs to each reader, every day; `python -m tests.fuzzing` tries more.

What such a run has found stands here by name, so that it stays mended.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bot import data
from bot.dialogue.slips import FlowError
from bot.settings import Settings
from bot.web.uploads import Refused, read_upload
from bot.wording.catalogue import Catalogue
from bot.wording.plurals import plural_forms
from bot.wording.translating import read_translations
from tests.fuzzing.mutating import LONGEST, WORDS, mutated
from tests.fuzzing.targets import TARGETS, webhook_seeds, webhooks

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.store.growers import Store

EXAMPLES = {"words": 60, "workbooks": 60}
"""Inputs a day where one takes long; elsewhere `MANY`."""
MANY = 300


def seeded(seed: int) -> Random:
    return Random(seed)  # noqa: S311 - the same for the same seed, and no secret


def strange(seeds: tuple[bytes, ...]) -> st.SearchStrategy[bytes]:
    """Good inputs spoilt, and bytes and words of any kind."""
    spoilt = st.integers(0, 2**32).map(lambda seed: mutated(seeds, seeded(seed)))
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
    made = [mutated(seeds, seeded(7)) for _ in range(2)]
    assert made[0] == made[1]
    assert all(len(mutated(seeds, seeded(each))) <= LONGEST for each in range(500))


# Found by such runs


@pytest.mark.parametrize("charset", ["utf-9", "", "zlib", "ascii"])
def test_a_po_whose_charset_cannot_be_used_is_refused_in_words(charset: str) -> None:
    po = f'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset={charset}\\n"\n\n'
    po += 'msgid "Stop"\nmsgstr "Arrête ŋ"\n'
    with pytest.raises(ValueError, match=r"not a readable \.po file"):
        Catalogue.read(po.encode())


HEADER = (
    'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n"Plural-Forms: {}\\n"\n\n'
)
COUNTED = 'msgid "{days} day"\nmsgid_plural "{days} days"\nmsgstr[0] "siku"\nmsgstr[1] "siku"\n'


@pytest.mark.parametrize("many", ["7", "99999999999", "9" * 40, "9" * 5000])
def test_a_po_with_more_plural_forms_than_any_language_has_is_refused(many: str) -> None:
    po = HEADER.format(f"nplurals={many}; plural=0;") + COUNTED
    for read in (Catalogue.read, lambda given: read_translations(given, "sw")):
        with pytest.raises(ValueError, match=r"\.po"):
            read(po.encode())


@pytest.mark.parametrize("rule", ["n/0", "n%0", "1/(n-7)", "10%n", "n%(n-3)", "n % (0)"])
def test_a_po_whose_plural_rule_may_divide_by_nought_is_refused(rule: str) -> None:
    po = HEADER.format(f"nplurals=2; plural={rule};") + COUNTED
    with pytest.raises(ValueError, match="may be nought"):
        Catalogue.read(po.encode())


@pytest.mark.parametrize("locale", ["en", "fr", "sw", "ha", "ar", "pl", "ru", "cy", "ga"])
def test_no_languages_own_plural_rule_is_refused(locale: str) -> None:
    catalogue = Catalogue.read((HEADER.format(plural_forms(locale)) + COUNTED).encode())
    assert catalogue.plural("{days} day", "{days} days", 1) == "siku"


def slipped(tmp_path: Path) -> Path:
    """Our languages, where the Kiswahili of a text without a plural has one, and a value in it."""
    locales = tmp_path / "locales"
    shutil.copytree(Path(str(data.folder("locales"))), locales)
    file = locales / "sw" / "messages.po"
    plain = 'msgid "Welcome back."\nmsgstr "'
    text = file.read_text(encoding="utf-8")
    assert plain in text
    found = re.sub(
        re.escape(plain) + '[^"]*"\n',
        'msgid "Welcome back."\nmsgid_plural "{days} days"\nmsgstr[0] "{days}"\nmsgstr[1] "{days}"\n',
        text,
    )
    file.write_text(found, encoding="utf-8")
    return locales


def test_a_translation_that_asks_for_a_value_its_text_never_gets_is_found_at_the_start(
    tmp_path: Path,
) -> None:
    with pytest.raises(FlowError, match=r"sw/messages\.po.*sentences\.welcome_back.*'days'"):
        data.dialogue(locales=slipped(tmp_path))


def test_an_upload_of_such_a_translation_is_refused_in_words(tmp_path: Path) -> None:
    po = (slipped(tmp_path) / "sw" / "messages.po").read_bytes()
    refused = read_upload(po, "sw", data.flows())
    assert isinstance(refused, Refused)
    assert "sentences.welcome_back" in refused.reason
