from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.enrolment.columns import (
    MEANINGS,
    Columns,
    FileFault,
    consent_words,
    no_phone,
    recognise,
)

# The titles are from memory of how such lists are headed in each language.


@pytest.mark.parametrize(
    ("titles", "found"),
    [
        ("Phone number,Full name,Village,Language,Consent", Columns(0, 1, 2, 3, 4)),
        ("Jina la mkulima,Simu ya mkononi,Kijiji,Lugha,Ridhaa", Columns(1, 0, 2, 3, 4)),
        ("N° de téléphone,Nom et prénoms,Village,Langue,Consentement", Columns(0, 1, 2, 3, 4)),
        ("N° DE TELEPHONE,NOM ET PRENOMS,VILLAGE,LANGUE,D\u2019ACCORD", Columns(0, 1, 2, 3, 4)),
        ("Suna,Lambar waya,Ƙauye,Harshe,Yarda", Columns(1, 0, 2, 3, 4)),
        ("SUNA,LAMBAR-WAYA,KAUYE,HARSHE,YARDA", Columns(1, 0, 2, 3, 4)),
        ("phone_number,name", Columns(0, 1)),
        ("PhoneNumber,name", Columns(0, 1)),
        (" Tel. :,Name *", Columns(0, 1)),
        ("Simu / Phone,Jina (Name)", Columns(0, 1)),
        ("Phone (as dialled),Name", Columns(0, 1)),
        ("No,,Phone,Acres", Columns(2, ignored=("No", "Acres"))),
    ],
)
def test_a_header_in_four_languages(titles: str, found: Columns) -> None:
    assert recognise(titles.split(","), {}) == found


@pytest.mark.parametrize("titles", ["", "Name,Village", "0712345678,Asha", "Phone / Name"])
def test_no_header(titles: str) -> None:
    assert recognise(titles.split(","), {}) is None


def test_two_columns_of_one_meaning_are_named() -> None:
    with pytest.raises(FileFault, match=r"'Simu' and 'Mobile' both look like the phone; .*map"):
        recognise(["Simu", "Jina", "Mobile"], {})


def test_mapping_one_of_two_settles_it() -> None:
    found = recognise(["Simu", "Jina", "Mobile"], {"phone": "mobile"})
    assert found == Columns(2, 1, ignored=("Simu",))


def test_a_mapping_wins_over_what_would_be_recognised() -> None:
    found = recognise(["Phone", "Name", "Nickname"], {"name": "Nickname"})
    assert found == Columns(0, 2, ignored=("Name",))


def test_a_title_is_taken_as_written_before_it_is_taken_loosely() -> None:
    assert recognise(["contact 1", "Contact 1"], {"phone": "Contact 1"}) == Columns(
        1, ignored=("contact 1",)
    )


@pytest.mark.parametrize(
    ("mapping", "said"),
    [
        ({"name": "Nmae"}, "no column is called 'Nmae' for the name; did you mean Name?"),
        ({"fone": "Phone"}, "no column can be 'fone'; did you mean phone?"),
        ({"village": "Place"}, "2 columns are called 'Place', so the village may be any of them"),
    ],
)
def test_a_mapping_that_cannot_be(mapping: dict[str, str], said: str) -> None:
    with pytest.raises(FileFault) as caught:
        recognise(["Phone", "Name", "Place", "place ", "Place"], mapping)
    assert said in str(caught.value)
    assert caught.value.header[0] == "Phone"


def test_a_file_without_a_phone_column_says_what_it_saw() -> None:
    fault = no_phone(["Jina", "", "Kijiji"], {})
    assert "'Jina', 'Kijiji'" in str(fault)
    assert fault.header == ("Jina", "", "Kijiji")
    assert "did you mean Jina?" in str(no_phone(["Jina"], {"phone": "Jna"}))


def test_consent_words_of_four_languages() -> None:
    words = consent_words()
    for yes in ("yes", "1", "x", "ndiyo", "oui", "eh"):
        assert words[yes] == "yes"
    for no in ("no", "0", "hapana", "non", "aa"):  # a'a without its apostrophe
        assert words[no] == "no"
    # "N" is "no" in one language and "ndiyo" in another.
    assert "n" not in words


@given(st.lists(st.text(max_size=20), max_size=8))
def test_any_titles_are_recognised_or_not(titles: list[str]) -> None:
    try:
        found = recognise(titles, {})
    except FileFault:
        return
    if found:
        places = [getattr(found, meaning) for meaning in MEANINGS]
        taken = [place for place in places if place is not None]
        assert len(set(taken)) == len(taken)
        named = sum(bool(title.strip()) for title in titles)
        assert len(found.ignored) + len(taken) == named
