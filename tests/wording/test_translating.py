"""A translator's file keeps the work done in it, whatever changes in the texts."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO

import pytest
from babel.messages.pofile import read_po

from bot.wording.catalogue import Catalogue
from bot.wording.translating import update


@dataclass(frozen=True)
class Text:
    context: str
    text: str
    note: str = "a question"


TEXTS = [Text("field.area", "How big is the field?"), Text("menu.choice", "What would you like?")]


def translated(po: bytes, msgid: str, translation: str) -> bytes:
    """Do what a gettext editor does: fill in one translation."""
    start = f'msgid "{msgid}"\nmsgstr "'.encode()
    assert start in po
    return po.replace(start + b'"', start + f'{translation}"'.encode())


def test_a_new_file_has_every_text_with_its_name_and_note() -> None:
    catalogue = read_po(BytesIO(update(None, TEXTS, "sw")), locale="sw")
    found = {message.context: message for message in catalogue if message.id}
    assert {context: each.id for context, each in found.items()} == {
        each.context: each.text for each in TEXTS
    }
    assert found["field.area"].auto_comments == ["a question"]


def test_an_update_keeps_the_work_and_marks_what_changed_as_fuzzy() -> None:
    po = translated(update(None, TEXTS, "sw"), "How big is the field?", "Shamba lina ukubwa gani?")
    same = Catalogue.read(update(po, TEXTS, "sw"))
    assert same.text("How big is the field?", "field.area") == "Shamba lina ukubwa gani?"
    changed = [Text("field.area", "How big is your field?"), TEXTS[1]]
    newer = update(po, changed, "sw")
    assert b"Shamba lina ukubwa gani?" in newer
    assert not Catalogue.read(newer).has("How big is your field?", "field.area")


def test_the_same_texts_give_the_same_file_on_any_day() -> None:
    assert update(None, TEXTS, "sw") == update(None, TEXTS, "sw")
    once = update(None, TEXTS, "sw")
    assert update(once, TEXTS, "sw") == once


def test_an_unknown_locale_is_refused() -> None:
    with pytest.raises(ValueError, match="xx"):
        update(None, TEXTS, "xx")


@pytest.mark.parametrize("damaged", [b"\xff\xfe\x00", b"no catalogue at all"])
def test_what_is_no_catalogue_is_refused(damaged: bytes) -> None:
    with pytest.raises(ValueError, match="damaged"):
        update(damaged, TEXTS, "sw")


def test_a_missing_quotation_mark_is_refused_and_the_work_not_written_over() -> None:
    po = translated(update(None, TEXTS, "sw"), "How big is the field?", "Lina ukubwa gani?")
    with pytest.raises(ValueError, match="quotation mark"):
        update(
            po.replace(b'msgid "How big is the field?"', b'msgid "How big is the field?'),
            TEXTS,
            "sw",
        )
