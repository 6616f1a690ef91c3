"""`fieldbell check` and `fieldbell words update`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import yaml
from babel.messages import pofile

from bot import data
from bot.cli import main
from bot.dialogue.messages import messages
from bot.wording.catalogue import forms_of
from bot.wording.words import Words

if TYPE_CHECKING:
    from pathlib import Path

    import pytest
    from click.testing import CliRunner


def test_the_flows_that_come_with_fieldbell_are_proved(runner: CliRunner) -> None:
    result = runner.invoke(main, ["check"])
    assert (result.exit_code, result.stderr) == (0, "")
    english, *others = result.stdout.splitlines()[:4]
    assert english.startswith("en  English: ")
    assert english.endswith(" 0 faults; reviewed")
    for line, name in zip(
        others, ("fr  Français: ", "ha  Hausa: ", "sw  Kiswahili: "), strict=True
    ):
        assert line.startswith(name)
        assert line.endswith(" 0 faults; draft, waits for a speaker to read it")


def test_a_gap_in_a_decision_is_shown_as_an_answer_sheet(
    runner: CliRunner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flows = tmp_path / "flows"
    flows.mkdir()
    for file in data.folder("flows").iterdir():
        text = file.read_text(encoding="utf-8")
        # Low green grass now has no row.
        row = (
            '      - when: {cover: grass, herbicide_ok: true, height_cm: "<= knee_height_cm", '
            "green: true}\n        then: spray_then_till\n"
        )
        (flows / file.name).write_text(text.replace(row, ""), encoding="utf-8")
    locales = data.folder("locales")
    monkeypatch.setattr(data, "folder", {"flows": flows, "locales": locales}.__getitem__)
    data.flows.cache_clear()
    data.dialogue.cache_clear()
    try:
        result = runner.invoke(main, ["check"])
    finally:
        data.flows.cache_clear()
        data.dialogue.cache_clear()
    assert result.exit_code == 1
    assert "clearing.route" in result.stderr
    assert "cover: grass" in result.stderr
    assert "Traceback" not in result.output


def test_a_new_language_begins_with_both_files(runner: CliRunner, tmp_path: Path) -> None:
    result = runner.invoke(main, ["words", "update", "ha", "--to", str(tmp_path / "locales")])
    assert (result.exit_code, result.stderr) == (0, "")
    folder = tmp_path / "locales" / "ha"
    assert sorted(file.name for file in folder.iterdir()) == ["messages.po", "words.yaml"]
    with (folder / "messages.po").open("rb") as file:
        catalogue = pofile.read_po(file, locale="ha", abort_invalid=True)
    asked = {each.context for each in catalogue if each.id}
    assert asked == {each.context for each in messages(data.flows())}
    assert not any(form for each in catalogue if each.id for form in forms_of(each.string))
    words = Words.read((folder / "words.yaml").read_text(encoding="utf-8"))
    assert words.status == "draft"
    assert yaml.safe_load((folder / "words.yaml").read_text(encoding="utf-8"))["locale"] == "ha"


def test_an_update_keeps_what_a_translator_wrote(runner: CliRunner, tmp_path: Path) -> None:
    arguments = ["words", "update", "ha", "--to", str(tmp_path)]
    runner.invoke(main, arguments)
    po, words = tmp_path / "ha" / "messages.po", tmp_path / "ha" / "words.yaml"
    before = po.read_bytes()
    runner.invoke(main, arguments)
    assert po.read_bytes() == before
    question = b'msgid "What grows on the field now?"\nmsgstr "'
    assert question in before
    po.write_bytes(before.replace(question, question + b"Me ke girma a gona yanzu?"))
    words.write_text("a translator's own", encoding="utf-8")
    runner.invoke(main, arguments)
    assert b"Me ke girma a gona yanzu?" in po.read_bytes()
    assert words.read_text(encoding="utf-8") == "a translator's own"


def test_a_code_that_is_no_language_leaves_nothing_behind(
    runner: CliRunner, tmp_path: Path
) -> None:
    result = runner.invoke(main, ["words", "update", "../12", "--to", str(tmp_path / "locales")])
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []
