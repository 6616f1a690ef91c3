"""Segment counts against the published limits and against independent packages."""

from collections.abc import Callable
from random import Random

import gsmcodecs  # registers the codec "gsm23.038"
import pytest
import smsutil
from hypothesis import given
from hypothesis import strategies as st

from bot.wording.gsm import Encoding, Size, measure, outside_gsm, segments, split

# 3GPP TS 23.038, 6.2.1 and 6.2.1.1 (from memory)
EXTENSION = "\f^{}\\[~]|€"
DEFAULT = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
NON_GSM = "áíóúêçŋɓẹọʼ’…–çğшжह你۞\u202f"  # noqa: RUF001
EMOJI = "😀🌱🌾👍🏽🇹🇿"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # 3GPP TS 23.038 and TS 23.040: 140 octets; 6 of them a header in each part
        ("a" * 160, Size(Encoding.GSM7, 160, 1)),
        ("a" * 161, Size(Encoding.GSM7, 161, 2)),
        ("a" * 306, Size(Encoding.GSM7, 306, 2)),
        ("a" * 307, Size(Encoding.GSM7, 307, 3)),
        ("ш" * 70, Size(Encoding.UCS2, 70, 1)),
        ("ш" * 71, Size(Encoding.UCS2, 71, 2)),
        ("ш" * 134, Size(Encoding.UCS2, 134, 2)),
        ("ш" * 135, Size(Encoding.UCS2, 135, 3)),
        # an extension character is an escape and a code
        ("€" * 80, Size(Encoding.GSM7, 160, 1)),
        ("€" * 80 + "a", Size(Encoding.GSM7, 161, 2)),
        # a character beyond U+FFFF is a surrogate pair (Unicode standard, UTF-16)
        ("🌱" * 35, Size(Encoding.UCS2, 70, 1)),
        ("🌱" * 35 + "a", Size(Encoding.UCS2, 71, 2)),
        # one letter outside the alphabet puts the whole text in UCS-2
        ("a" * 69 + "ẹ", Size(Encoding.UCS2, 70, 1)),
        ("a" * 70 + "ẹ", Size(Encoding.UCS2, 71, 2)),
        ("", Size(Encoding.GSM7, 0, 1)),
    ],
)
def test_published_limits(text: str, expected: Size) -> None:
    assert measure(text) == expected
    assert segments(text) == expected.segments == len(split(text))


@pytest.mark.parametrize("char", EXTENSION)
def test_extension_characters_take_two(char: str) -> None:
    assert measure(char) == Size(Encoding.GSM7, 2, 1)


def test_a_pair_is_never_parted() -> None:
    # 306 septets divide into two parts of 153, but the pair astride the cut moves over whole.
    text = "a" * 152 + "€" + "a" * 152
    assert measure(text) == Size(Encoding.GSM7, 306, 3)
    assert split(text) == ["a" * 152, "€" + "a" * 151, "a"]
    leaves = "ш" * 66 + "🌱" + "ш" * 66
    assert measure(leaves) == Size(Encoding.UCS2, 134, 3)
    assert split(leaves) == ["ш" * 66, "🌱" + "ш" * 65, "ш"]


def test_default_alphabet_is_the_published_one() -> None:
    for char in DEFAULT:
        assert measure(char) == Size(Encoding.GSM7, 1, 1), char


def test_alphabet_agrees_with_two_packages_on_every_character() -> None:
    """Smsutil and gsmcodecs (generated from TS 23.038 release 18), over the basic multilingual plane.

    Smsutil also takes the bare escape code for a character, gsmcodecs and we do not: sent
    alone it would turn the next letter into another one. Only there is smsutil not asked.
    """
    for code in range(0x10000):
        char = chr(code)
        ours = outside_gsm(char) == ()
        assert ours == (_gsmcodecs_septets(char) is not None), char
        assert char == "\x1b" or ours == smsutil.is_valid_gsm(char), char


def _gsmcodecs_septets(text: str) -> bytes | None:
    try:
        return text.encode("gsm23.038")
    except UnicodeEncodeError:
        return None


def _parts_by_octets(text: str) -> int:
    """Count parts on the encoded text: septets from gsmcodecs, or else UTF-16 from Python."""
    septets = _gsmcodecs_septets(text)
    if septets is not None:
        return _count(list(septets), 160, 153, opens_pair=lambda unit: unit == 0x1B)
    units = text.encode("utf-16-be")
    words = [int.from_bytes(units[at : at + 2], "big") for at in range(0, len(units), 2)]
    return _count(words, 70, 67, opens_pair=lambda unit: 0xD800 <= unit < 0xDC00)


def _count(units: list[int], alone: int, room: int, *, opens_pair: Callable[[int], bool]) -> int:
    if len(units) <= alone:
        return 1
    parts = start = 0
    while start < len(units):
        end = min(start + room, len(units))
        start = end - 1 if end < len(units) and opens_pair(units[end - 1]) else end
        parts += 1
    return parts


def _random_texts(count: int) -> list[str]:
    """Texts of every mixture and of lengths about every limit; the same ones every run."""
    dice = Random(23038)  # noqa: S311 - no secret
    kinds = [DEFAULT, DEFAULT + EXTENSION, EXTENSION, DEFAULT + NON_GSM]
    kinds += [DEFAULT + EMOJI, NON_GSM + EMOJI, DEFAULT + EXTENSION + NON_GSM + EMOJI]
    longest = [75, 165, 320, 480]
    return [
        "".join(dice.choices(dice.choice(kinds), k=dice.randint(1, dice.choice(longest))))
        for _ in range(count)
    ]


def test_segments_agree_with_independent_packages_on_random_texts() -> None:
    """Two counts: smsutil's own split; and the octets gsmcodecs encodes, cut here.

    No case is left out but the bare escape code (see above), which no text here holds.
    """
    assert gsmcodecs.findCodec("gsm23.038") is not None
    texts = _random_texts(10_000)
    multipart = 0
    for text in texts:
        size = measure(text)
        theirs = smsutil.split(text)
        assert size.segments == len(theirs.parts) == _parts_by_octets(text), text
        per_unit = 1 if theirs.encoding == "gsm0338" else 2
        assert size.units * per_unit == theirs.total_bytes, text
        assert split(text) == [part.content for part in theirs.parts], text
        multipart += size.segments > 1
    assert 2_000 < multipart < 9_000  # the texts fall on both sides of the limits


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=600))
def test_parts_joined_are_the_text_and_each_fits(text: str) -> None:
    parts = split(text)
    size = measure(text)
    assert "".join(parts) == text
    assert len(parts) == size.segments
    if len(parts) > 1:
        for part in parts:
            if size.encoding is Encoding.GSM7:
                assert len(part.encode("gsm23.038")) <= 153
            else:
                assert len(part.encode("utf-16-be")) <= 134


def test_letters_outside_are_named_once_in_order() -> None:
    assert outside_gsm("Ẹ ku àárọ̀, ẹ ku — ẹ") == ("Ẹ", "á", "ọ", "\u0300", "ẹ", "—")
    assert outside_gsm("Ekari 2 {nusu} €5") == ()


def test_a_lone_surrogate_is_measured_not_refused() -> None:
    assert measure("\ud83c") == Size(Encoding.UCS2, 1, 1)
