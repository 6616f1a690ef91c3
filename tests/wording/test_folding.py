"""Folding to GSM 7-bit, against two independent packages' alphabets."""

import unicodedata

import gsmcodecs  # registers the codec "gsm23.038"
import pytest
import smsutil
from hypothesis import given
from hypothesis import strategies as st

from bot.wording.folding import fold, unhooked
from bot.wording.gsm import outside_gsm


def in_gsm(text: str) -> bool:
    """Whether a text is GSM 7-bit by both gsmcodecs (from TS 23.038 release 18) and smsutil."""
    try:
        text.encode("gsm23.038")
    except UnicodeEncodeError:
        return False
    return not text or smsutil.is_valid_gsm(text)


@pytest.mark.parametrize(
    ("text", "folded"),
    [
        # Letters of the alphabet stay, also beside ones that do not; ç is not among them
        # (3GPP TS 23.038, 6.2.1, by the packages above).
        ("é à è ù ì ò ñ ä ö ü å ø Ç É", "é à è ù ì ò ñ ä ö ü å ø Ç É"),
        ("un côté très élevé, ça va", "un coté très élevé, ca va"),
        # Hausa's hooked letters, Yoruba's dots and tones, Ewe's letters (from memory)
        ("ɓauna ɗan ƙasa ƴa Ɓ Ɗ Ƙ Ƴ", "bauna dan kasa ya B D K Y"),
        ("Ẹ kú àárọ̀, ọ̀gbẹ́ni ṣọ́ọ̀bù", "E ku àaro, ogbeni soobù"),
        ("ƒe ɖevi ŋutsu ɣe ʋu nyɔnu ɛ", "fe devi nutsu ge vu nyonu e"),  # noqa: RUF001
        # typographic marks
        ("“don’t” – ‘yes’ … ½ 5\u00a0kg", "\"don't\" - 'yes' ... 1/2 5 kg"),  # noqa: RUF001
        ("a\u200bb\u200e", "ab"),
        ("e\u0301", "é"),
        # nothing is near
        ("шба", "шба"),
        ("نعم हाँ 你 🌱", "نعم हाँ 你 🌱"),
        ("", ""),
    ],
)
def test_folding(text: str, folded: str) -> None:
    assert fold(text) == folded


def test_every_letter_of_gsm_stays_and_every_other_that_changes_is_in_gsm_afterwards() -> None:
    assert gsmcodecs.findCodec("gsm23.038") is not None
    changed = 0
    for code in range(0x10000):
        char = chr(code)
        folded = fold(char)
        if in_gsm(char):
            assert folded == char
        elif folded != unicodedata.normalize("NFC", char):
            assert in_gsm(folded), char
            changed += 1
    assert changed > 1000


def test_every_accented_latin_letter_is_brought_to_gsm() -> None:
    """Those that Unicode takes apart into a letter of A to Z and accents."""
    found = 0
    for code in range(0xC0, 0x1F00):
        pieces = unicodedata.normalize("NFKD", chr(code))
        bare = [each for each in pieces if not "\u0300" <= each <= "\u036f"]
        if len(pieces) > 1 and all(each.isascii() for each in bare):
            assert in_gsm(fold(chr(code))), chr(code)
            found += 1
    assert found > 500


@given(st.text())
def test_folding_twice_is_folding_once(text: str) -> None:
    assert fold(fold(text)) == fold(text)


@given(st.text("abcÉñ {}€ɗọ̀’ш🌱"))  # noqa: RUF001
def test_a_text_wholly_in_gsm_is_itself(text: str) -> None:
    if not outside_gsm(text):
        assert fold(text) is text


def test_small_letters_lose_their_hooks_and_keep_their_accents() -> None:
    assert unhooked("ɗan ƙasa, œuf, é") == "dan kasa, oeuf, é"
