"""Catalogues in the .po format, as GNU gettext defines it."""

import pytest

from bot.wording.catalogue import Catalogue

HEADER = r"""msgid ""
msgstr ""
"Language: sw\n"
"Content-Type: text/plain; charset=UTF-8\n"
"Plural-Forms: nplurals=2; plural=(n != 1);\n"

"""

KISWAHILI = (
    HEADER
    + r"""
msgid "How big is the field?"
msgstr "Shamba ni kubwa kiasi gani?"

msgctxt "month"
msgid "May"
msgstr "Mei"

#, fuzzy
msgid "Yes"
msgstr "Labda"

msgid "Not translated"
msgstr ""

msgid "{n} tank"
msgid_plural "{n} tanks"
msgstr[0] "tangi {n}"
msgstr[1] "matangi {n}"

#~ msgid "Gone"
#~ msgstr "Imeenda"
"""
)


@pytest.fixture(scope="module")
def kiswahili() -> Catalogue:
    return Catalogue.read(KISWAHILI.encode())


def test_english_is_its_own_message_id() -> None:
    english = Catalogue.source()
    assert english.text("How big is the field?") == "How big is the field?"
    assert english.text("May", "month") == "May"
    assert english.plural("{n} tank", "{n} tanks", 1) == "{n} tank"
    assert english.plural("{n} tank", "{n} tanks", 0, "spray") == "{n} tanks"
    assert english.has("anything")


def test_translations(kiswahili: Catalogue) -> None:
    assert kiswahili.text("How big is the field?") == "Shamba ni kubwa kiasi gani?"
    assert kiswahili.has("How big is the field?")
    assert kiswahili.plural("{n} tank", "{n} tanks", 1) == "tangi {n}"
    assert kiswahili.plural("{n} tank", "{n} tanks", 7) == "matangi {n}"
    assert kiswahili.has("{n} tank")


def test_context_tells_messages_apart(kiswahili: Catalogue) -> None:
    assert kiswahili.text("May", "month") == "Mei"
    assert kiswahili.text("May") == "May"
    assert kiswahili.has("May", "month")
    assert not kiswahili.has("May")


@pytest.mark.parametrize("msgid", ["Yes", "Not translated", "Gone", "Never heard of", ""])
def test_fuzzy_empty_obsolete_and_unknown_are_not_used(kiswahili: Catalogue, msgid: str) -> None:
    assert kiswahili.text(msgid) == msgid
    assert not kiswahili.has(msgid)


def test_plural_rule_of_the_language() -> None:
    # Polish, three forms: the worked example in the GNU gettext manual, "Plural forms" (from memory)
    polish = Catalogue.read(
        HEADER.replace("sw", "pl")
        .replace(
            "nplurals=2; plural=(n != 1)",
            "nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 || n%100>=20) ? 1 : 2)",
        )
        .__add__('msgid "file"\nmsgid_plural "files"\n')
        .__add__('msgstr[0] "plik"\nmsgstr[1] "pliki"\nmsgstr[2] "plików"\n')
        .encode()
    )
    forms = {n: polish.plural("file", "files", n) for n in (1, 2, 4, 5, 12, 21, 22, 25)}
    assert forms == {
        1: "plik", 2: "pliki", 4: "pliki", 5: "plików",
        12: "plików", 21: "plików", 22: "pliki", 25: "plików",
    }  # fmt: skip


def test_a_half_translated_plural_falls_back_and_counts_as_missing() -> None:
    entry = 'msgid "{n} row"\nmsgid_plural "{n} rows"\nmsgstr[0] "mstari {n}"\nmsgstr[1] ""\n'
    catalogue = Catalogue.read((HEADER + entry).encode())
    assert catalogue.plural("{n} row", "{n} rows", 1) == "mstari {n}"
    assert catalogue.plural("{n} row", "{n} rows", 2) == "{n} rows"
    assert not catalogue.has("{n} row")


@pytest.mark.parametrize(
    ("entry", "complaint"),
    [
        ('msgid "Hello {name}"\nmsgstr "Habari {jina}"\n', r"'Hello \{name\}' has \['jina'\]"),
        ('msgid "Hello {name}"\nmsgstr "Habari {name"\n', r"'Hello \{name\}'.* a lone \{"),
        (
            'msgid "{n} a"\nmsgid_plural "{n} b"\nmsgstr[0] "{m}"\nmsgstr[1] ""\n',
            r"'\{n\} a' has \['m'\]",
        ),
    ],
)
def test_a_translation_may_use_only_the_values_of_its_english(entry: str, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        Catalogue.read((HEADER + entry).encode())


@pytest.mark.parametrize(
    "broken",
    [
        b"hello",
        b"\x00\x01\x02\xff",
        (HEADER + 'msgid "x"\nmsgstr "').encode() + b'\xff"\n',
        HEADER.replace("UTF-8", "no-such-set").encode() + b'msgid "x"\nmsgstr "y"\n',
        HEADER.replace("(n != 1)", "__import__('os')").encode(),
    ],
)
def test_a_broken_file_is_a_value_error(broken: bytes) -> None:
    with pytest.raises(ValueError, match=r"plural form|not a readable \.po file"):
        Catalogue.read(broken)


def test_a_byte_order_mark_and_other_line_ends_are_passed_over() -> None:
    saved = b"\xef\xbb\xbf" + KISWAHILI.replace("\n", "\r\n").encode()
    assert Catalogue.read(saved).text("May", "month") == "Mei"


def test_a_file_in_another_charset_than_it_says_is_told_how_to_save_it() -> None:
    french = (HEADER + 'msgid "x"\nmsgstr "é"\n').encode("latin-1")
    with pytest.raises(ValueError, match=r"'\\xe9' is no utf-8 text; save the file as UTF-8"):
        Catalogue.read(french)
    declared = french.replace(b"UTF-8", b"ISO-8859-1")
    assert Catalogue.read(declared).text("x") == "é"


@pytest.mark.parametrize("date", ["", "<b>", "-01-01 00:00 UTC", "\\n 00:00"])
def test_a_damaged_date_in_the_header_is_told(date: str) -> None:
    header = HEADER.replace('"Language', f'"PO-Revision-Date: 2026{date}\\n"\n"Language')
    with pytest.raises(ValueError, match=r"not a readable \.po file: .*repair that line"):
        Catalogue.read(header.encode())
