"""`fieldbell words`: begin a language, see how far it is, what is wrong, what it looks like."""

from __future__ import annotations

import re
import shutil
from typing import TYPE_CHECKING

import pytest
import yaml
from babel.messages.pofile import read_po

from bot import data
from bot.cli import main
from bot.dialogue.messages import messages
from bot.wording.gsm import segments
from bot.wording.words import Words
from bot.words_cli import words

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import CliRunner, Result

LOCALES = data.folder("locales")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of languages with Kiswahili in it."""
    copy = tmp_path / "languages"
    shutil.copytree(str(LOCALES / "sw"), copy / "sw")
    return copy


def refused(result: Result, *parts: str) -> None:
    """What was given could not be used, and one line says why."""
    assert result.exit_code == 2, result.output
    assert len(result.stderr.splitlines()) == 1
    assert [part for part in parts if part not in result.stderr] == [], result.stderr


def replace(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert text.count(old) == 1
    file.write_text(text.replace(old, new), encoding="utf-8")


# new


@pytest.mark.parametrize(
    ("code", "name"), [("ha", "Hausa"), ("fr", "français"), ("yo", "Èdè Yorùbá")]
)
def test_a_language_is_begun_under_its_own_name(
    runner: CliRunner, tmp_path: Path, code: str, name: str
) -> None:
    result = runner.invoke(words, ["new", code])
    assert (result.exit_code, result.stderr) == (0, "")
    assert "messages.po" in result.stdout
    place = tmp_path / "locales" / code
    with (place / "messages.po").open("rb") as file:
        found = {each.context: each for each in read_po(file, locale=code) if each.id}
    for each in messages(data.flows()):
        comments = " ".join(found[each.context].auto_comments)
        assert each.note in comments
        assert "room" in comments or "SMS" in comments
    assert "{day} stands for a value, for example: " in " ".join(
        found["sentences.noted_done"].auto_comments
    )
    read = Words.read((place / "words.yaml").read_text(encoding="utf-8"))
    assert (read.language, read.locale, read.status) == (name, code, "draft")


def test_a_language_that_is_there_is_not_begun_again(runner: CliRunner, folder: Path) -> None:
    before = (folder / "sw" / "messages.po").read_bytes()
    refused(runner.invoke(words, ["new", "sw", "--to", str(folder)]), "is there already", "update")
    assert (folder / "sw" / "messages.po").read_bytes() == before


@pytest.mark.parametrize("command", ["new", "update", "status", "check", "preview"])
@pytest.mark.parametrize("code", ["xx", "../12", "a b", "12"])
def test_what_is_no_language_is_refused(
    runner: CliRunner, tmp_path: Path, command: str, code: str
) -> None:
    refused(runner.invoke(words, [command, code]), code, "use a CLDR code")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["new", "status", "check", "preview"])
def test_english_is_not_translated(runner: CliRunner, command: str) -> None:
    refused(runner.invoke(words, [command, "en"]), "nothing to translate")


@pytest.mark.parametrize("command", ["status", "check", "preview"])
def test_a_language_that_is_not_there_says_how_to_begin_it(runner: CliRunner, command: str) -> None:
    refused(runner.invoke(words, [command, "ha"]), "fieldbell words new ha")


def test_a_damaged_file_is_not_written_over(runner: CliRunner, folder: Path) -> None:
    (folder / "sw" / "messages.po").write_bytes(b"mine\n")
    refused(runner.invoke(words, ["update", "sw", "--to", str(folder)]), "damaged", "line 1")
    refused(runner.invoke(words, ["status", "sw", "--in", str(folder)]), "damaged", "line 1")
    refused(runner.invoke(words, ["preview", "sw", "--in", str(folder)]), "messages.po")
    assert (folder / "sw" / "messages.po").read_bytes() == b"mine\n"


def test_words_begin_as_the_english_ones_and_say_so(runner: CliRunner, tmp_path: Path) -> None:
    for command, code, name in (("new", "yo", "Èdè Yorùbá"), ("update", "ha", "Hausa")):
        runner.invoke(words, [command, code])
        text = (tmp_path / "locales" / code / "words.yaml").read_text(encoding="utf-8")
        assert text.startswith("# The words that speakers type: put them in the place of the En")
        assert "English" not in text.replace("the English ones", "")
        assert Words.read(text).language == name


# Files as editors save them


def test_a_file_with_a_byte_order_mark_and_other_line_ends_is_read(
    runner: CliRunner, folder: Path
) -> None:
    for name in ("messages.po", "words.yaml"):
        file = folder / "sw" / name
        text = file.read_text(encoding="utf-8")
        file.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    for command in ("status", "check", "preview", "update"):
        result = runner.invoke(words, [command, "sw", "--in", str(folder)])
        assert (result.exit_code, result.stderr) == (0, ""), command
    assert (
        "sw: every text is translated"
        in runner.invoke(words, ["status", "sw", "--in", str(folder)]).stdout
    )


def test_an_empty_file_is_one_with_nothing_translated(runner: CliRunner, folder: Path) -> None:
    (folder / "sw" / "messages.po").write_bytes(b"")
    texts = len(list(messages(data.flows())))
    result = runner.invoke(words, ["status", "sw", "--in", str(folder)])
    assert f"sw: {texts} texts to do; the safety texts first" in result.stdout
    assert runner.invoke(words, ["check", "sw", "--in", str(folder)]).exit_code == 1
    assert runner.invoke(words, ["update", "sw", "--in", str(folder)]).exit_code == 0
    with (folder / "sw" / "messages.po").open("rb") as file:
        assert len([each for each in read_po(file) if each.id]) == texts


def test_a_file_in_another_charset_than_it_says_is_refused(runner: CliRunner, folder: Path) -> None:
    file = folder / "sw" / "messages.po"
    replace(file, "Nini kimeota shambani sasa?", "Nini kimeota, é?")
    file.write_bytes(file.read_text(encoding="utf-8").encode("latin-1"))
    refused(
        runner.invoke(words, ["preview", "sw", "--in", str(folder)]), "sw: messages.po", "UTF-8"
    )
    refused(runner.invoke(words, ["status", "sw", "--in", str(folder)]), "messages.po", "utf-8")


# A district's own flows


@pytest.fixture
def district(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A district with a question of its own for growers of Kiswahili, and wording of its own."""
    tank = {
        "ask": "How many litres does the union's sprayer hold?",
        "number": {"figure": "tank_l", "unit": "litre"},
        "unsure": "tank_l",
        "assume": "the tank holds {tank_l} L: measure it before you mix",
        "then": "mixes",
    }
    flows = {"planting": {"tank_l": tank}}
    file = tmp_path / "district.yaml"
    own = {
        "flows_for": {"sw": flows},
        "texts": {"sw": {"clearing.cover": "Mirindi: nini kimeota?"}},
    }
    file.write_text(yaml.safe_dump(own), encoding="utf-8")
    monkeypatch.setenv("FIELDBELL_DISTRICT", str(file))
    return file


def test_a_district_s_questions_are_counted_checked_drawn_and_translated(
    runner: CliRunner, folder: Path, district: Path
) -> None:
    assert "planting.tank_l" in {each.context for each in messages(data.flows(district, "sw"))}
    result = runner.invoke(words, ["status", "sw", "--in", str(folder)])
    assert result.stdout.splitlines()[-1] == "sw: 1 texts to do"
    result = runner.invoke(words, ["check", "sw", "--in", str(folder)])
    assert result.stdout.startswith('warning  planting.tank_l: this text is not in the file: "How')
    result = runner.invoke(words, ["preview", "sw", "--in", str(folder)])
    assert "planting.tank_l\n" in result.stdout
    assert "Mirindi: nini kimeota?" in result.stdout
    assert runner.invoke(words, ["update", "sw", "--in", str(folder)]).exit_code == 0
    assert "union's sprayer" in (folder / "sw" / "messages.po").read_text(encoding="utf-8")


def test_another_language_has_the_common_questions(runner: CliRunner, district: Path) -> None:
    assert district.exists()
    runner.invoke(words, ["new", "ha"])
    result = runner.invoke(words, ["status", "ha"])
    texts = len(list(messages(data.flows())))
    assert f"ha: {texts} texts to do; the safety texts first" in result.stdout


def test_settings_are_those_of_the_file_named(
    runner: CliRunner, folder: Path, district: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FIELDBELL_DISTRICT")
    settings = folder / "settings.toml"
    settings.write_text(f'district = "{district}"', encoding="utf-8")
    arguments = ["--settings", str(settings), "words", "status", "sw", "--in", str(folder)]
    assert runner.invoke(main, arguments).stdout.endswith("sw: 1 texts to do\n")
    settings.write_text('district = "nowhere.yaml"', encoding="utf-8")
    result = runner.invoke(main, arguments)
    assert result.exit_code == 1
    assert "nowhere.yaml cannot be read" in result.stderr
    assert "Traceback" not in result.output


# What the other commands say of a language that growers cannot have


@pytest.mark.parametrize("command", ["check", "figures", "talk", "serve", "send"])
@pytest.mark.parametrize("name", ["messages.po", "words.yaml"])
def test_a_broken_language_is_one_line_that_names_its_file(
    runner: CliRunner, tmp_path: Path, command: str, name: str
) -> None:
    locales = tmp_path / "locales"
    shutil.copytree(str(LOCALES), locales)
    file = locales / "sw" / name
    file.write_bytes(b"\xe9" + file.read_bytes())
    environ = {"FIELDBELL_LOCALES": str(locales), "FIELDBELL_DATA": str(tmp_path / "data")}
    result = runner.invoke(main, [command], env=environ)
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    assert line.startswith(f"Error: the languages: sw/{name}")
    assert "UTF-8" in line


def test_the_proof_fails_for_a_language_without_a_safety_text(
    runner: CliRunner, tmp_path: Path
) -> None:
    locales = tmp_path / "locales"
    shutil.copytree(str(LOCALES), locales)
    english = next(
        each.text for each in messages(data.flows()) if each.context == "cautions.tools.1"
    )
    po = (locales / "sw" / "messages.po").read_text(encoding="utf-8")
    found = re.search(re.escape(f'msgid "{english}"\nmsgstr "') + '[^"]+"', po)
    assert found
    po = po.replace(found[0], f'msgid "{english}"\nmsgstr ""')
    (locales / "sw" / "messages.po").write_text(po, encoding="utf-8")
    result = runner.invoke(main, ["check"], env={"FIELDBELL_LOCALES": str(locales)})
    assert result.exit_code == 1
    assert "sw, cautions.tools.1: this safety text is not translated" in result.stderr
    assert "not offered for want of safety texts" in result.stdout


def test_english_that_a_district_makes_unsafe_is_refused(runner: CliRunner, tmp_path: Path) -> None:
    file = tmp_path / "district.yaml"
    texts = {"en": {"cautions.tools.1": "Take care. " * 40}}
    file.write_text(yaml.safe_dump({"texts": texts}), encoding="utf-8")
    result = runner.invoke(main, ["check"], env={"FIELDBELL_DISTRICT": str(file)})
    assert result.exit_code == 1
    assert "the English of cautions.tools.1 is too long" in result.stderr
    assert "Traceback" not in result.output


# status


def test_status_counts_parts_with_safety_first(runner: CliRunner, folder: Path) -> None:
    runner.invoke(words, ["new", "ha", "--to", str(folder)])
    result = runner.invoke(words, ["status", "--in", str(folder)])
    assert (result.exit_code, result.stderr) == (0, "")
    texts = list(messages(data.flows()))
    safety = sum(each.safety for each in texts)
    lines = result.stdout.splitlines()
    assert lines[0].split() == ["part", "texts", "translated", "fuzzy", "missing"]
    assert lines[1].split() == ["safety", str(safety), "0", "0", str(safety)]
    assert f"ha: {len(texts)} texts to do; the safety texts first" in lines
    assert lines[-2].split() == ["sw", str(len(texts)), str(len(texts)), "0", "0"]
    assert lines[-1] == "sw: every text is translated"


def test_an_empty_folder_says_what_to_do(runner: CliRunner) -> None:
    refused(runner.invoke(words, ["status"]), "no language is there", "words new")


# check


def test_a_language_without_slips_passes_and_its_season_is_priced(
    runner: CliRunner, folder: Path
) -> None:
    arguments = ["check", "sw", "--in", str(folder), "--growers", "100", "--price", "2"]
    result = runner.invoke(words, arguments)
    assert (result.exit_code, result.stderr) == (0, "")
    first, cost, offered = result.stdout.splitlines()
    assert first == "sw: 0 errors, 0 warnings"
    found = re.fullmatch(
        r"A season of 100 growers is about ([\d,]+) SMS: ([\d,]+)\.00 at 2 each\.", cost
    )
    assert found is not None
    sms, money = (int(each.replace(",", "")) for each in found.groups())
    assert money == 2 * sms
    assert sms % 100 == 0
    assert offered.endswith("it can be offered to growers.")


def test_slips_are_told_one_a_line_and_errors_are_an_exit_of_1(
    runner: CliRunner, folder: Path
) -> None:
    po = folder / "sw" / "messages.po"
    replace(po, 'msgstr "Nini kimeota shambani sasa?"', 'msgstr "Nini kimeota {sasa}?"')
    replace(folder / "sw" / "words.yaml", "done: [done,", "done: [done, end,")
    result = runner.invoke(words, ["check", "sw", "--in", str(folder)])
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    assert lines[0].startswith("error    clearing.cover: {sasa} is not in the English; write")
    assert "'end' stops all texts in English; take it out" in lines[1]
    assert lines[2] == "sw: 2 errors, 0 warnings"
    assert "Traceback" not in result.output


def test_a_language_just_begun_lists_safety_texts_and_a_few_of_the_others(
    runner: CliRunner, folder: Path
) -> None:
    runner.invoke(words, ["new", "ha", "--to", str(folder)])
    result = runner.invoke(words, ["check", "ha", "--in", str(folder)])
    assert result.exit_code == 1
    texts = list(messages(data.flows()))
    safety = [each.context for each in texts if each.safety]
    errors = [each for each in result.stdout.splitlines() if each.startswith("error")]
    assert [each.split()[1].removesuffix(":") for each in errors] == safety
    assert f"warning  {len(texts) - len(safety) - 10} more of these; translate it" in result.stdout
    assert "It is not offered to growers before every safety text" in result.stdout


def test_letters_outside_gsm_are_named_and_priced(runner: CliRunner, folder: Path) -> None:
    po = folder / "sw" / "messages.po"
    replace(po, 'msgstr "Nini kimeota shambani sasa?"', 'msgstr "Nini kimeota shambani ƙasa?"')
    result = runner.invoke(words, ["check", "sw", "--in", str(folder), "--price", "0.5"])
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0].startswith("warning  clearing.cover: 'ƙ' is outside the basic set of phones")
    plain, folded = (
        int(found.replace(",", ""))
        for line in lines
        for found in re.findall(r"([\d,]+) SMS: ", line)
    )
    dear = re.search(
        r"Letters outside the basic set cost ([\d,]+) of them: ([\d,]+)\.00\.", result.stdout
    )
    assert dear
    letters, money = (int(each.replace(",", "")) for each in dear.groups())
    assert plain - folded == letters == 2 * money > 0


def test_a_broken_language_beside_it_does_not_stand_in_the_way(
    runner: CliRunner, folder: Path
) -> None:
    shutil.copytree(folder / "sw", folder / "ha")
    (folder / "ha" / "words.yaml").write_text("language: [", encoding="utf-8")
    assert runner.invoke(words, ["check", "sw", "--in", str(folder)]).exit_code == 0
    result = runner.invoke(words, ["check", "ha", "--in", str(folder)])
    assert result.exit_code == 1
    assert result.stdout.startswith("error    words.yaml: not readable as YAML")


def test_words_that_are_no_text_are_refused(runner: CliRunner, folder: Path) -> None:
    (folder / "sw" / "words.yaml").write_bytes(b"\xff\xfe")
    refused(runner.invoke(words, ["check", "sw", "--in", str(folder)]), "save it as UTF-8")


# preview


def test_every_text_is_drawn_the_hardest_first(runner: CliRunner, folder: Path) -> None:
    result = runner.invoke(words, ["preview", "sw", "--in", str(folder)])
    assert (result.exit_code, result.stderr) == (0, "")
    phones = result.stdout.strip().split("\n\n")
    assert len(phones) > 300
    tight = []
    for each in phones:
        caption = each.splitlines()[1]
        found = re.match(r"(\d+) SMS of at most (\d+), (\d+) characters", caption)
        assert found is not None, caption
        used, most, _ = map(int, found.groups())
        assert each.count("- SMS ") == used - 1
        frame = [line for line in each.splitlines() if line.startswith("  ")]
        assert {len(line) for line in frame} == {32}
        tight.append(used / most)
    assert tight == sorted(tight, reverse=True)


def test_a_drawn_text_is_the_whole_text(runner: CliRunner, folder: Path) -> None:
    result = runner.invoke(words, ["preview", "sw", "--in", str(folder)])
    drawn = next(
        each for each in result.stdout.split("\n\n") if each.startswith("clearing.height_cm\n")
    )
    lines = [line[4:-2].strip() for line in drawn.splitlines() if line.startswith("  | ")]
    shown = " ".join(lines).partition("Mara ya")[0].strip()
    assert shown.startswith("Mimea hiyo ina urefu gani, kwa sm? Goti lako liko kama sm 50.")
    assert segments(shown) == 1
    assert "USSD: 1 screen" in drawn


def test_letters_are_told_and_accents_take_no_column(runner: CliRunner, folder: Path) -> None:
    po = folder / "sw" / "messages.po"
    replace(po, 'msgstr "Nini kimeota shambani sasa?"', 'msgstr "ọ̀gbẹ́ni ṣọ́ọ̀bù?"')
    result = runner.invoke(words, ["preview", "sw", "--in", str(folder)])
    drawn = next(
        each for each in result.stdout.split("\n\n") if each.startswith("clearing.cover\n")
    )
    assert "letters outside the basic set" in drawn
    assert f"| ọ̀gbẹ́ni ṣọ́ọ̀bù?{' ' * (26 - len('ogbeni soobu?'))} |" in drawn


def test_only_the_hardest_are_drawn_when_asked(runner: CliRunner, folder: Path) -> None:
    result = runner.invoke(words, ["preview", "sw", "--in", str(folder), "--hard", "3"])
    assert len(result.stdout.strip().split("\n\n")) == 3
    result = runner.invoke(words, ["preview", "sw", "--in", str(folder), "--hard", "0"])
    assert result.exit_code == 2
