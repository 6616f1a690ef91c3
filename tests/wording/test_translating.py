"""A translator's file keeps the work done in it, whatever changes in the texts."""

from __future__ import annotations

import gettext
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING

import pytest
from babel import Locale
from babel.messages.pofile import read_po
from hypothesis import given
from hypothesis import strategies as st

from bot.wording.catalogue import Catalogue
from bot.wording.gsm import Encoding, allowed_segments, segments
from bot.wording.plurals import plurals_agree
from bot.wording.translating import in_words, read_translations, slips, update

if TYPE_CHECKING:
    from babel.messages.catalog import Message


@dataclass(frozen=True)
class Text:
    context: str
    text: str
    note: str = "a question"
    one: str = ""
    count: str = ""


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


def test_a_text_whose_english_is_another_keeps_its_own_translation() -> None:
    """By its name: the nearest English in the file may be that of another text."""
    texts = [Text("a", "What grows on the field now?"), Text("b", "What is the field's shape?")]
    po = update(None, texts, "sw")
    po = translated(po, "What grows on the field now?", "Nini kimeota?")
    po = translated(po, "What is the field's shape?", "Umbo gani?")
    newer = update(po, [Text("a", "What is the field covered with?"), texts[1]], "sw")
    (found,) = [each for each in read_translations(newer, "sw") if each.context == "a"]
    assert (found.string, found.fuzzy) == ("Nini kimeota?", True)
    assert b'#| msgid "What grows on the field now?"' in newer


def test_a_text_taken_out_and_put_back_has_its_translation_again() -> None:
    po = translated(update(None, TEXTS, "sw"), "How big is the field?", "Lina ukubwa gani?")
    without = update(po, TEXTS[1:], "sw")
    assert not Catalogue.read(without).has("How big is the field?", "field.area")
    again = Catalogue.read(update(without, TEXTS, "sw"))
    assert again.text("How big is the field?", "field.area") == "Lina ukubwa gani?"


def test_a_file_in_another_charset_than_it_says_is_told_how_to_save_it() -> None:
    po = translated(update(None, TEXTS, "sw"), "How big is the field?", "é")
    with pytest.raises(ValueError, match="no utf-8 text; save it as UTF-8"):
        read_translations(po.decode().encode("latin-1"), "sw")


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


# Texts with a form for one and for others

DAYS = Text("a.late", "{days} days late", one="{days} day late", count="days")


def entry(po: bytes, locale: str) -> Message:
    """The one text of a file."""
    (found,) = [each for each in read_translations(po, locale) if each.id]
    return found


def filled(po: bytes, *forms: str) -> bytes:
    for place, form in enumerate(forms):
        assert f'msgstr[{place}] ""'.encode() in po
        po = po.replace(f'msgstr[{place}] ""'.encode(), f'msgstr[{place}] "{form}"'.encode())
    return po


@pytest.mark.parametrize(("locale", "forms"), [("yo", 1), ("sw", 2), ("pl", 3), ("ar", 6)])
def test_a_new_file_has_a_place_for_every_form_of_the_language(locale: str, forms: int) -> None:
    found = entry(update(None, [DAYS], locale), locale)
    assert found.id == ("{days} day late", "{days} days late")
    assert found.string == ("",) * forms
    assert "{days} decides the form" in " ".join(found.auto_comments)


def test_an_update_keeps_every_form() -> None:
    po = filled(update(None, [DAYS], "pl"), "{days} dzien", "{days} dni", "{days} dni!")
    kept = update(po, [DAYS], "pl")
    assert kept == po
    catalogue = Catalogue.read(kept)
    said = [catalogue.plural(DAYS.one, DAYS.text, n, DAYS.context) for n in (1, 2, 5)]
    assert said == ["{days} dzien", "{days} dni", "{days} dni!"]


@pytest.mark.parametrize(
    "changed",
    [
        Text("a.late", "{days} days too late", one="{days} day late", count="days"),
        Text("a.late", "{days} days late", one="{days} day too late", count="days"),
    ],
)
def test_a_form_changed_in_english_makes_the_text_fuzzy_and_keeps_its_forms(changed: Text) -> None:
    po = filled(update(None, [DAYS], "pl"), "{days} dzien", "{days} dni", "{days} dni!")
    newer = update(po, [changed], "pl")
    found = entry(newer, "pl")
    assert found.string == ("{days} dzien", "{days} dni", "{days} dni!")
    assert found.fuzzy
    assert b'#| msgid "{days} day late"\n#| msgid_plural "{days} days late"' in newer
    assert Catalogue.read(newer).plural(changed.one, changed.text, 1, "a.late") == changed.one
    assert update(newer, [changed], "pl") == newer


def test_a_text_that_gets_forms_has_its_translation_in_each_and_fuzzy() -> None:
    before = Text("a.late", "{days} days late")
    po = translated(update(None, [before], "pl"), "{days} days late", "{days} dni")
    found = entry(update(po, [DAYS], "pl"), "pl")
    assert (found.string, found.fuzzy) == (("{days} dni",) * 3, True)


def test_a_text_that_loses_its_forms_keeps_the_last_and_fuzzy() -> None:
    po = filled(update(None, [DAYS], "sw"), "siku moja", "siku {days}")
    after = Text("a.late", "late by (days): {days}")
    found = entry(update(po, [after], "sw"), "sw")
    assert (found.string, found.fuzzy) == ("siku {days}", True)


def test_a_fuzzy_text_still_shows_its_old_english_after_another_update() -> None:
    old = 'The "longest" wait is over, and what is written here takes more than a line of the file'
    po = update(None, [Text("a", old)], "sw").decode()
    start = po.index('msgctxt "a"')
    head, _, tail = po[start:].partition('msgstr ""')
    po = po[:start] + head + 'msgstr "ndefu"' + tail
    once = update(po.encode(), [Text("a", "It is over.")], "sw")
    assert update(once, [Text("a", "It is over.")], "sw") == once
    assert b"#| msgid" in once
    assert b"# |" not in once


# Comments for the translator


def test_each_text_tells_its_room_and_an_example_of_each_value() -> None:
    texts = [Text("sentences.tanks", "{tank} L: {count} of {tank}", "said by the engine")]
    po = update(None, texts, "ha", {"tank": "15", "count": "888"}, {"sentences.tanks": in_words(2)})
    (message,) = [each for each in read_po(BytesIO(po), locale="ha") if each.id]
    said = " ".join(message.auto_comments)
    assert said.startswith("said by the engine at most 2 SMS: 306 characters;")
    assert "{tank} stands for a value, for example: 15" in said
    assert "{count} stands for a value, for example: 888" in said


@pytest.mark.parametrize(
    ("budget", "characters", "ucs2"),
    [
        # 3GPP TS 23.040: 160 alone, 153 in a part; 70 and 67 in UCS-2. 160/67, 306/67, 459/67
        (1, 160, 3),
        (2, 306, 5),
        (3, 459, 7),
    ],
)
def test_room_in_words_and_segments(budget: int, characters: int, ucs2: int) -> None:
    assert allowed_segments(budget, Encoding.GSM7) == budget
    assert allowed_segments(budget, Encoding.UCS2) == ucs2
    assert segments("a" * characters) == budget
    assert segments("ɗ" * characters) <= ucs2
    assert f"{characters} characters" in in_words(budget)
    assert f"{ucs2} SMS" in in_words(budget)


# Plurals


@pytest.mark.parametrize("code", ["en", "sw", "fr", "ha", "ee", "yo", "ig", "ln", "rw", "ar", "pt"])
def test_a_new_file_has_cldr_s_plural_rule(code: str) -> None:
    """Against Babel's CLDR rules, and gettext's own compiler of the header."""
    catalogue = read_po(BytesIO(update(None, TEXTS, code)))
    form = gettext.c2py(catalogue.plural_expr)
    rule = Locale.parse(code).plural_form
    pairs = {(form(count), rule(count)) for count in range(1001)}
    assert len(pairs) == len({ours for ours, _ in pairs}) == len({theirs for _, theirs in pairs})
    assert max(ours for ours, _ in pairs) < catalogue.num_plurals
    assert plurals_agree(catalogue.plural_forms, code)


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("nplurals=2; plural=(n != 1);", "yo"),  # CLDR: Yoruba has one form for all counts
        ("nplurals=2; plural=(n != 1);", "fr"),  # CLDR: in French 0 is singular
        ("nplurals=1; plural=(n > 1);", "fr"),  # a form that is not there
        ("nplurals=2; plural=(m + );", "en"),
        ("nplurals=2; plural=n/0;", "en"),
        ("", "en"),
    ],
)
def test_another_plural_rule_is_told_apart(header: str, code: str) -> None:
    assert not plurals_agree(header, code)


# A translation beside its English


@pytest.mark.parametrize(
    ("english", "translation", "said"),
    [
        ("{day}: {act}.", "{day}.", "{act} is lost"),
        ("{day}.", "{day} {dya}.", "{dya} is not in the English"),
        ("{day}.", "{day} {day}.", "{day} stands 2 times"),
        ("{day}.", "{day}. {", "a lone {"),
        ("Send 1 yesterday.", "Aika jiya.", "the number 1 is lost"),
        ("such as 12/3", "kamar 12/4", "the number 3 is lost"),
        ("such as 12/3", "kamar 12/4", "the number 4 is not in the English"),
        ("24 hours", "awa 24, 24", "the number 24 is not in the English"),
        ("a\nb", "a b", "the English has 2 lines, the translation 1"),
        ("5 kg", "5\u00a0kg", "a no-break space (U+00A0) at character 2"),
        ("yes", "i\u200b", "zero width space (U+200B) at character 2"),
        ("yes", "\u200fi", "right-to-left mark (U+200F) at character 1"),
        ("yes", "i\u200d", "zero width joiner"),
    ],
)
def test_a_slip_is_found_and_says_what_to_do(english: str, translation: str, said: str) -> None:
    notes = list(slips("x.y", english, translation))
    assert any(note.what.startswith(said) for note in notes), notes
    assert all(note.where == "x.y" and note.remedy for note in notes)


@pytest.mark.parametrize(
    ("english", "translation"),
    [
        ("such as 0.75 m on {day}", "{day}: kamar 0,75 m"),
        ("such as 40,000 or 500", "comme 40 000 ou 500"),
        ("40000", "40.000"),
        ("3 of {count}", "٣ من {count}"),  # digits of another script
        ("yes", "نعم\u200f."),  # a direction mark where a script needs it
        ("yes", "हि\u200dं"),  # a joiner likewise
        ("{{1}}", "{{1}}"),
    ],
)
def test_what_a_language_may_do_is_no_slip(english: str, translation: str) -> None:
    assert list(slips("x.y", english, translation)) == []


def test_a_value_may_be_spared() -> None:
    assert list(slips("x.y", "{days} of {name}", "{name}", "days")) == []
    (note,) = slips("x.y", "{days} of {name}", "{days}", "days")
    assert note.what == "{name} is lost"


@given(st.text(), st.text())
def test_no_text_whatever_breaks_the_comparison(english: str, translation: str) -> None:
    for note in slips("x.y", english, translation):
        assert note.what
        assert note.remedy
