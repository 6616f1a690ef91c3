"""Words with slips in them, against the definition of the distance and the keys of ITU-T E.161."""

from __future__ import annotations

import random
import string
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bot.wording.slips import allowed, distance, keys, tapped
from bot.wording.words import Words, normal

LOCALES = Path(__file__).parents[2] / "locales"
# Only languages whose files say what looks like their words take slips at all.
WORDS = {
    folder.name: words
    for folder in sorted(LOCALES.iterdir())
    if (folder / "words.yaml").is_file()
    and (words := Words.read((folder / "words.yaml").read_text(encoding="utf-8"))).lenient()
}
LENIENT = {code: lenient for code, words in WORDS.items() if (lenient := words.lenient())}

# Recommendation ITU-T E.161 (from memory): the letters on the keys 2 to 9.
E161 = {"2": "abc", "3": "def", "4": "ghi", "5": "jkl", "6": "mno", "7": "pqrs", "8": "tuv", "9": "wxyz"}  # fmt: skip
KEY_OF = {letter: key for key, letters in E161.items() for letter in letters}

letters = st.text(string.ascii_lowercase, min_size=1, max_size=12)


def look_ups(words: Words, text: str) -> dict[str, object]:
    """All that a text can mean as an answer."""
    found = {
        "answers": words.answer(text),
        "units": words.unit(text),
        "numbers": words.number(text),
        "days": words.day(text),
        "weekdays": words.weekday(text),
        "months": words.month(text),
    }
    return {group: meaning for group, meaning in found.items() if meaning is not None}


def osa(one: str, other: str) -> int:
    """Optimal string alignment by its textbook recurrence (Boytsov 2011, from memory)."""
    rows = [[max(i, j) for j in range(len(other) + 1)] for i in range(len(one) + 1)]
    for i in range(1, len(one) + 1):
        for j in range(1, len(other) + 1):
            rows[i][j] = min(
                rows[i - 1][j] + 1,
                rows[i][j - 1] + 1,
                rows[i - 1][j - 1] + (one[i - 1] != other[j - 1]),
            )
            if i > 1 and j > 1 and one[i - 1] == other[j - 2] and one[i - 2] == other[j - 1]:
                rows[i][j] = min(rows[i][j], rows[i - 2][j - 2] + 1)
    return rows[-1][-1]


@given(st.text("abcd", min_size=1, max_size=10), st.text("abcd", min_size=1, max_size=10))
def test_a_slip_is_bounded_optimal_string_alignment(one: str, other: str) -> None:
    found = distance(one, other)
    bound = allowed(min(len(one), len(other)))
    assert found is None or found == osa(one, other) <= bound
    if found is None and one[0] == other[0]:
        assert osa(one, other) > bound or (osa(one, other) == 2 and one[:3] != other[:3])


@pytest.mark.parametrize(("length", "most"), [(1, 0), (3, 0), (4, 1), (7, 1), (8, 2), (20, 2)])
def test_longer_words_may_have_more_slips(length: int, most: int) -> None:
    assert allowed(length) == most


@pytest.mark.parametrize(
    ("typed", "word", "slips"),
    [
        ("yess", "yes", None),  # too short
        ("doen", "done", 1),
        ("tomorow", "tomorrow", 1),
        ("tomorw", "tomorrow", None),  # two in a word of six
        ("yestredya", "yesterday", 2),
        ("apana", "hapana", None),  # the first letter
        ("nitafanya", "nimefanya", None),  # I shall do it; I have done it
        ("i havent done it", "i have done it", None),
        ("not dnoe", "not done", 1),
        ("j5", "j4", None),
    ],
)
def test_slips_are_counted_word_by_word(typed: str, word: str, slips: int | None) -> None:
    assert distance(typed, word) == slips


@given(letters.filter(lambda word: len(word) >= 3))
def test_keys_are_those_of_the_keypad(word: str) -> None:
    pressed = keys(word)
    assert pressed == "".join(KEY_OF[letter] for letter in word)
    taps = " ".join(KEY_OF[each] * (E161[KEY_OF[each]].index(each) + 1) for each in word)
    assert tapped(taps) == word


@pytest.mark.parametrize("typed", ["wer", "937", "999 33 7777", "999337777"])
def test_yes_by_the_keypad(typed: str) -> None:
    assert LENIENT["en"].answer(typed) == "yes"
    assert WORDS["en"].answer(typed) is None


@pytest.mark.parametrize("text", ["", "1", "0", "101", "22222", "12/3", "yes", "no way", "\u0663"])
def test_what_no_keypad_gives(text: str) -> None:
    assert tapped(text) == ""


@pytest.mark.parametrize("code", LENIENT)
@given(data=st.data())
def test_a_text_near_a_command_is_no_answer(code: str, data: st.DataObject) -> None:
    words, lenient = WORDS[code], LENIENT[code]
    command = data.draw(st.sampled_from(sorted(words._commands)))  # noqa: SLF001 - all of them
    typed = data.draw(st.sampled_from(sorted(one_slip_from(command))))
    assume(words.command(typed) is None)
    assert lenient.command(typed) is None
    assert look_ups(lenient, typed) == look_ups(words, typed)
    for word in (keys(command), keys_apart(command)):
        assert lenient.command(word) is None
        assert not look_ups(lenient, word)


def one_slip_from(word: str) -> set[str]:
    """All that one letter left out, put in, wrong or swapped makes of a word."""
    parts = [(word[:place], word[place:]) for place in range(len(word) + 1)]
    cut = {front + rest[1:] for front, rest in parts if rest}
    swapped = {front + rest[1] + rest[0] + rest[2:] for front, rest in parts if len(rest) > 1}
    wrong = {front + each + rest[1:] for front, rest in parts if rest for each in "aeiklnrst"}
    more = {front + each + rest for front, rest in parts for each in "aeiklnrst"}
    return {each for each in cut | swapped | wrong | more if normal(each) == each} - {word}


def keys_apart(word: str) -> str:
    return " ".join(
        KEY_OF[each] * (E161[KEY_OF[each]].index(each) + 1) for each in word if each in KEY_OF
    )


@pytest.mark.parametrize("code", LENIENT)
@given(data=st.data())
def test_a_slip_has_one_meaning(code: str, data: st.DataObject) -> None:
    words, lenient = WORDS[code], LENIENT[code]
    answers = words._answers  # noqa: SLF001 - all of them
    word = data.draw(st.sampled_from(sorted(word for word in answers if word.isalpha())))
    typed = data.draw(st.sampled_from(sorted(one_slip_from(word))))
    found = lenient.answer(typed)
    assume(found is not None and words.answer(typed) is None)
    # Whatever word is as near, or on the same keys, means the same.
    nearest = min((each for w in answers if (each := distance(typed, w)) is not None), default=1)
    for other, meaning in answers.items():
        as_near = distance(typed, other) == nearest
        same_keys = nearest == 1 and keys(other) and keys(other) == keys(typed)
        assert not (as_near or same_keys) or meaning == found, (typed, other)


@pytest.mark.parametrize("code", LENIENT)
@pytest.mark.parametrize("length", range(1, 13))
def test_random_letters_are_hardly_ever_an_answer(code: str, length: int) -> None:
    rng = random.Random(length)  # noqa: S311 - a sample, the same in every run
    texts = {"".join(rng.choices(string.ascii_lowercase, k=length)) for _ in range(1500)}
    unknown = [text for text in texts if not look_ups(WORDS[code], text)]
    read = [text for text in unknown if look_ups(LENIENT[code], text)]
    assert len(read) < max(1, 0.02 * len(texts)), read


@pytest.mark.parametrize(
    ("code", "typed"),
    [
        ("en", "dont"),  # done
        ("en", "sown"),  # soon
        ("en", "water"),  # later
        ("en", "year"),  # yeah
        ("en", "light"),  # right
        ("en", "food"),  # done, on the keys
        ("sw", "dawa"),  # sawa
        ("sw", "nitafanya"),  # nimefanya
        ("sw", "nitamaliza"),  # nimemaliza
        ("sw", "sitafanya"),  # sijafanya
        ("sw", "mapana"),  # hapana
        ("sw", "dakika"),  # hakika
        ("sw", "nina hakika"),  # sina hakika
        ("sw", "sana"),  # saba, sawa, sasa
        ("sw", "jina"),  # jana
        ("fr", "ares"),  # acres
        ("fr", "merci"),  # merc(redi)
        ("fr", "j'ai faim"),  # j'ai fait
        ("fr", "je fais"),
        ("fr", "demande"),  # demain
        ("fr", "c'est"),  # cent
        ("ha", "dogo"),
        ("ha", "magana"),
        ("ha", "kwanan"),  # kwatan
        ("ha", "na rama"),  # na gama
        ("ha", "sai anjima"),  # goodbye
    ],
)
def test_a_word_that_looks_like_another_keeps_its_own_meaning(code: str, typed: str) -> None:
    assert not look_ups(LENIENT[code], typed)


@pytest.mark.parametrize(
    ("code", "typed", "group", "meaning"),
    [
        ("en", "dnoe", "answers", "done"),
        ("en", "finishd", "answers", "done"),
        ("en", "dont kno", "answers", "unsure"),
        ("en", "yesterdy", "days", -1),
        ("en", "mondey", "weekdays", 0),
        ("en", "munday", "weekdays", None),  # Monday or Sunday?
        ("en", "juny", "months", None),  # June or July?
        ("en", "hectre", "units", "ha"),
        ("sw", "hapanaa", "answers", "no"),
        ("sw", "nimemalza", "answers", "done"),
        ("sw", "keshoo", "days", 1),
        ("sw", "jumatau", "weekdays", 0),
        ("sw", "siku 3 zilizopta", "days", -3),
        ("fr", "hectrae", "units", "ha"),
        ("fr", "vendedi", "weekdays", 4),
        ("fr", "pas encroe", "answers", "not_yet"),
        ("ha", "ban gma ba", "answers", None),  # three letters
        ("ha", "lahdi", "weekdays", 6),
        ("ha", "babuu", "answers", "none"),
    ],
)
def test_slips_and_what_they_mean(code: str, typed: str, group: str, meaning: object) -> None:
    assert look_ups(WORDS[code], typed) in ({}, {group: meaning})
    assert look_ups(LENIENT[code], typed).get(group) == meaning


def test_a_language_that_names_no_look_alikes_takes_no_slips() -> None:
    english = (LOCALES / "en" / "words.yaml").read_text(encoding="utf-8")
    head, _, _ = english.partition("\napart:")
    assert Words.read(head).lenient() is None
