"""Texts whose noun goes with a number: each grower reads the form that their language has for it.

The forms of Polish and Arabic are CLDR's for whole numbers (from memory): `one`, `few` (2 to 4,
22 to 24 ...), `many`; and `zero`, `one`, `two`, `few` (3 to 10), `many` (11 to 99), `other`.
"""

from __future__ import annotations

import re
from io import BytesIO
from typing import TYPE_CHECKING, Any

import pytest
import yaml
from babel.messages.pofile import read_po, write_po

from bot import data
from bot.dialogue.auditing import audit, lacking, status
from bot.dialogue.calculations import AMOUNTS, PLACEHOLDERS
from bot.dialogue.fitting import fit
from bot.dialogue.loading import FlowError, read_flows
from bot.dialogue.messages import messages
from bot.dialogue.showing import shown, worst_values, written
from bot.dialogue.texts import Forms
from bot.dialogue.voice import Contacts, Voice
from bot.wording.catalogue import Catalogue
from bot.wording.languages import Language
from bot.wording.plurals import categories, category, plural_forms
from bot.wording.translating import update
from bot.wording.words import Words

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bot.dialogue.loading import Flows

    Edit = Callable[[str, str, str], None]

ENGLISH_WORDS = (data.folder("locales") / "en" / "words.yaml").read_text(encoding="utf-8")
LATE = "sentences.left_out"
POLISH = ("{name}: {days} dzien!", "{name}: {days} dni", "{name}: {days} dnia")
ARABIC = tuple(f"{{name}} {{days}} {each}" for each in ("0", "1", "2", "few", "other", "many"))


def words_of(code: str) -> str:
    file = data.folder("locales") / code / "words.yaml"
    if file.is_file():
        return file.read_text(encoding="utf-8")
    text = ENGLISH_WORDS.replace("language: English", f"language: {code}")
    return text.replace("locale: en", f"locale: {code}")


def po_of(flows: Flows, code: str, *forms: str, fuzzy: bool = False, context: str = LATE) -> bytes:
    """A language's file, new where it does not come with Fieldbell, with these forms of one text."""
    file = data.folder("locales") / code / "messages.po"
    po = file.read_bytes() if file.is_file() else update(None, messages(flows), code)
    catalogue = read_po(BytesIO(po), locale=code)
    for message in catalogue:
        if message.context == context and forms:
            message.string = forms
            message.flags |= {"fuzzy"} if fuzzy else set()
    written_po = BytesIO()
    write_po(written_po, catalogue)
    return written_po.getvalue()


def language(code: str, po: bytes) -> Language:
    return Language(code, Words.read(words_of(code)), Catalogue.read(po))


def speak(flows: Flows, spoken: Language) -> Voice:
    return Voice(spoken, flows, Contacts(), {spoken.code: spoken.words.language})


def spoken(flows: Flows, code: str, *forms: str) -> Voice:
    return speak(flows, language(code, po_of(flows, code, *forms)))


# What a grower reads


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("en", {0: "0 days late", 1: "1 day late", 2: "2 days late", 1.5: "1.5 days late"}),
        ("fr", {0: "0 jour de", 1: "1 jour de", 2: "2 jours de", 1.5: "1,5 jour de"}),
        ("sw", {1: "siku 1.", 2: "siku 2."}),
        ("ha", {1: "kwana 1.", 2: "kwana 2."}),
    ],
)
def test_the_noun_goes_with_the_number(flows: Flows, code: str, said: dict[float, str]) -> None:
    voice = speak(flows, data.languages()[code])
    for days, words in said.items():
        assert words in voice.say("broken_link", name="x", days=days)


@pytest.mark.parametrize(
    ("days", "said"),
    [
        *((1, "x: 1 dzien!"), (2, "x: 2 dni"), (5, "x: 5 dnia"), (12, "x: 12 dnia")),
        *((22, "x: 22 dni"), (25, "x: 25 dnia"), (1234, "x: 1234 dni")),
    ],
)
def test_polish_has_three_forms(flows: Flows, days: int, said: str) -> None:
    got = spoken(flows, "pl", *POLISH).say("left_out", name="x", days=days)
    assert got.replace(" 1 234", " 1234") == said


@pytest.mark.parametrize(
    ("days", "form"),
    [(0, "0"), (1, "1"), (2, "2"), (3, "few"), (10, "few"), (11, "many"), (100, "other")],
)
def test_arabic_has_six_forms(flows: Flows, days: int, form: str) -> None:
    said = spoken(flows, "ar", *ARABIC).say("left_out", name="x", days=days)
    assert said.endswith(f" {form}")


def test_a_number_counts_as_rounded_as_it_is_shown(flows: Flows) -> None:
    voice = speak(flows, data.languages()["en"])
    assert "1 day late" in voice.say("broken_link", name="x", days=1.001)
    assert "1.01 days late" in voice.say("broken_link", name="x", days=1.01)


def test_what_is_no_number_counts_nothing(flows: Flows) -> None:
    with pytest.raises(TypeError, match="'three' is no number"):
        speak(flows, data.languages()["en"]).say("broken_link", name="x", days="three")


NEVER_ONE = {
    ("planting.spacing.1", "stakes"),  # of the smallest field, 0.02 acre, they are tens
    ("planting.spacing.2", "stakes"),
    ("gaps.many.1", "gap_stakes"),  # of that field, with more than half of them gone
    ("sentences.area_range", "high"),
}


def can_be_one(flows: Flows, name: str) -> bool:
    """Whether an operator may set a figure so that it is one; an amount may always be."""
    stem, _, unit = name.rpartition("_")
    days = {"weeks": 7, "hours": 1 / 24}.get(unit)
    if days and f"{stem}_days" in flows.figures:
        row = flows.figures.row(f"{stem}_days")
        return row.low <= days <= row.high
    if name in flows.figures:
        row = flows.figures.row(name)
        return row.low <= 1 <= row.high
    return True


def test_a_plural_beside_a_number_that_can_be_one_has_another_form(flows: Flows) -> None:
    bare = {
        (each.context, name)
        for each in messages(flows)
        for name in re.findall(
            r"\{(\w+)\} (?:more |spare )?(?:\w\w+s|people)\b(?<!comes)", each.text
        )
        if name != each.count and can_be_one(flows, name)
    }
    assert bare == NEVER_ONE


def test_english_never_counts_one_in_the_plural(flows: Flows) -> None:
    voice = speak(flows, data.languages()["en"])
    counted = [each for each in messages(flows) if each.count]
    assert len(counted) >= 10
    for each in counted:
        one = voice.text(each.source, each.context, 1)
        assert (one, voice.text(each.source, each.context, 2)) == (each.one, each.text)
        assert not re.search(rf"\{{{each.count}\}} (more |spare )?\w+s\b", one), one


# Every form is measured and shown


def texts_of(flows: Flows, voice: Voice, context: str) -> tuple[str, ...]:
    return next(each.texts for each in written(flows, voice) if each.message.context == context)


def test_every_form_is_shown_with_the_longest_number_that_takes_it(flows: Flows) -> None:
    voice = speak(flows, data.languages()["en"])
    more, one = texts_of(flows, voice, "sentences.broken_by")
    assert one.startswith("The longest wait: 1 day from")
    assert more.startswith("The longest wait: 8,888 days from")
    one, more = texts_of(flows, speak(flows, data.languages()["fr"]), "sentences.broken_by")
    assert "1 jour entre" in one  # the form of 0, too
    assert "8 888 jours entre" in more
    many, one, few = texts_of(flows, spoken(flows, "pl", *POLISH), LATE)
    assert (many.endswith(" dnia"), one.endswith(": 1 dzien!")) == (True, True)
    assert re.search(r": [1-3]?\d?[234] dni$", few)
    assert len(texts_of(flows, spoken(flows, "ar", *ARABIC), LATE)) == 6


def test_a_form_that_is_too_long_is_found(flows: Flows) -> None:
    long = "{name} imechelewa siku {days} " + "maneno mengi " * 25
    for forms in ((long, "{name} {days}"), ("{name} {days}", long)):
        po = po_of(flows, "sw", *forms)
        faults = fit(flows, language("sw", po), spoken(flows, "sw", *forms))
        assert [each.where for each in faults] == [f"sw, {LATE}"]
        assert "its budget is 2" in faults[0].what
        notes = audit(flows, po, words_of("sw"), "sw", {})
        assert [each.where for each in notes if each.kind == "error"] == [LATE]


def test_a_question_with_forms_is_measured_in_each(flow_folder: Path, edit: Edit) -> None:
    asked = 'ask: "Plant 20 of your stakes close together in moist soil in the shade. After {sprouting_test_days} days count: how many of the 20 have sprouted? Send ? if you have not tested yet."'  # fmt: skip
    long = "count " * 60
    forms = f'ask: {{count: sprouting_test_days, one: "After {{sprouting_test_days}} day {long}", other: "After {{sprouting_test_days}} days count."}}'
    edit("stakes.yaml", asked, forms)
    flows = read_flows(flow_folder)
    voice = speak(flows, data.languages()["en"])
    assert "After 14 days count." in voice.question(flows.step("stakes", "sprouted_of_20"), {})
    over = [each for each in shown(flows, voice) if each.over]
    assert [each.context for each in over] == ["stakes.sprouted_of_20"]
    assert over[0].text.startswith("After 1 day count")


# A form missing, or without its number


MISSING = [
    *[("sw", forms) for forms in (("", "{name} {days}"), ("{name} {days}", ""))],
    *[
        ("pl", tuple("" if n == place else each for n, each in enumerate(POLISH)))
        for place in range(3)
    ],
    *[
        ("ar", tuple("" if n == place else each for n, each in enumerate(ARABIC)))
        for place in range(6)
    ],
]


@pytest.mark.parametrize(("code", "forms"), MISSING)
def test_a_missing_form_is_a_finding(flows: Flows, code: str, forms: tuple[str, ...]) -> None:
    po = po_of(flows, code, *forms)
    what = [
        each.what
        for each in fit(flows, language(code, po), spoken(flows, code, *forms))
        if each.where.endswith(LATE)
    ]
    assert [each[:40] for each in what] == ["this text is not translated in every for"]
    (note,) = [each for each in audit(flows, po, words_of(code), code, {}) if each.where == LATE]
    assert "not translated in the form for" in note.what
    part = next(each for each in status(flows, po, code) if each.part == "sentences")
    whole = next(
        each
        for each in status(
            flows, po_of(flows, code, *(each or "{name} {days}" for each in forms)), code
        )
        if each.part == "sentences"
    )
    assert part.missing == whole.missing + 1


@pytest.mark.parametrize(
    ("code", "forms", "found"),
    [
        ("sw", ("{name}: siku moja", "{name}: siku {days}"), []),  # for exactly one
        ("sw", ("{name}: siku {days}", "{name}: siku"), ["0, 2, 3 ..."]),
        ("fr", ("{name}: un jour", "{name}: {days} jours"), ["0, 1"]),  # it is for none, too
        ("pl", ("{name}: dzien", *POLISH[1:]), []),
        ("pl", (POLISH[0], "{name}: dni", POLISH[2]), ["2, 3, 4 ..."]),
        ("ar", ("{name} a", "{name} b", "{name} c", *ARABIC[3:]), []),  # for 0, for 1, for 2
        ("sw", ("siku moja", "{name}: siku {days}"), ["1"]),
    ],
)
def test_only_a_form_for_a_single_number_may_leave_it_out(
    flows: Flows, code: str, forms: tuple[str, ...], found: list[str]
) -> None:
    po = po_of(flows, code, *forms)
    faults = [
        each
        for each in fit(flows, language(code, po), spoken(flows, code, *forms))
        if each.where.endswith(LATE)
    ]
    assert ["lacks" in each.what for each in faults] == [True] * len(found)
    notes = [
        each
        for each in audit(flows, po, words_of(code), code, {})
        if each.where.startswith(LATE) and each.kind == "error"
    ]
    assert [each.where for each in notes] == [f"{LATE} in the form for {each}" for each in found]


def test_a_fuzzy_text_is_not_used_in_any_form(flows: Flows) -> None:
    po = po_of(flows, "sw", "{name} moja {days}", "{name} mbili {days}", fuzzy=True)
    voice = speak(flows, language("sw", po))
    assert voice.say("left_out", name="x", days=1).startswith("x comes 1 day too late")
    assert voice.say("left_out", name="x", days=2).startswith("x comes 2 days too late")
    (note,) = [each for each in audit(flows, po, words_of("sw"), "sw", {}) if each.where == LATE]
    assert "fuzzy" in note.what
    part = next(each for each in status(flows, po, "sw") if each.part == "sentences")
    assert (part.fuzzy, part.missing) == (1, 0)


def test_a_value_that_english_does_not_have_is_found_in_any_form(flows: Flows) -> None:
    po = po_of(flows, "sw", "{name} {days}", "{name} {dya} {days}")
    notes = audit(flows, po, words_of("sw"), "sw", {})
    assert [str(each).partition("; ")[0] for each in notes if each.kind == "error"] == [
        f"{LATE} in the form for 0, 2, 3 ...: {{dya}} is not in the English"
    ]


def test_a_safety_text_with_a_form_missing_keeps_a_language_from_growers(
    flow_folder: Path, edit: Edit
) -> None:
    refusal = (
        "cassava is younger than {glyphosate_gate_weeks} weeks. No glyphosate and no glufosinate."
    )
    whole = f'      - say: "Weed now, by hand or machine only: the {refusal}"'
    forms = f'      - say: {{count: glyphosate_gate_weeks, one: "{refusal}!", other: "{refusal}"}}'
    edit("weeding.yaml", whole, forms)
    flows = read_flows(flow_folder)
    context = next(each.context for each in messages(flows) if each.text == refusal)
    known = update(po_of(flows, "sw"), messages(flows), "sw")
    for one, kept in (("Wiki {glyphosate_gate_weeks}.", []), ("", [context])):
        catalogue = read_po(BytesIO(known), locale="sw")
        for message in catalogue:
            if message.context == context:
                message.string = (one, "Majuma {glyphosate_gate_weeks}.")
                message.flags.discard("fuzzy")
        written_po = BytesIO()
        write_po(written_po, catalogue)
        swahili = language("sw", written_po.getvalue())
        assert lacking(flows, swahili, speak(flows, swahili)) == kept


def test_a_file_with_another_plural_rule_is_looked_over_by_cldr_s(flows: Flows) -> None:
    po = po_of(flows, "sw").replace(b"nplurals=2; plural=(n != 1);", b"nplurals=2; plural=n/0;")
    notes = audit(flows, po, words_of("sw"), "sw", {})
    assert [each.where for each in notes if each.kind == "error"] == ["messages.po"]
    assert plural_forms("sw") in notes[0].remedy


# A district's own wording


def district(folder: Path, code: str, texts: dict[str, Any]) -> Path:
    file = folder / "district.yaml"
    file.write_text(yaml.safe_dump({"texts": {code: texts}}), encoding="utf-8")
    return file


def test_a_district_words_it_once_or_by_form(tmp_path: Path) -> None:
    own = district(tmp_path, "sw", {LATE: "{name}, {days} (siku)"})
    voice = data.dialogue(district=own).voices["sw"]
    assert [voice.say("left_out", name="x", days=n) for n in (1, 2)] == [
        "x, 1 (siku)",
        "x, 2 (siku)",
    ]
    folder = tmp_path / "forms"
    folder.mkdir()
    own = district(folder, "sw", {LATE: {"one": "{name} siku moja", "other": "{name} siku {days}"}})
    voice = data.dialogue(district=own).voices["sw"]
    assert [voice.say("left_out", name="x", days=n) for n in (1, 2)] == ["x siku moja", "x siku 2"]
    flows = data.flows(own)
    assert audit(flows, po_of(flows, "sw", "", ""), words_of("sw"), "sw", {}) == []
    assert all(each.missing == 0 for each in status(flows, po_of(flows, "sw", "", ""), "sw"))


def test_the_forms_of_a_district_are_looked_over(tmp_path: Path) -> None:
    own = district(tmp_path, "sw", {LATE: {"one": "{name} moja", "other": "{name} siku"}})
    flows = data.flows(own)
    swahili = data.languages()["sw"]
    (fault,) = fit(flows, swahili, speak(flows, swahili))
    assert "lacks {days}: '{name} siku'" in fault.what
    (note,) = audit(flows, po_of(flows, "sw"), words_of("sw"), "sw", {})
    assert note.where == f"{LATE} in the form for 0, 2, 3 ..."


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        ({LATE: {"other": "{name} {days}"}}, "needs one wording, or one each for other, one"),
        ({LATE: {"one": "", "other": "{name} {days}"}}, "needs one wording"),
        ({LATE: {"one": "{days}", "few": "{days}", "other": "{days}"}}, "needs one wording"),
        ({LATE: {"one": "{days}", "other": "{dyas}"}}, "asks for a value it never gets"),
        ({"clearing.cover": {"one": "a", "other": "b"}}, "counts nothing; give it one wording"),
    ],
)
def test_a_slip_in_a_district_s_forms_is_named(
    tmp_path: Path, texts: dict[str, Any], said: str
) -> None:
    with pytest.raises(FlowError, match=said):
        data.dialogue(district=district(tmp_path, "sw", texts))


# Slips in the flow files


BARE = '  no_plan: "You have no plan yet."'


@pytest.mark.parametrize(
    ("forms", "said"),
    [
        ('{count: days, one: "{name}", other: "{name} late"}', "`other` lacks {days}"),
        ('{count: days, one: "a day", other: "{name} {days}"}', "`one` lacks {name}"),
        ('{count: days, one: "{name} {day}", other: "{name} {days}"}', "`one` has {day}"),
        ('{count: days, one: "{name", other: "{name} {days}"}', "a lone {"),
        ('{one: "{name}", other: "{name} {days}"}', "missing required field `count`"),
        ('{count: days, few: "{name}", other: "{name} {days}"}', "unknown field `few`"),
    ],
)  # fmt: skip
def test_forms_that_do_not_belong_together_are_refused(
    flow_folder: Path, edit: Edit, forms: str, said: str
) -> None:
    edit("sentences.yaml", BARE, f"  no_plan: {forms}")
    with pytest.raises(FlowError, match=re.escape(said)):
        read_flows(flow_folder)


@pytest.mark.parametrize(
    ("count", "near"),
    [
        ("measured_area", "is no number"),
        ("gap_stake", "'gap_stakes'"),
        ("stake_nods", "'stake_nodes'"),
    ],
)
def test_a_count_that_is_no_number_is_refused(
    flow_folder: Path, edit: Edit, count: str, near: str
) -> None:
    forms = f'say: {{count: {count}, one: "one {{{count}}}", other: "{{{count}}} all"}}'
    edit("gaps.yaml", 'say: "Bring the spare stakes you kept in the shade."', forms)
    with pytest.raises(FlowError, match=near):
        read_flows(flow_folder)


def test_labels_hints_and_what_is_assumed_may_have_forms(flow_folder: Path, edit: Edit) -> None:
    def counted(figure: str, noun: str) -> str:
        return f'{{count: {figure}, one: "{{{figure}}} {noun}", other: "{{{figure}}} {noun}s"}}'

    edit(
        "planting.yaml",
        'hint: "Send the number of people, such as 3."',
        f"hint: {counted('workers', 'hand')}",
    )
    edit(
        "weeding.yaml",
        "late: Taller than {weed_height_to_cm} cm",
        f"late: {counted('weed_leaves_to', 'leave')}",
    )
    for workers in (1, 2):
        flows = read_flows(flow_folder, f"figures: {{workers: {workers}}}")
        voice = speak(flows, data.languages()["en"])
        step = flows.step("planting", "workers")
        assert (
            voice.assumed(step)
            == {1: "1 person works on the field", 2: "2 people work on the field"}[workers]
        )
        assert isinstance(step.state.hint, Forms)
        assert voice.options(flows.step("weeding", "weed_stage"))["late"] == "6 leaves"


def test_amounts_that_are_numbers_are_told_from_those_spelt_out(flows: Flows) -> None:
    worst = worst_values(flows, speak(flows, data.languages()["en"]))
    numbers = {name for name in PLACEHOLDERS if isinstance(worst[name], int | float)}
    assert numbers == AMOUNTS


def test_the_forms_of_a_category_are_found_by_name() -> None:
    assert [category(n, "ar") for n in (0, 1, 2, 3, 11, 100)] == list(categories("ar"))
