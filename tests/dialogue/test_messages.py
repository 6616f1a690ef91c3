from __future__ import annotations

import re
from collections import Counter
from io import BytesIO
from typing import TYPE_CHECKING

from babel.messages.pofile import read_po

from bot import data
from bot.dialogue.messages import messages
from bot.dialogue.texts import names
from bot.dialogue.voice import Contacts, Voice
from bot.wording.formats import placeholders

if TYPE_CHECKING:
    from bot.dialogue.loading import Flows
    from bot.wording.languages import Language


def test_every_text_has_a_name_of_its_own(flows: Flows) -> None:
    counted = Counter(each.context for each in messages(flows))
    assert [context for context, count in counted.items() if count > 1] == []


def test_every_text_of_the_flows_is_listed(flows: Flows) -> None:
    listed = {each.source for each in messages(flows)}
    for step in flows.steps():
        asked = {step.state.ask, step.state.hint, *step.state.choose.values()} - {""}
        assert asked <= listed, step.context
        assert {each.say for each in step.sayings} <= listed, step.context
        assert {step.state.assume} - {""} <= listed, step.context
    assert {text for caution in flows.cautions.values() for text in caution} <= listed
    rows = flows.operations.values()
    assert {text for row in rows for text in (row.name, row.act, row.why)} <= listed
    assert {row.remind for row in rows} - {""} <= listed
    assert set(flows.sentences.values()) <= listed


def test_every_text_is_translated(flows: Flows, languages: dict[str, Language]) -> None:
    catalogue = languages["sw"].catalogue
    assert [m.context for m in messages(flows) if not catalogue.has(m.msgid, m.context)] == []


def test_a_translation_has_the_placeholders_of_its_english(
    flows: Flows, languages: dict[str, Language]
) -> None:
    voice = Voice(languages["sw"], flows, Contacts(), {"sw": "Kiswahili"})
    differing = {
        each.context
        for each in messages(flows)
        for text, counts in voice.forms(each.source, each.context).items()
        if (names(each.source) ^ placeholders(text)) - ({each.count} if counts == [1] else set())
    }
    assert differing == set()


def test_no_translation_is_left_in_english(flows: Flows, languages: dict[str, Language]) -> None:
    voice = Voice(languages["sw"], flows, Contacts(), {"sw": "Kiswahili"})
    english = [
        re.sub(r"{\w+}|Fieldbell", "", each.text)
        for each in messages(flows)
        if {each.one, each.text} & voice.forms(each.source, each.context).keys()
    ]
    # Names of substances and symbols of units are the same in every language.
    names = ("glufosinate", "glyphosate", "paraquat", "isoxaflutole", "metolachlor", "ha", "m2")
    shared = [text for text in english if any(name in text.lower() for name in names)]
    assert [text for text in english if text not in shared and re.search(r"\w", text)] == []


def test_the_catalogue_holds_no_text_that_nothing_says(flows: Flows) -> None:
    file = data.folder("locales") / "sw" / "messages.po"
    held = {(each.context, each.id) for each in read_po(BytesIO(file.read_bytes())) if each.id}
    assert held == {
        (each.context, (each.one, each.text) if each.count else each.text)
        for each in messages(flows)
    }


def test_the_refusals_and_cautions_are_marked_as_safety_texts(flows: Flows) -> None:
    marked = {each.context for each in messages(flows) if each.safety}
    spoken = [each for each in messages(flows) if "paraquat: a mouthful" in each.text]
    assert len(spoken) == 2
    assert {each.context for each in spoken} <= marked
    assert {f"cautions.spraying.{number}" for number in (1, 2, 3)} <= marked


def test_the_protection_is_complete(flows: Flows) -> None:
    # The trade's list (common practice), each in words of its own.
    said = " ".join(flows.cautions["spraying"]).lower()
    wanted = [
        *("goggles", "nose mask", "overalls", "gloves", "closed boots", "wind", "rain"),
        *("people", "wash", "rinse", "never use them again", "poison"),
    ]
    assert [word for word in wanted if word not in said] == []
    for name in ("spray_fallow", "spray_preemergence", "spray_shielded"):
        assert "spraying" in flows.operations[name].cautions
