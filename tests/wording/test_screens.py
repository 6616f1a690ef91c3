"""USSD paging."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.wording.screens import SCREEN_LIMIT, UCS2_SCREEN_LIMIT, fits_screen, pages

MORE = "0 more"
LETTERS = st.sampled_from("abcdeKM 12.,\n €{}ẹш🌱")


def _octets(page: str) -> int:
    """Octets a page takes, by gsmcodecs and Python's own UTF-16."""
    try:
        septets = len(page.encode("gsm23.038"))
    except UnicodeEncodeError:
        return len(page.encode("utf-16-be"))
    return (septets * 7 + 7) // 8


def test_a_screen_holds_182_septets_or_160_octets() -> None:
    # 3GPP TS 23.038: 182 seven-bit characters in 160 octets; so 80 two-octet characters
    assert SCREEN_LIMIT == 160 * 8 // 7 == 182
    assert UCS2_SCREEN_LIMIT == 160 // 2
    assert fits_screen("a" * 182)
    assert not fits_screen("a" * 183)
    assert fits_screen("€" * 91)
    assert not fits_screen("€" * 91 + "a")
    assert fits_screen("ẹ" * 80)
    assert not fits_screen("ẹ" * 81)
    assert fits_screen("🌱" * 40)
    assert not fits_screen("🌱" * 40 + "a")


def test_short_and_empty_texts_are_one_page() -> None:
    assert pages("", MORE) == ("",)
    assert pages("  \n ", MORE) == ("",)
    assert pages("a" * 182, MORE) == ("a" * 182,)


def test_a_choice_is_not_torn_apart() -> None:
    choices = [f"{n} " + "word " * 7 + "end" for n in range(1, 8)]
    first, second = pages("\n".join(choices), MORE)
    assert first == "\n".join([*choices[:4], MORE])
    assert second == "\n".join(choices[4:])


def test_a_line_end_that_would_waste_the_page_gives_way_to_a_word_end() -> None:
    text = "Plan:\n" + "plough " * 40
    first = pages(text, MORE)[0]
    assert first.endswith("plough\n" + MORE)
    assert len(first) > SCREEN_LIMIT - len("plough ")


def test_a_word_longer_than_a_screen_is_cut() -> None:
    first, second = pages("x" * 200, MORE)
    assert first == "x" * 175 + "\n" + MORE
    assert second == "x" * 25


def test_each_page_has_its_own_alphabet() -> None:
    result = pages("word " * 60 + "ẹ", MORE)
    assert [len(page) > UCS2_SCREEN_LIMIT for page in result[:-1]] == [True] * (len(result) - 1)
    assert len(result[-1]) <= UCS2_SCREEN_LIMIT


def test_a_more_line_without_room_for_text_is_refused() -> None:
    with pytest.raises(ValueError, match="leaves no room"):
        pages("a" * 400, "m" * 181)


@given(
    st.one_of(st.text(LETTERS, max_size=900), st.text(max_size=500)),
    st.sampled_from([MORE, "0 zaidi", "0 ẹ"]),
)
def test_no_text_is_lost_and_every_page_fits(text: str, more: str) -> None:
    text = text.encode("utf-8", "ignore").decode()  # lone surrogates have no octets to count
    result = pages(text, more)
    assert all(fits_screen(page) and _octets(page) <= 160 for page in result)
    assert all(page.endswith("\n" + more) for page in result[:-1])
    assert all(page.strip() for page in result[1:])
    bare = [page.removesuffix("\n" + more) for page in result[:-1]] + [result[-1]]
    assert "".join("".join(bare).split()) == "".join(text.split())
    assert all(bare_page.strip() for bare_page in bare) or result == ("",)


@given(st.lists(st.text("abcde", min_size=1, max_size=20), min_size=1, max_size=120))
def test_words_that_fit_stay_whole(words: list[str]) -> None:
    result = pages(" ".join(words), MORE)
    bare = [page.removesuffix("\n" + MORE) for page in result[:-1]] + [result[-1]]
    assert [word for page in bare for word in page.split()] == words
