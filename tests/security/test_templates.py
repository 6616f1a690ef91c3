"""What a stranger writes into a text stays text: in a translation, a district's wording, a name."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest
import yaml

from bot import data
from bot.dialogue.records import Grower
from bot.dialogue.slips import FlowError
from bot.wording.catalogue import Catalogue
from bot.wording.formats import fill, placeholders

if TYPE_CHECKING:
    from pathlib import Path

# What the format strings of Python, Jinja and others would do with a text (common knowledge).
ATTACKS = [
    "{0.__class__}",
    "{name.__class__.__mro__}",
    "{name[0]}",
    "{name!r}",
    "{name:>999999999}",
    "{0}",
    "{}",
    "${7*7}",
    "#{7*7}",
    "{name.__init__.__globals__[secret]}",
]
HARMLESS = ["%(name)s", "%s", "$name", "{{7*7}}", "<%= 7*7 %>"]


class Value:
    secret = "the secret"  # noqa: S105

    def __str__(self) -> str:
        return "value"


@pytest.mark.parametrize("attack", ATTACKS)
def test_a_placeholder_is_a_name_and_nothing_else(attack: str) -> None:
    for read in (placeholders, lambda text: fill(text, {"name": Value(), "0": Value()})):
        with pytest.raises(ValueError, match="lone"):
            read(attack)


@pytest.mark.parametrize("text", HARMLESS)
def test_other_languages_of_templates_are_plain_text(text: str) -> None:
    assert fill(text, {"name": Value()}) == text.replace("{{", "{").replace("}}", "}")


def test_a_value_is_never_read_as_a_template_itself() -> None:
    assert fill("Hello {name}", {"name": "{secret}{0.__class__}"}) == (
        "Hello {secret}{0.__class__}"
    )


@pytest.mark.parametrize("attack", [*ATTACKS, "{secret}"])
def test_a_translation_with_such_a_placeholder_is_refused(attack: str) -> None:
    po = f'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n\nmsgid "Hi {{name}}"\nmsgstr "Hi {attack}"\n'
    with pytest.raises(ValueError, match=r"translation of|lone"):
        Catalogue.read(po.encode())


@pytest.mark.parametrize("attack", ATTACKS)
def test_a_districts_wording_with_such_a_placeholder_is_refused(
    tmp_path: Path, attack: str
) -> None:
    file = tmp_path / "district.yaml"
    file.write_text(yaml.safe_dump({"texts": {"en": {"sentences.call_person": attack}}}))
    with pytest.raises(FlowError, match="the district's file: sentences"):
        data.dialogue(district=file)


@pytest.mark.parametrize("text", [*ATTACKS, *HARMLESS, "{number}", "{% raw %}"])
def test_what_a_grower_writes_or_is_called_is_never_a_template(text: str) -> None:
    dialogue = data.dialogue()
    grower = Grower(language="en", name=text)
    for _ in range(4):
        turn = dialogue.turn(grower, text, date(2026, 3, 2))
        grower = turn.grower
        assert turn.replies
        assert not [reply for reply in turn.replies if "49" in reply or "class" in reply]
