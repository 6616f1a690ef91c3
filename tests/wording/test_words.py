"""The words files, and reading what people type."""

import re
from decimal import Decimal
from pathlib import Path

import pytest
import yaml
from babel.dates import get_day_names, get_month_names
from hypothesis import given
from hypothesis import strategies as st

from bot.wording.words import Words, normal
from bot.wording.words_file import MONTHS, WEEKDAYS

LOCALES = Path(__file__).parents[2] / "locales"
CODES = sorted(folder.name for folder in LOCALES.iterdir() if (folder / "words.yaml").is_file())
ENGLISH = (LOCALES / "en" / "words.yaml").read_text(encoding="utf-8")


def _words(code: str) -> Words:
    return Words.read((LOCALES / code / "words.yaml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def english() -> Words:
    return _words("en")


@pytest.fixture(scope="module")
def kiswahili() -> Words:
    return _words("sw")


def test_both_languages_are_there() -> None:
    assert {"en", "sw"} <= set(CODES)


@pytest.mark.parametrize("code", CODES)
def test_every_word_written_in_a_file_is_understood_as_written(code: str) -> None:
    words = _words(code)
    raw = yaml.load(
        (LOCALES / code / "words.yaml").read_text(encoding="utf-8"),
        Loader=yaml.BaseLoader,  # noqa: S506 - plain strings
    )
    for group, look_up in (
        ("commands", words.command), ("answers", words.answer), ("units", words.unit),
    ):  # fmt: skip
        for meaning, spellings in raw[group].items():
            for word in spellings:
                assert look_up(word) == meaning
                assert look_up(f" {word.upper()}. ") == meaning
    for word in (word for spellings in raw["numbers"].values() for word in spellings):
        assert words.number(word) is not None
    for word in (word for spellings in raw["days"].values() for word in spellings):
        assert words.day(word) is not None
    for place, name in enumerate(WEEKDAYS):
        assert all(words.weekday(word) == place for word in raw["weekdays"].get(name, ()))
    for place, name in enumerate(MONTHS, start=1):
        assert all(words.month(word) == place for word in raw["months"].get(name, ()))


@pytest.mark.parametrize("code", CODES)
def test_names_of_the_calendar_are_cldr_s(code: str) -> None:
    words = _words(code)
    for width in ("wide", "abbreviated"):
        for place, name in get_day_names(width, locale=words.locale).items():
            assert words.weekday(name) == place
        for place, name in get_month_names(width, locale=words.locale).items():
            assert words.month(name) == place


@pytest.mark.parametrize("code", CODES)
def test_the_english_stop_works_everywhere(code: str) -> None:
    assert _words(code).command("STOP") == "stop"


def test_status(english: Words, kiswahili: Words) -> None:
    assert (english.language, english.locale, english.status) == ("English", "en", "reviewed")
    assert (kiswahili.language, kiswahili.locale, kiswahili.status) == ("Kiswahili", "sw", "draft")


def test_english(english: Words) -> None:
    assert english.answer("Y") == "yes"
    assert english.answer("OK!") == "yes"
    assert english.answer("don’t know") == "unsure"  # noqa: RUF001 - a phone's apostrophe
    assert english.answer("??") == "unsure"
    assert english.answer("Not-yet.") == "not_yet"
    assert english.answer("👍🏽") == "yes"
    assert english.unit("Acres") == "acre"
    assert english.unit("m²") == "m2"
    assert english.number("½") == english.number("1/2") == english.number("half") == Decimal("0.5")
    assert english.number("ten") == 10
    assert [english.day(d) for d in ("yesterday", "today", "tomorrow")] == [-1, 0, 1]
    assert english.weekday("Tues.") == 1
    assert english.month("SEPT") == 9
    assert english.command("plan?") == "plan"


def test_kiswahili(kiswahili: Words) -> None:
    assert (
        kiswahili.answer("Ndio") == kiswahili.answer("ndiyo") == kiswahili.answer("sawa") == "yes"
    )
    assert kiswahili.answer("La") == kiswahili.answer("siyo") == "no"
    assert kiswahili.answer("Sijui") == "unsure"
    assert kiswahili.answer("nimemaliza") == kiswahili.answer("tayari") == "done"
    assert kiswahili.answer("bado") == "not_yet"
    assert kiswahili.command("Nisaidie!") == "help"
    assert kiswahili.command("rudi nyuma") == "back"
    assert kiswahili.command("ile ile") == "same"
    assert kiswahili.command("sawa") is None
    assert kiswahili.unit("ekari") == "acre"
    assert kiswahili.number("nusu") == Decimal("0.5")
    # one to ten and the days: any Kiswahili primer (from memory)
    ten = ["moja", "mbili", "tatu", "nne", "tano", "sita", "saba", "nane", "tisa", "kumi"]
    assert [kiswahili.number(word) for word in ten] == list(range(1, 11))
    days = ["juzi", "jana", "leo", "kesho", "kesho kutwa"]
    assert [kiswahili.day(word) for word in days] == [-2, -1, 0, 1, 2]
    assert kiswahili.weekday("Jumatatu") == 0
    assert kiswahili.month("Desemba") == 12


@pytest.mark.parametrize("text", ["", "   ", "\n", "12", "lorem", "🌱", "\u200b", "a" * 10_000])
def test_what_is_no_word_is_none(english: Words, text: str) -> None:
    assert english.command(text) is english.answer(text) is english.unit(text) is None
    assert english.number(text) is english.day(text) is None
    assert english.weekday(text) is english.month(text) is None


@given(st.text())
def test_any_text_has_a_plain_form_which_is_its_own(text: str) -> None:
    plain = normal(text)
    assert normal(plain) == plain
    assert plain == plain.strip()


@pytest.mark.parametrize(
    ("typed", "plain"),
    [
        ("  Yes!! ", "yes"),
        ("DON'T   KNOW", "dont know"),
        ("Jumma\u02bca", "jummaa"),  # the Hausa Friday
        ("ƁAUNA ɗaya ƙasa ƴa", "bauna daya kasa ya"),  # hooks, which most keypads lack
        ("cœur", "coeur"),
        ("févr.", "fevr"),
        ("m²", "m2"),
        ("¼", "1/4"),
        ("…", "."),
        ("हिन्दी", "हिन्दी"),  # vowel signs are letters, not accents
        ("ｙｅｓ", "yes"),  # noqa: RUF001 - full-width letters
    ],
)
def test_plain_form(typed: str, plain: str) -> None:
    assert normal(typed) == plain


@pytest.mark.parametrize(
    ("find", "replace", "complaint"),
    [
        (r'"11": \[', '"a dozen": [', "'a dozen' under larger_numbers is no number"),
        (r'"last \{day\}"', "last one", r"counted_days: last_weekday lacks \{day\}"),
        (r'"\{n\} days ago"', "days ago", r"counted_days: days_ago lacks \{n\}"),
        (r"count_stands: before", "count_stands: beside", "Invalid enum value 'beside'"),
        (r"by: \[by\]", "by: []", r"length >= 1 - at `\$.small_words.by`"),
        (
            r"second, seconds\]",
            "second, minute]",
            "'minute' means both seconds and minutes under me",
        ),
        (
            r"\Z",
            "other_words:\n  a.b:\n    x: [z]\n    y: [Z]\n",
            "under other_words: a.b; keep one",
        ),
        (r"stop: \[stop,", "stop: [help,", "'help' means both stop and help under commands"),
        (r"ready\]", "'Not yet!']", "'not yet' means both done and not_yet under answers"),
        (r"tuesday: \[tues\]", "tuesday: [Wed]", "means both tuesday and wednesday under weekdays"),
        (r"stop: \[stop,", "stop: [", "'stop' must be one of the words"),
        (r"  two: \[two\]\n", "", r"missing required field `two` - at `\$.numbers`"),
        (r"two: \[two\]", "two: []", r"length >= 1 - at `\$.numbers.two`"),
        (r"two: \[two\]", "two: ['']", "an empty word under numbers: two"),
        (r"two: \[two\]", "two: [two]\n  eleven: [eleven]", "unknown field `eleven`"),
        (r"status: reviewed", "status: fine", "Invalid enum value 'fine'"),
        (r"locale: en", "locale: xx", "use a CLDR locale"),
        (r"locale: en", "locale: not a locale", "use a CLDR locale"),
        (r"two: \[two\]", "two: [two", "not readable as YAML"),
    ],
)
def test_a_faulty_file_is_refused_by_name(find: str, replace: str, complaint: str) -> None:
    faulty, count = re.subn(find, replace, ENGLISH, count=1)
    assert count == 1
    with pytest.raises(ValueError, match=complaint):
        Words.read(faulty)


def test_what_may_be_left_out(english: Words) -> None:
    head, _, _ = ENGLISH.partition("\nlarger_numbers:")
    words = Words.read(head)
    assert words.scale("thousand") is words.number("twenty") is words.day("in 3 days") is None
    assert words.without("yes please", "polite") == "yes please"
    assert words.lenient() is None
    assert english.lenient() is not None
    assert not words.joins("and")
    assert not words.small("by")
    assert words.measure("litres") is None
    assert words.measure("l") == "litre"  # a sign, known everywhere


def test_days_amounts_and_what_stands_around(english: Words, kiswahili: Words) -> None:
    assert english.day("In 3 days.") == kiswahili.day("baada ya siku tatu") == 3
    assert english.day("a week ago") == kiswahili.day("wiki moja iliyopita") == -7
    assert english.day("1000 days ago") is english.day("half days ago") is None
    assert english.weekday_towards("last Friday") == (4, "last")
    assert kiswahili.weekday_towards("Ijumaa ijayo") == (4, "next")
    assert [kiswahili.scale(each) for each in ("mia", "elfu", "laki", "milioni")] == [
        100, 1000, 100_000, 1_000_000,
    ]  # fmt: skip
    assert kiswahili.number("ishirini") == 20
    assert english.without("Yes, please sir!", "polite") == "Yes,"
    assert english.without("please", "polite") == "please"


def test_small_words_measures_and_other_words(english: Words) -> None:
    french = _words("fr")
    assert english.joins("AND")
    assert french.joins("et")
    assert not french.joins("ou")
    assert french.small("by") >= {"sur", "par"}
    assert [french.measure(each) for each in ("F", "secondes", "cl")] == ["money", "seconds", "cl"]
    assert (french.count_stands, _words("ha").count_stands) == ("before", "behind")
    assert french.said_otherwise("rain.rained", "Il n'a pas plu.") == "no"
    assert french.said_otherwise("clearing.green", "il n'a pas plu") is None
    assert "acres" in english.unit_spellings("acre")
    assert "unsubscribe" in english.stops()


def test_numbers_of_french_and_hausa() -> None:
    # Any primer of French and of Hausa (from memory).
    french, hausa = _words("fr"), _words("ha")
    assert [french.number(each) for each in ("quatre-vingt-dix-sept", "soixante et onze")] == [
        97,
        71,
    ]
    assert [hausa.number(each) for each in ("goma sha biyu", "arba'in", "ɗari", "dari")] == [
        12, 40, 100, 100,
    ]  # fmt: skip


def test_a_phrase_around_an_answer_may_be_long() -> None:
    assert _words("ha").without("gobe idan Allah ya kaimu", "polite") == "gobe"
