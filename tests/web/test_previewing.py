"""A language's texts as the phone shows them, and a translator's file seen before it is saved."""

from __future__ import annotations

import random
import re
import time
from html import unescape
from importlib.resources import as_file
from io import BytesIO
from shutil import copytree
from typing import TYPE_CHECKING
from urllib.parse import quote

import pytest
import smsutil
from werkzeug.datastructures import FileStorage
from werkzeug.test import encode_multipart

from bot import data
from bot.dialogue.fitting import fit
from bot.dialogue.messages import messages
from bot.settings import Settings
from bot.web.previewing import TEXTS_A_PAGE, WRONG_KEYS, Entry, entries
from bot.web.uploads import MOST_PO_BYTES, Refused, accept, carried, read_upload, unpacked
from bot.wording.catalogue import Catalogue
from tests.web.test_trying import app_of, check_page

if TYPE_CHECKING:
    from pathlib import Path

    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

KEY = "the reviewer's key"
MULTIPART = "multipart/form-data"


def po_of(code: str = "sw") -> bytes:
    return data.folder("locales").joinpath(code, "messages.po").read_bytes()


def edited(old: str, new: str) -> bytes:
    po = po_of().decode()
    assert old in po
    return po.replace(old, new, 1).encode()


COVER = 'msgid "What grows on the field now?"\nmsgstr "'


@pytest.fixture(scope="module")
def found() -> dict[str, Entry]:
    """Every text of Kiswahili, by name."""
    dialogue = data.dialogue()
    listed = entries(dialogue.flows, dialogue.voice("sw"), {}, po_of())
    return {each.context: each for each in listed}


@pytest.fixture
def locales(tmp_path: Path) -> Path:
    """A folder of languages of the operator's own."""
    folder = tmp_path / "locales"
    with as_file(data.folder("locales")) as ours:
        copytree(ours, folder)
    return folder


@pytest.fixture
def client(locales: Path) -> FlaskClient:
    return app_of(Settings(reviewer_key=KEY, locales=locales)).test_client()


def upload(client: FlaskClient, po: bytes, path: str = "/try/words/sw") -> TestResponse:
    # Encoded here, as the test client itself would put a large file on disk.
    boundary, body = encode_multipart({"po": FileStorage(BytesIO(po), "messages.po")})
    return client.post(path, data=body, content_type=f"{MULTIPART}; boundary={boundary}")


def carried_in(answer: TestResponse) -> str:
    found = re.search(r'name="carried" value="([^"]+)"', answer.text)
    assert found, answer.text
    return found[1]


# The list


def test_every_text_is_there_a_label_under_its_question(found: dict[str, Entry]) -> None:
    flows = data.flows()
    for message in messages(flows):
        assert message.context in found or message.context.partition("=")[0] in found
    assert set(flows.operations) == {
        name.removeprefix("operations.") for name in found if re.fullmatch(r"operations\.\w+", name)
    }


def test_hard_ones_come_first(found: dict[str, Entry]) -> None:
    shares = [(each.over, each.hardest.size.units / each.hardest.room) for each in found.values()]
    assert shares == sorted(shares, reverse=True)


def test_a_question_stands_as_the_phone_shows_it(found: dict[str, Entry]) -> None:
    dialogue = data.dialogue()
    step = dialogue.flows.step("menu", "choice")
    shown = found["menu.choice"].texts[0].text
    assert shown == dialogue.voice("sw").question(step, {})


def test_segments_agree_with_another_package_and_their_parts_are_the_text(
    found: dict[str, Entry],
) -> None:
    for entry in found.values():
        for shown in entry.texts:
            assert "".join(shown.parts) == shown.text
            assert len(shown.parts) == shown.size.segments
            assert len(smsutil.split(shown.text).parts) == shown.size.segments


def test_what_is_over_here_is_what_the_check_finds(found: dict[str, Entry]) -> None:
    dialogue = data.dialogue()
    faults = fit(dialogue.flows, data.languages()["sw"], dialogue.voice("sw"))
    over = {each.where for each in faults if "budget" in each.what or "screens" in each.what}
    assert {f"sw, {each.context}" for each in found.values() if each.over} == over


def test_no_placeholder_is_left_unfilled(found: dict[str, Entry]) -> None:
    assert not [each.context for each in found.values() for it in each.texts if "{" in it.text]


def test_each_text_has_a_page_with_its_neighbours_and_the_english(client: FlaskClient) -> None:
    path = "/try/words/sw"
    listed = client.get(path)
    path = re.findall(r'<h2><a class="" href="([^"]+)"', listed.text)[0]
    names = []
    for _ in range(2 * TEXTS_A_PAGE):
        answer = client.get(unescape(path))
        assert answer.status_code == 200
        check_page(answer.text)
        assert "The English" in answer.text
        names.append(path)
        following = re.search(r'href="([^"]+)">Next<', answer.text)
        assert following
        path = following[1]
    assert len(set(names)) == len(names)


def test_names_with_marks_in_them_can_be_linked(client: FlaskClient) -> None:
    for name in ("clearing.height_cm?", "clearing.cover!", "clearing.cover=woody", "sentences.no"):
        answer = client.get(f"/try/words/sw/{quote(name)}")
        assert answer.status_code == 200
    assert "<h1>clearing.cover " in client.get("/try/words/sw/clearing.cover%3Dwoody").text


@pytest.mark.parametrize("path", ["xx", "..", "sw/nope", "sw/../en", "en/%3Cb%3E", "sw%2F.."])
def test_what_is_no_language_or_text_has_no_page(client: FlaskClient, path: str) -> None:
    assert client.get(f"/try/words/{path}").status_code == 404
    assert client.post(f"/try/words/{path}").status_code == 404


@pytest.mark.parametrize("query", ["page=0", "page=999", "page=x", "show=%3Cb%3E", "page=-1"])
def test_any_page_number_or_choice_is_answered(client: FlaskClient, query: str) -> None:
    answer = client.get(f"/try/words/sw?{query}")
    assert answer.status_code == 200
    assert "<b>&" not in answer.text


def test_a_language_not_offered_yet_has_its_pages(locales: Path) -> None:
    copytree(locales / "sw", locales / "xs")
    app = app_of(Settings(locales=locales))
    answer = app.test_client().get("/try/words/xs")
    assert answer.status_code == 200
    assert "Growers are not offered it" in answer.text
    assert "language=xs" not in answer.text


def test_each_form_of_a_counted_text_is_shown_beside_those_of_the_english(
    client: FlaskClient,
) -> None:
    page = unescape(client.get("/try/words/sw/gaps.few.1").text)
    glasses = re.findall(r"Leta (?:vipande|kipande) [\d,]+", page)
    assert "Leta kipande 1" in glasses
    assert any(each.startswith("Leta vipande") for each in glasses)
    assert "Bring 1 stake to fill the gaps." in page
    assert re.search(r"Bring [\d,]+ stakes to fill the gaps\.", page)


# Edit and see


def test_an_uploaded_file_is_shown_marked_and_not_saved(
    client: FlaskClient, locales: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_file(*_: object, **__: object) -> None:
        pytest.fail("the upload went to the disk")

    # What Flask's own reader of forms makes for a file, were it asked.
    monkeypatch.setattr("werkzeug.formparser.SpooledTemporaryFile", no_file)
    answer = upload(client, edited(COVER, COVER + "<i>Ɓila</i> "), "/try/words/sw?show=changed")
    assert answer.status_code == 200
    check_page(answer.text)
    assert "<i>Ɓila" not in answer.text
    assert "&lt;i&gt;Ɓila&lt;/i&gt;" in answer.text
    assert "Changed (1)" in answer.text
    assert "UCS-2" in answer.text
    assert (locales / "sw" / "messages.po").read_bytes() == po_of()
    assert "Ɓila" not in client.get("/try/words/sw").text
    alone = {"carried": carried_in(answer)}
    answer = client.post("/try/words/sw/clearing.cover", data=alone, content_type=MULTIPART)
    assert "&lt;i&gt;Ɓila" in answer.text
    assert "changed" in answer.text


def test_a_missing_and_a_fuzzy_text_are_marked_and_come_in_english(client: FlaskClient) -> None:
    po = po_of().decode()
    entry = re.search(re.escape(COVER) + r'[^"]+"', po)
    assert entry
    po = po.replace(entry[0], COVER + '"')
    po = po.replace('msgctxt "clearing.green"', '#, fuzzy\nmsgctxt "clearing.green"')
    answer = upload(client, po.encode(), "/try/words/sw?show=missing")
    assert "Missing or fuzzy (2)" in answer.text
    assert answer.text.count(">missing<") == 1
    assert answer.text.count(">fuzzy<") == 1
    assert "What grows on the field now?" in answer.text


@pytest.mark.parametrize(
    ("po", "reason"),
    [
        (b"", "No file was chosen"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "no .po file"),
        (b"hello", "no .po file"),
        (b'msgid "a"\nmsgstr "b"\n', "none of Fieldbell"),
        (b'msgid "{a}"\nmsgstr "{b}"\n', "no .po file"),
        (b'msgid ""\nmsgstr ""\n"Language: fr\\n"\n', "for the language"),
        (b'msgid ""\nmsgstr ""\n"POT-Creation-Date: <b>\\n"\n', "no .po file"),
        (b"#" * (MOST_PO_BYTES + 1), "over 1 MiB"),
        (b"#" * (3 * MOST_PO_BYTES), "over 1 MiB"),
    ],
)
def test_a_broken_or_foreign_file_is_refused_in_a_line(
    client: FlaskClient, po: bytes, reason: str
) -> None:
    answer = upload(client, po)
    assert answer.status_code in {400, 413}
    notice = re.search(r'<p class="notice" role="alert">(.*?)</p>', answer.text)
    assert notice
    assert reason in unescape(notice[1])
    assert "<b>" not in notice[1]
    assert "Traceback" not in answer.text


def test_a_file_whose_texts_leave_no_room_is_refused(client: FlaskClient) -> None:
    more = 'msgid "0 more"\nmsgstr "'
    answer = upload(client, edited(more, more + "a" * 200))
    assert answer.status_code == 400
    assert "no room on a screen" in unescape(answer.text)


def test_a_file_saved_with_a_byte_order_mark_is_shown(client: FlaskClient) -> None:
    po = po_of().replace(b'msgctxt "clearing.green"', b'#, fuzzy\nmsgctxt "clearing.green"')
    answer = upload(client, b"\xef\xbb\xbf" + po.replace(b"\n", b"\r\n"))
    assert answer.status_code == 200
    assert "Missing or fuzzy (1)" in answer.text


def test_a_file_in_another_charset_than_it_says_is_told_how_to_save_it(client: FlaskClient) -> None:
    po = edited(COVER, COVER + "é").decode().encode("latin-1")
    answer = upload(client, po)
    assert answer.status_code == 400
    assert "save the file as UTF-8" in answer.text


def unsafe(po: bytes) -> bytes:
    """The file without its translation of one safety text."""
    english = next(each for each in messages(data.flows()) if each.context == "cautions.tools.1")
    found = re.search(re.escape(f'msgid "{english.text}"\nmsgstr "').encode() + b'[^"]+"', po)
    assert found
    return po.replace(found[0], f'msgid "{english.text}"\nmsgstr ""'.encode())


def test_a_file_that_keeps_its_language_from_growers_says_so_when_shown(
    client: FlaskClient,
) -> None:
    answer = upload(client, unsafe(po_of()))
    check_page(answer.text)
    assert "Growers are not offered Kiswahili" in answer.text
    assert "cautions.tools.1" in re.findall(r'role="alert">([^<]+)', answer.text)[0]
    assert "Growers are not offered" not in upload(client, po_of()).text


def test_english_has_no_file_to_try(client: FlaskClient) -> None:
    assert upload(client, po_of(), "/try/words/en").status_code == 400
    assert 'type="file"' not in client.get("/try/words/en").text


def test_damaged_files_are_never_an_error_of_the_server() -> None:
    flows, whole, dice = data.flows(), po_of()[:4000], random.Random(5)  # noqa: S311 - no secret
    pieces = [
        b'"',
        b"\\",
        b"{",
        b"charset=utf-16",
        b"nplurals=x",
        b"\xff",
        b"msgstr[3]",
        b"\n",
        b"",
    ]
    for _ in range(300):
        at = dice.randrange(len(whole))
        po = whole[:at] + dice.choice(pieces) + whole[at + dice.randrange(20) :]
        read = read_upload(po, "sw", flows)
        assert not isinstance(read, Refused) or "\n" not in read.reason


def test_letters_the_operator_folds_are_folded_here_too(locales: Path) -> None:
    folded = app_of(Settings(locales=locales, fold_letters="en, sw")).test_client()
    answer = upload(folded, edited(COVER, COVER + "ƙila "), "/try/words/sw?show=changed")
    assert "kila " in answer.text
    assert "UCS-2" not in answer.text


# Carrying and accepting


def test_a_file_comes_back_from_the_form_as_it_went() -> None:
    assert unpacked(carried(po_of())) == po_of()
    assert unpacked("") == unpacked("no!") == unpacked("AAAA") == unpacked("é") == b""


def test_a_small_field_cannot_unpack_to_a_huge_file() -> None:
    assert len(unpacked(carried(bytes(50 * MOST_PO_BYTES)))) == MOST_PO_BYTES + 1


def accepting(client: FlaskClient, po: bytes, key: str) -> TestResponse:
    sent = {"carried": carried(po), "key": key}
    return client.post("/try/accept/sw", data=sent, content_type=MULTIPART)


def test_a_reviewer_accepts_a_file_and_is_told_what_was_written(
    client: FlaskClient, locales: Path
) -> None:
    po = edited(COVER, COVER + "Je, ")
    answer = accepting(client, po, KEY)
    assert answer.status_code == 200
    assert f"{len(po)} bytes were written to sw/messages.po" in answer.text
    assert "restarted" in answer.text
    assert (locales / "sw" / "messages.po").read_bytes() == po
    names = {each.name for each in (locales / "sw").iterdir()}
    assert names == {"messages.po", "words.yaml"}
    # The running server goes on as it was; one started anew has the file.
    assert "Je, " not in client.get("/try/words/sw/clearing.cover").text
    assert (
        Catalogue.read(po).text("What grows on the field now?", "clearing.cover").startswith("Je, ")
    )


def test_a_reviewer_is_told_that_a_file_keeps_its_language_from_growers(
    client: FlaskClient, locales: Path
) -> None:
    po = unsafe(po_of())
    answer = accepting(client, po, KEY)
    assert answer.status_code == 200
    assert "bytes were written" in answer.text
    assert "Growers are not offered Kiswahili" in answer.text
    assert "cautions.tools.1" in answer.text
    assert "Growers get these texts" not in answer.text
    # And so it is, once the server is started anew.
    data.languages.cache_clear()
    data.dialogue.cache_clear()
    try:
        anew = app_of(Settings(locales=locales)).test_client()
    finally:
        data.languages.cache_clear()
        data.dialogue.cache_clear()
    page = anew.get("/try/words/sw").text
    assert "Growers are not offered it." in page
    assert "cautions.tools.1" in page


def test_a_reviewer_is_told_that_a_language_is_not_among_those_offered(locales: Path) -> None:
    settings = Settings(reviewer_key=KEY, locales=locales, languages="en")
    answer = accepting(app_of(settings).test_client(), po_of(), KEY)
    assert answer.status_code == 200
    assert "Kiswahili is not among the languages that the setting" in answer.text
    assert "Growers get these texts" not in answer.text


def test_guessing_the_key_is_slowed(
    client: FlaskClient, locales: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = time.time()
    monkeypatch.setattr("time.time", lambda: begun)
    for _ in range(WRONG_KEYS.amount):
        assert accepting(client, po_of(), "wrong").status_code == 403
    po = edited(COVER, COVER + "Je, ")
    answer = accepting(client, po, KEY)
    assert answer.status_code == 429
    assert "Too many wrong keys" in answer.text
    assert (locales / "sw" / "messages.po").read_bytes() == po_of()
    assert unpacked(carried_in(answer)) == po
    # Another address is not slowed, and this one no longer once the time is over.
    elsewhere = {"REMOTE_ADDR": "192.0.2.7"}
    sent = {"carried": carried(po), "key": "wrong"}
    other = client.post("/try/accept/sw", data=sent, content_type=MULTIPART, environ_base=elsewhere)
    assert other.status_code == 403
    monkeypatch.setattr("time.time", lambda: begun + WRONG_KEYS.get_expiry() + 1)
    assert accepting(client, po, KEY).status_code == 200


@pytest.mark.parametrize("key", ["", "wrong", "é", KEY + " "])
def test_without_the_key_nothing_is_written(client: FlaskClient, locales: Path, key: str) -> None:
    answer = accepting(client, po_of(), key)
    assert answer.status_code == 403
    assert "nothing was written" in answer.text
    assert unpacked(carried_in(answer)) == po_of()  # the key can be given again
    assert (locales / "sw" / "messages.po").read_bytes() == po_of()


@pytest.mark.parametrize(
    "po", [b"", b"hello", b'msgid "a"\nmsgstr "b"\n', bytes(2 * MOST_PO_BYTES)]
)
def test_a_file_that_cannot_be_read_is_not_accepted(
    client: FlaskClient, locales: Path, po: bytes
) -> None:
    answer = accepting(client, po, KEY)
    assert answer.status_code == 400
    assert "Nothing was written" in answer.text
    assert (locales / "sw" / "messages.po").read_bytes() == po_of()


@pytest.mark.parametrize("key", ["", KEY])
def test_accepting_is_off_unless_both_settings_turn_it_on(locales: Path, key: str) -> None:
    for offered in (Settings(locales=locales), Settings(reviewer_key=KEY), Settings()):
        client = app_of(offered).test_client()
        answer = accepting(client, po_of(), key)
        assert answer.status_code == 403
        assert "Accepting is off" in answer.text
        assert "Reviewer" not in upload(client, po_of()).text
    assert (locales / "sw" / "messages.po").read_bytes() == po_of()


def test_only_a_known_language_can_be_accepted(client: FlaskClient) -> None:
    sent = {"carried": carried(po_of()), "key": KEY}
    for lang in ("xx", "..", "%2e%2e"):
        assert client.post(f"/try/accept/{lang}", data=sent).status_code == 404
    assert client.post("/try/accept/en", data=sent).status_code == 403


def test_a_folder_that_cannot_be_written_is_told(
    client: FlaskClient, locales: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.fsync", full)
    answer = accepting(client, po_of(), KEY)
    assert answer.status_code == 500
    assert "Nothing was written: No space left on device" in answer.text
    assert (locales / "sw" / "messages.po").read_bytes() == po_of()


def full(_: int) -> None:
    raise OSError(28, "No space left on device")


def test_writing_that_fails_leaves_the_old_file_and_nothing_else(
    locales: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.fsync", full)
    file = locales / "sw" / "messages.po"
    with pytest.raises(OSError, match="No space"):
        accept(b"new", file)
    assert file.read_bytes() == po_of()
    assert {each.name for each in file.parent.iterdir()} == {"messages.po", "words.yaml"}
