"""A made-up language 40 % longer than English, with letters outside GSM 7-bit.

Real languages run longer than English; one that stretches every text shows whether the
conversation holds, screen by screen, before a translator has written a word.
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from io import BytesIO
from typing import TYPE_CHECKING

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po
from msgspec.structs import replace
from talks import ENGLISH

from bot import data
from bot.dialogue.messages import messages
from bot.dialogue.records import Grower
from bot.dialogue.turn import Dialogue
from bot.wording.catalogue import Catalogue
from bot.wording.formats import placeholders
from bot.wording.gsm import Encoding, measure
from bot.wording.languages import Language
from bot.wording.screens import fits_screen

if TYPE_CHECKING:
    from bot.dialogue.records import Channel

MONDAY = date(2026, 3, 2)
LONGER = 1.4
FILLING = {"latin": "lo mira sentu ", "hooked": "ɗa ƙira ɓetu "}


def stretched(text: str, filling: str) -> str:
    """Put a filling behind a text until it is 40 % longer; placeholders stay."""
    wanted = round(len(re.sub(r"\{\w+\}", "", text)) * (LONGER - 1))
    return text + (" " + filling * wanted)[:wanted].rstrip()


def language(filling: str) -> Language:
    catalog = Catalog(locale="en")
    for message in messages(data.flows()):
        longer = stretched(message.text, filling)
        if message.count:
            ids = (message.one, message.text)
            catalog.add(ids, (stretched(message.one, filling), longer), context=message.context)
        else:
            catalog.add(message.text, longer, context=message.context)
    file = BytesIO()
    write_po(file, catalog)
    return Language("xx", data.languages()["en"].words, Catalogue.read(file.getvalue()))


@pytest.fixture(scope="module", params=list(FILLING))
def dialogue(request: pytest.FixtureRequest) -> Dialogue:
    spoken = language(FILLING[request.param])
    return Dialogue(data.flows(), {"en": data.languages()["en"], "xx": spoken})


def test_every_text_is_stretched_and_keeps_its_placeholders(dialogue: Dialogue) -> None:
    voice = dialogue.voices["xx"]
    long = [each for each in messages(dialogue.flows) if len(each.text) > 40]
    assert len(long) > 100
    for message in long:
        said = list(voice.forms(message.source, message.context))
        english = [message.text, message.one] if message.count else [message.text]
        assert len(said) == len(english)
        for longer, short in zip(said, english, strict=True):  # the form of 0 things first
            plain = len(re.sub(r"\{\w+\}", "", short))
            assert len(longer) >= len(short) + plain * (LONGER - 1) - 3
            assert placeholders(longer) == placeholders(short)


@pytest.mark.parametrize("channel", ["sms", "ussd"])
def test_a_season_is_lived_through_in_it(dialogue: Dialogue, channel: Channel) -> None:
    grower, today, heard = Grower(language="xx"), MONDAY, []
    # The answers are English numbers and words, as the made-up language has no words of its own.
    numbers = {"broad leaves": "2"}
    for text in ("", *(numbers.get(each, each) for each in ENGLISH[2:])):
        turn = dialogue.turn(grower, text, today, channel)
        grower = turn.grower
        heard += turn.replies
        while grower.session is not None and grower.session.rest:
            turn = dialogue.turn(grower, "0", today, channel)
            grower = turn.grower
            heard += turn.replies
    assert grower.plan is not None
    for _ in range(120):
        today += timedelta(days=1)
        grower = dialogue.remind(grower, today)
        heard += [each.body for each in grower.waiting]
        if grower.waiting:
            turn = dialogue.turn(replace(grower, waiting=()), "1", today, "sms")
            grower = turn.grower
            heard += turn.replies
    assert len([each for each in grower.plan.operations if each.done]) >= 3
    # Nothing is cut off: what was said is whole texts, or whole screens.
    assert all(len(text) <= 153 * 10 for text in heard)
    if channel == "ussd":
        assert fits_screen(heard[0])


def test_hooked_letters_are_told_from_latin_ones() -> None:
    # 3GPP TS 23.038: GSM 7-bit has no hooked letters, so one makes the whole text UCS-2
    kinds = {name: measure(stretched("Send the number.", FILLING[name])) for name in FILLING}
    assert kinds["latin"].encoding is Encoding.GSM7
    assert kinds["hooked"].encoding is not Encoding.GSM7
