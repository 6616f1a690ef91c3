"""Looking a language over: each slip a translator can make is found and says what to do."""

from __future__ import annotations

import re
from decimal import Decimal
from io import BytesIO
from typing import TYPE_CHECKING

import pytest
import yaml
from babel.messages.pofile import read_po, write_po

from bot import data
from bot.dialogue.auditing import Note, audit, lacking, season_cost, status
from bot.dialogue.costing import season_texts
from bot.dialogue.fitting import fit
from bot.dialogue.messages import messages
from bot.dialogue.showing import examples, remarks, shown
from bot.dialogue.voice import Contacts, Voice
from bot.wording.catalogue import Catalogue
from bot.wording.formats import placeholders
from bot.wording.languages import Language
from bot.wording.words import Words

if TYPE_CHECKING:
    from pathlib import Path

    from bot.dialogue.loading import Flows
    from bot.dialogue.turn import Dialogue

SW = data.folder("locales") / "sw"
PO = (SW / "messages.po").read_bytes()
WORDS = (SW / "words.yaml").read_text(encoding="utf-8")


def spoilt(flows: Flows, changes: dict[str, str], *, fuzzy: bool = False) -> bytes:
    """The Kiswahili file with some translations changed, by the names of the texts."""
    catalogue = read_po(BytesIO(PO))
    english = {each.context: each.text for each in messages(flows)}
    for context, text in changes.items():
        message = catalogue.get(english[context], context)
        assert message is not None
        message.string = text
        if fuzzy:
            message.flags.add("fuzzy")
    written = BytesIO()
    write_po(written, catalogue)
    return written.getvalue()


def kiswahili(po: bytes = PO, words: str = WORDS) -> Language:
    return Language("sw", Words.read(words), Catalogue.read(po))


def speak(flows: Flows, language: Language) -> Voice:
    return Voice(language, flows, Contacts(), {"en": "English", "sw": "Kiswahili"})


@pytest.fixture(scope="module")
def english() -> dict[str, Language]:
    text = (data.folder("locales") / "en" / "words.yaml").read_text(encoding="utf-8")
    return {"en": Language("en", Words.read(text), Catalogue.source())}


def found(notes: list[Note], where: str, what: str) -> Note:
    """The one finding of this place whose words have these."""
    hits = [each for each in notes if each.where.startswith(where) and what in each.what]
    assert len(hits) == 1, [str(each) for each in notes]
    assert hits[0].remedy
    return hits[0]


def test_the_shipped_kiswahili_has_no_slip(flows: Flows, english: dict[str, Language]) -> None:
    assert [str(each) for each in audit(flows, PO, WORDS, "sw", english)] == []


# How far it is


def test_coverage_counts_safety_texts_apart(flows: Flows) -> None:
    first, *parts = status(flows, PO, "sw")
    texts = list(messages(flows))
    assert (first.part, first.texts) == ("safety", sum(each.safety for each in texts))
    assert first.texts + sum(each.texts for each in parts) == len(texts)
    assert all(each.translated == each.texts for each in (first, *parts))
    po = spoilt(flows, {"clearing.cover": "", "cautions.tools.1": ""})
    counts = {each.part: each for each in status(flows, po, "sw")}
    assert (counts["clearing"].missing, counts["safety"].missing) == (1, 1)
    po = spoilt(flows, {"clearing.cover": "Nini?"}, fuzzy=True)
    counts = {each.part: each for each in status(flows, po, "sw")}
    assert (counts["clearing"].fuzzy, counts["clearing"].missing) == (1, 0)


@pytest.mark.parametrize("context", ["cautions.tools.1", "sentences.paraquat", "planting.mixes.1"])
@pytest.mark.parametrize("spoil", ["missing", "fuzzy", "too long"])
def test_a_safety_text_not_there_or_too_long_keeps_a_language_from_growers(
    flows: Flows, context: str, spoil: str
) -> None:
    assert lacking(flows, kiswahili(), speak(flows, kiswahili())) == []
    text = {"missing": "", "fuzzy": "hatari", "too long": "hatari sana " * 40}[spoil]
    language = kiswahili(spoilt(flows, {context: text}, fuzzy=spoil == "fuzzy"))
    assert lacking(flows, language, speak(flows, language)) == [context]


def test_a_safety_text_that_loses_its_value_keeps_a_language_from_growers(flows: Flows) -> None:
    texts = [each for each in messages(flows) if each.safety and placeholders(each.text)]
    assert texts
    for each in texts:
        language = kiswahili(spoilt(flows, {each.context: "Hatari."}))
        assert each.context in lacking(flows, language, speak(flows, language))


def test_a_language_without_another_text_is_safe(flows: Flows) -> None:
    language = kiswahili(spoilt(flows, {"clearing.cover": ""}))
    assert lacking(flows, language, speak(flows, language)) == []


# Slips in the file of texts


def test_a_file_that_cannot_be_read_is_one_finding(
    flows: Flows, english: dict[str, Language]
) -> None:
    for damaged in (b"\xff\xfe", b"hello", PO.replace(b'"Language: sw\\n"', b'"Language: sw')):
        notes = audit(flows, damaged, WORDS, "sw", english)
        assert [(each.where, each.kind) for each in notes] == [("messages.po", "error")]
        assert "damaged" in notes[0].what
        assert "mend" in notes[0].remedy


@pytest.mark.parametrize(
    ("context", "text", "what", "kind"),
    [
        ("clearing.cover", "", "not translated", "warning"),
        ("cautions.tools.1", "", "this safety text is not translated", "error"),
        ("sentences.noted_done", "Imepokelewa.", "{day} is lost", "error"),
        ("sentences.noted_done", "{day} {dya}", "{dya} is not in the English", "error"),
        ("sentences.noted_done", "{day} {day}", "{day} stands 2 times", "warning"),
        ("sentences.noted_done", "{day} }", "a lone }", "error"),
        ("report.report?", "Tuma 1, 2 au 3.", "the number 2 is lost", "error"),
        ("sentences.more", "1 zaidi", "the number 0 is lost", "error"),
        ("clearing.cover", "Nini kimeota\nsasa?", "the translation 2", "error"),
        ("clearing.cover", "Nini\u00a0kimeota?", "no-break space", "error"),
        ("field.good.1", "maneno mengi sana " * 30, "SMS of GSM 7-bit, but at most 2", "error"),
        ("clearing.cover", "maneno mengi sana " * 30, "USSD screens, but at most 3", "error"),
        ("sentences.keep", "Awali: {value}.", "names no word", "error"),
        ("rain.rained", "Mvua imenyesha?", "names no word", "error"),
        ("sentences.volume_assumed", "{volume} L.", "it must tell the grower to send", "error"),
        ("clearing.cover=grass", "Vichaka vyenye miti", "are the same to a phone", "error"),
        ("clearing.cover=grass", "!!", "this answer has no letters", "error"),
        ("clearing.cover=grass", "Acha", "'Acha' stops all texts", "error"),
        ("clearing.cover=grass", "Mpya", "is the command NEW", "error"),
        ("clearing.cover=grass", "woody", "is taken to mean 'Vichaka vyenye miti'", "error"),
        ("clearing.cover=grass", "2", "is taken to mean 'Majani mapana, shina laini'", "error"),
        ("sentences.yes", "Haya", "is taken to mean nothing", "error"),
        ("sentences.not_yet", "Nimemaliza", "is taken to mean 'Tayari'", "error"),
    ],
)
def test_a_slip_is_found(  # noqa: PLR0913, PLR0917 - a case each
    flows: Flows, english: dict[str, Language], context: str, text: str, what: str, kind: str
) -> None:
    notes = audit(flows, spoilt(flows, {context: text}), WORDS, "sw", english)
    hits = [each for each in notes if what in each.what and each.where == context]
    assert len(hits) == 1 if "lost" not in what else hits, [str(each) for each in notes]
    assert hits[0].kind == kind
    assert hits[0].remedy


def test_the_shipped_file_says_done_as_the_cases_above_have_it(flows: Flows) -> None:
    voice = speak(flows, kiswahili())
    assert voice.say("done") == "Tayari"


def test_fuzzy_is_a_finding_and_an_error_in_a_safety_text(
    flows: Flows, english: dict[str, Language]
) -> None:
    po = spoilt(flows, {"clearing.cover": "Nini?", "cautions.tools.1": "Hatari"}, fuzzy=True)
    notes = audit(flows, po, WORDS, "sw", english)
    assert found(notes, "clearing.cover", "fuzzy").kind == "warning"
    assert found(notes, "cautions.tools.1", "fuzzy").kind == "error"


def test_a_text_that_is_not_in_the_file_is_told_from_one_not_translated(
    flows: Flows, english: dict[str, Language]
) -> None:
    catalogue = read_po(BytesIO(PO))
    catalogue.delete("What grows on the field now?", "clearing.cover")
    written = BytesIO()
    write_po(written, catalogue)
    notes = audit(flows, written.getvalue(), WORDS, "sw", english)
    assert "words update" in found(notes, "clearing.cover", "not in the file").remedy


def test_another_plural_rule_than_cldr_s_is_found(
    flows: Flows, english: dict[str, Language]
) -> None:
    po = PO.replace(b"nplurals=2; plural=(n != 1);", b"nplurals=2; plural=(n > 1);")
    note = found(audit(flows, po, WORDS, "sw", english), "messages.po", "plural rule")
    assert "nplurals=2; plural=(n != 1);" in note.remedy


def test_letters_outside_gsm_are_named_once_with_the_nearest(
    flows: Flows, english: dict[str, Language]
) -> None:
    po = spoilt(
        flows,
        {
            "clearing.cover": "ɗan ƙasa?",
            "clearing.cover=grass": "ɗan",
            "field.good.1": "nzuri’ ш",  # noqa: RUF001
        },
    )
    notes = audit(flows, po, WORDS, "sw", english)
    assert all(each.kind == "warning" for each in notes)
    assert "'d' would be cheaper" in found(notes, "clearing.cover and 1 more", "'ɗ'").remedy
    assert "'k'" in found(notes, "clearing.cover", "'ƙ'").remedy
    assert 'write "\'" instead' in found(notes, "field.good.1", "’").remedy  # noqa: RUF001
    assert "no letter" in found(notes, "field.good.1", "ш").remedy


def test_budgets_are_those_of_the_proof(flows: Flows, english: dict[str, Language]) -> None:
    """Every fault of room that `fieldbell check` finds is found here, and no other."""
    changes = dict.fromkeys(
        ("field.good.1", "cautions.spraying.1", "clearing.green", "sentences.help_text"),
        "maneno mengi mno " * 25,
    )
    po = spoilt(flows, changes)
    language = kiswahili(po)
    proved = {
        each.where.removeprefix("sw, ")
        for each in fit(flows, language, speak(flows, language))
        if re.match(r"\d+ (segments|USSD)", each.what)
    }
    here = {
        each.where
        for each in audit(flows, po, WORDS, "sw", english)
        if re.match(r"\d+ (SMS|USSD)", each.what)
    }
    assert here == proved
    assert set(changes) <= here


def test_ucs2_texts_have_the_same_characters(flows: Flows, english: dict[str, Language]) -> None:
    # 3GPP TS 23.040: 306 characters are 2 segments of 153, or 5 of 67
    fits = spoilt(flows, {"field.good.1": "ɗ" * 306})
    assert not [each for each in audit(flows, fits, WORDS, "sw", english) if each.kind == "error"]
    over = spoilt(flows, {"field.good.1": "ɗ" * 336})
    note = found(audit(flows, over, WORDS, "sw", english), "field.good.1", "6 SMS of UCS-2")
    assert "at most 5" in note.what
    assert "by 1 characters" in note.remedy


def test_a_line_that_fills_a_ussd_screen_is_found_and_keeps_a_language_from_growers(
    flows: Flows, english: dict[str, Language]
) -> None:
    # 3GPP TS 23.038: a screen with a letter outside GSM 7-bit holds 80
    for length, long in ((39, False), (40, True), (200, True)):
        po = spoilt(flows, {"sentences.more": "0 " + "a" * (length - 2)})
        notes = audit(flows, po, WORDS, "sw", english)
        hits = [each for each in notes if each.where == "sentences.more"]
        assert bool(hits) is long
        assert all("39 characters" in each.remedy and each.kind == "error" for each in hits)
        language = kiswahili(po)
        voice = speak(flows, language)
        assert ("sentences.more" in lacking(flows, language, voice)) is long
        assert any("sw, sentences.more" in str(each) for each in fit(flows, language, voice)) is (
            long
        )


# A district's own wording


def with_texts(tmp_path: Path, texts: dict[str, str]) -> Flows:
    file = tmp_path / "district.yaml"
    file.write_text(yaml.safe_dump({"texts": {"sw": texts}}), encoding="utf-8")
    return data.flows(file)


def test_a_district_s_own_wording_counts_as_translated(
    tmp_path: Path, english: dict[str, Language]
) -> None:
    own = with_texts(tmp_path, {"clearing.cover": "Nini kinaota?", "cautions.tools.1": "Hatari."})
    po = spoilt(own, {"clearing.cover": "", "cautions.tools.1": ""})
    assert all(each.missing == 0 for each in status(own, po, "sw"))
    assert [str(each) for each in audit(own, po, WORDS, "sw", english)] == []
    language = kiswahili(po)
    assert lacking(own, language, speak(own, language)) == []


def test_a_district_s_own_wording_is_looked_over_too(
    tmp_path: Path, english: dict[str, Language]
) -> None:
    own = with_texts(tmp_path, {"sentences.noted_done": "ɗan {day}", "clearing.cover": "Ni\u200b?"})
    notes = audit(own, PO, WORDS, "sw", english)
    assert found(notes, "sentences.noted_done", "'ɗ'").kind == "warning"
    assert found(notes, "clearing.cover", "nobody sees")


# Slips in the words


@pytest.mark.parametrize(
    ("old", "new", "where", "what"),
    [
        ("  one: [", "  ones: [", "words.yaml", "unknown field `ones`"),
        ("answers:", "answers: [", "words.yaml", "not readable as YAML"),
        ("language: Kiswahili", "language: English", "words.yaml, language", "is the name of en"),
        ("stop: [stop,", "stop: [stop, leo,", "words.yaml, commands: stop", "also means leo"),
        ("stop: [stop,", "stop: [stop, yes,", "words.yaml, commands: stop", "yes in English"),
        ("stop: [stop,", "stop: [stop, grass,", "words.yaml, commands: stop", "also means"),
        ("done: [done,", "done: [done, end,", "words.yaml, answers: done", "'end' stops all"),
    ],
)
def test_a_slip_in_the_words_is_found(  # noqa: PLR0913, PLR0917 - a case each
    flows: Flows, english: dict[str, Language], old: str, new: str, where: str, what: str
) -> None:
    assert WORDS.count(old) == 1
    if "grass" in new:
        # A word that is a whole answer of another language's question.
        new = new.replace("grass", "Mostly grass")
    notes = audit(flows, PO, WORDS.replace(old, new), "sw", english)
    assert found(notes, where, what).kind == "error"


def test_answers_left_in_english_are_named(flows: Flows, english: dict[str, Language]) -> None:
    words = re.sub(r"not_yet: \[.*?\]", "not_yet: [not yet, later]", WORDS, flags=re.DOTALL)
    notes = audit(flows, PO, words, "sw", english)
    assert found(notes, "words.yaml, answers: not_yet", "only English").kind == "warning"


# What a season costs


def test_a_season_costs_what_its_texts_take(flows: Flows, dialogue: Dialogue) -> None:
    voice = dialogue.voices["en"]
    texts = season_texts(flows, voice)
    plan = next(place for place, each in enumerate(texts) if each.startswith("Your plan"))
    assert texts[0] == voice.question(flows.step("field", "area"), {})
    assert sum(each.count("Noted: done on") for each in texts[plan:]) >= 10
    assert "Good harvest!" in texts[-1]
    one = season_cost(flows, voice, voice, 1, Decimal("0.02"))
    many = season_cost(flows, voice, voice, 1000, Decimal("0.02"))
    # Every text is GSM 7-bit: 160 septets, or 153 in parts (3GPP TS 23.040); none needs escapes.
    by_hand = sum(1 if len(each) <= 160 else -(-len(each) // 153) for each in texts)
    assert one.segments == by_hand
    assert many.segments == 1000 * by_hand
    assert many.cost == 20 * by_hand
    assert (many.folded_segments, many.folded_cost) == (many.segments, many.cost)


def begun_with(letter: str) -> Language:
    """Kiswahili with a letter put before every translation."""
    catalogue = read_po(BytesIO(PO))
    for message in catalogue:
        if message.id:
            message.string = letter + str(message.string)
    written = BytesIO()
    write_po(written, catalogue)
    return kiswahili(written.getvalue())


def test_letters_outside_gsm_cost_what_folding_saves(flows: Flows) -> None:
    hooked, plain = begun_with("ɗ"), begun_with("d")
    voice = speak(flows, hooked)
    folded = Voice(hooked, flows, Contacts(), voice.offered, folded=True)
    cost = season_cost(flows, voice, folded, 10, Decimal(1))
    by_hand = season_texts(flows, speak(flows, plain))
    assert season_texts(flows, folded) == by_hand
    assert cost.segments > 1.5 * cost.folded_segments


# For the translator


def test_every_value_has_an_example_and_every_text_a_remark(
    flows: Flows, dialogue: Dialogue
) -> None:
    values = examples(flows, dialogue.voices["en"])
    texts = list(messages(flows))
    assert all(values[name] for each in texts for name in placeholders(each.text))
    said = remarks(flows)
    assert all("room" in said[each.context] or "SMS" in said[each.context] for each in texts)
    assert all(said[each.context].startswith("a safety text") == each.safety for each in texts)


def test_every_text_is_shown(flows: Flows, dialogue: Dialogue) -> None:
    listed = {each.context for each in shown(flows, dialogue.voices["en"])}
    # The answers to choose stand under their questions.
    assert {each.context for each in messages(flows) if "=" not in each.context} <= listed
    assert not any(each.over for each in shown(flows, dialogue.voices["en"]))
