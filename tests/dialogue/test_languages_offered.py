"""Languages that an operator offers, in their own letters or folded to GSM 7-bit."""

from __future__ import annotations

from datetime import date

import pytest

from bot import data
from bot.dialogue.messages import messages
from bot.dialogue.slips import FlowError
from bot.testing import Conversation
from bot.wording.gsm import outside_gsm

MONDAY = date(2026, 3, 2)

# The area, good soil, no fault, and grass, in the language's own words.
OWN_WORDS = {
    "fr": ("2 ha", "oui", "aucun"),
    "ha": ("2 ha", "i", "babu"),
    "sw": ("ekari 2", "ndiyo", "hakuna"),
}
NUMBERS = ("3", "40", "2", "1", "1", "10000", "0", "15000", "10000", "1", "2", "1", "1", "15")


@pytest.mark.parametrize("code", list(OWN_WORDS))
def test_a_language_leads_to_a_plan_without_english_in_it(code: str) -> None:
    phone = Conversation(MONDAY, dialogue=data.dialogue(offered=("en", code)))
    assert "2 " in phone.say("hello")
    phone.say_all("2", *OWN_WORDS[code])
    assert phone.question == "clearing.cover"
    phone.say_all(*NUMBERS)
    plan = phone.say_all("2", "1", "2/3")
    assert phone.grower.plan is not None
    words = set(plan.lower().replace(".", " ").replace(",", " ").split())
    assert not words & {"the", "and", "your", "with", "spray", "weeds"}


def test_only_the_languages_offered_are_listed_in_their_order() -> None:
    phone = Conversation(MONDAY, dialogue=data.dialogue(offered=("sw", "en", "ha")))
    assert phone.say("hello").split("\n")[-3:] == ["1 Kiswahili", "2 English", "3 Hausa"]


def test_a_name_with_an_accent_costs_the_first_question_nothing() -> None:
    # 3GPP TS 23.038: GSM 7-bit has the capital C with a cedilla and not the small one
    phone = Conversation(MONDAY, dialogue=data.dialogue(offered=("en", "fr")))
    said = phone.say("hello")
    assert said.endswith("2 Francais")
    assert not outside_gsm(said)


def test_hooked_letters_go_out_folded_where_the_operator_wants_it() -> None:
    # 3GPP TS 23.038: no hooked letter is in GSM 7-bit
    said = {}
    for folded in (frozenset[str](), frozenset({"ha"})):
        dialogue = data.dialogue(offered=("ha",), folded=folded)
        voice = dialogue.voices["ha"]
        said[folded] = [voice.text(each.source, each.context) for each in messages(dialogue.flows)]
    kept, plain = said.values()
    assert sum(any(letter in text for letter in "ɓɗƙƴ") for text in kept) > 30
    assert not any(outside_gsm(text) for text in plain)


def test_days_are_folded_too() -> None:
    # CLDR writes the French short name of August with a circumflex, which GSM 7-bit lacks
    for folded, written in ((frozenset[str](), "août"), (frozenset({"fr"}), "aout")):
        voice = data.dialogue(offered=("fr",), folded=folded).voices["fr"]
        assert written in voice.show(date(2026, 8, 3))


@pytest.mark.parametrize(
    ("offered", "folded", "cause"),
    [(("en", "swa"), "", "did you mean 'sw'?"), (("en",), "hau", "did you mean 'ha'?")],
)
def test_a_language_that_there_is_not_is_named(
    offered: tuple[str, ...], folded: str, cause: str
) -> None:
    with pytest.raises(FlowError) as refused:
        data.dialogue(offered=offered, folded=frozenset(filter(None, [folded])))
    assert cause in str(refused.value)
