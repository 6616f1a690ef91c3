"""Reading a folder of languages."""

import shutil
from pathlib import Path

import pytest

from bot.wording.languages import read_languages

LOCALES = Path(__file__).parents[2] / "locales"
PO = rb"""msgid ""
msgstr ""
"Content-Type: text/plain; charset=UTF-8\n"

msgid "Welcome"
msgstr "Karibu"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for code in ("en", "sw"):
        (tmp_path / code).mkdir()
        shutil.copy(LOCALES / code / "words.yaml", tmp_path / code)
    (tmp_path / "sw" / "messages.po").write_bytes(PO)
    (tmp_path / "README.txt").write_text("files beside the folders are ignored")
    return tmp_path


def test_languages(folder: Path) -> None:
    languages = read_languages(folder)
    assert list(languages) == ["en", "sw"]
    assert languages["sw"].code == "sw"
    assert languages["sw"].draft
    assert not languages["en"].draft
    assert languages["en"].catalogue.text("Welcome") == "Welcome"
    assert languages["sw"].catalogue.text("Welcome") == "Karibu"
    assert languages["sw"].words.answer("ndiyo") == "yes"


def test_english_may_have_a_catalogue_too(folder: Path) -> None:
    (folder / "en" / "messages.po").write_bytes(PO.replace(b"Karibu", b"Hello"))
    assert read_languages(folder)["en"].catalogue.text("Welcome") == "Hello"


def test_other_languages_need_their_texts(folder: Path) -> None:
    (folder / "sw" / "messages.po").unlink()
    with pytest.raises(ValueError, match=r"^sw/messages.po is missing"):
        read_languages(folder)


def test_a_fault_names_its_file(folder: Path) -> None:
    (folder / "sw" / "messages.po").write_bytes(b"hello")
    with pytest.raises(ValueError, match=r"^sw/messages.po: not a readable"):
        read_languages(folder)
    (folder / "en" / "words.yaml").write_text("language: English")
    with pytest.raises(ValueError, match=r"^en/words.yaml: .*missing required field"):
        read_languages(folder)
    (folder / "en" / "words.yaml").unlink()
    with pytest.raises(ValueError, match=r"^en/words.yaml is missing"):
        read_languages(folder)
    (folder / "en").rmdir()
    with pytest.raises(ValueError, match=r" has no folder en; copy the one"):
        read_languages(folder)


def test_words_in_another_charset_are_told_how_to_save_them(folder: Path) -> None:
    (folder / "sw" / "words.yaml").write_bytes("language: Èdè".encode("latin-1"))
    with pytest.raises(ValueError, match=r"^sw/words.yaml is not UTF-8 text; save it as UTF-8"):
        read_languages(folder)


def test_a_damaged_header_names_its_file(folder: Path) -> None:
    damaged = PO.replace(b'"Content', b'"PO-Revision-Date: 2026\\n"\n"Content')
    (folder / "sw" / "messages.po").write_bytes(damaged)
    with pytest.raises(
        ValueError, match=r"^sw/messages.po: not a readable .po file: .*repair that line"
    ):
        read_languages(folder)
