from __future__ import annotations

import dataclasses
from io import BytesIO
from typing import TYPE_CHECKING

import pytest
from babel.messages.pofile import read_po, write_po

from bot import data
from bot.dialogue.fitting import fit
from bot.dialogue.messages import messages
from bot.dialogue.voice import Contacts, Voice
from bot.wording.catalogue import Catalogue

if TYPE_CHECKING:
    from bot.dialogue.loading import Flows
    from bot.wording.languages import Language

OFFERED = {"en": "English", "sw": "Kiswahili"}


@pytest.mark.parametrize("code", ["en", "sw"])
def test_the_shipped_languages_fit(flows: Flows, languages: dict[str, Language], code: str) -> None:
    language = languages[code]
    voice = Voice(language, flows, Contacts(), OFFERED)
    assert [str(each) for each in fit(flows, language, voice)] == []


@pytest.mark.parametrize("code", ["en", "sw"])
def test_they_fit_with_the_longest_numbers_to_call(
    flows: Flows, languages: dict[str, Language], code: str
) -> None:
    # ITU-T E.164: at most 15 digits (from memory).
    longest = Contacts(person="+255 000 000 000 000", poison="+255 000 000 000 000")
    voice = Voice(languages[code], flows, longest, OFFERED)
    assert [str(each) for each in fit(flows, languages[code], voice)] == []


def kiswahili_with(flows: Flows, language: Language, context: str, text: str) -> list[str]:
    """The faults of a Kiswahili whose translation of one text is this."""
    file = data.folder("locales") / "sw" / "messages.po"
    catalogue = read_po(BytesIO(file.read_bytes()))
    english = next(each.text for each in messages(flows) if each.context == context)
    message = catalogue.get(english, context)
    assert message is not None
    message.string = text
    written = BytesIO()
    write_po(written, catalogue)
    spoilt = dataclasses.replace(language, catalogue=Catalogue.read(written.getvalue()))
    return [str(each) for each in fit(flows, spoilt, Voice(spoilt, flows, Contacts(), OFFERED))]


def sole(faults: list[str], *parts: str) -> None:
    assert len(faults) == 1, faults
    assert [part for part in parts if part not in faults[0]] == [], faults[0]


@pytest.mark.parametrize(
    "context",
    ["field.good.1", "cautions.spraying.1", "sentences.help_text", "clearing.green"],
)
def test_a_text_too_long_is_found(
    flows: Flows, languages: dict[str, Language], context: str
) -> None:
    faults = kiswahili_with(flows, languages["sw"], context, "maneno mengi mno " * 20)
    assert faults
    assert all("segments" in each or "screens" in each for each in faults)
    assert any(f"sw, {context}" in each for each in faults)


def test_a_caution_too_long_is_found_in_its_reminders_too(
    flows: Flows, languages: dict[str, Language]
) -> None:
    faults = kiswahili_with(flows, languages["sw"], "cautions.spraying.1", "hatari sana " * 30)
    assert any("operations.spray_fallow" in each for each in faults)


def test_a_text_that_fits_only_with_short_values_is_found(
    flows: Flows, languages: dict[str, Language]
) -> None:
    # Empty, the sentence takes two segments of 153 (3GPP TS 23.040); the longest money and price,
    # nine digits and their commas each, make it three.
    text = "x" * 290 + " {net} {price}"
    assert len(text.format(net="", price="")) <= 2 * 153 < 290 + 2 * len(" 200,000,000")
    faults = kiswahili_with(flows, languages["sw"], "sentences.money_plough_pays", text)
    sole(faults, "sw, sentences.money_plough_pays", "3 segments")


def test_a_missing_translation_is_found(flows: Flows, languages: dict[str, Language]) -> None:
    faults = kiswahili_with(flows, languages["sw"], "field.good.1", "")
    sole(faults, "sw, field.good.1", "not translated", "Your soil is good for cassava.")


def test_a_missing_safety_text_is_called_one(flows: Flows, languages: dict[str, Language]) -> None:
    sole(kiswahili_with(flows, languages["sw"], "cautions.tools.1", ""), "safety text")


def test_a_missing_placeholder_is_found(flows: Flows, languages: dict[str, Language]) -> None:
    faults = kiswahili_with(flows, languages["sw"], "sentences.noted_done", "Imepokelewa.")
    sole(faults, "sw, sentences.noted_done", "lacks {day}")


def test_letters_outside_gsm_get_the_room_of_as_many_characters(
    flows: Flows, languages: dict[str, Language]
) -> None:
    # 3GPP TS 23.040: two parts of GSM 7-bit hold 306 characters, and so many take five of UCS-2
    # with 67 each, 335.
    hooked = "\N{LATIN SMALL LETTER W WITH CIRCUMFLEX}"
    for length, faulty in ((306, False), (335, False), (336, True)):
        faults = kiswahili_with(flows, languages["sw"], "field.good.1", "a" * (length - 1) + hooked)
        if faulty:
            sole(faults, "sw, field.good.1", f"6 segments (UCS2, {length} characters)", "budget is")
        else:
            assert faults == []
    sole(
        kiswahili_with(flows, languages["sw"], "field.good.1", "a" * 307),
        *("sw, field.good.1", "3 segments (GSM7, 307 characters)", "its budget is 2"),
    )
