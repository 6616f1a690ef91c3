"""A district's own questions and wording: laid over the flows, and proved like them."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest
import yaml

from bot import data
from bot.dialogue.fitting import fit
from bot.dialogue.proof import prove
from bot.dialogue.slips import FlowError
from bot.testing import Conversation

if TYPE_CHECKING:
    from pathlib import Path

MONDAY = date(2026, 3, 2)

TANK = {
    "ask": "How many litres does your sprayer's tank hold?",
    "number": {"figure": "tank_l", "unit": "litre"},
    "unsure": "tank_l",
    "assume": "the tank holds {tank_l} L: measure it before you mix",
    "then": "water_is_near",
}
NEAR = {
    "ask": "Is there water within 100 m of the field?",
    "yes_no": True,
    "unsure": False,
    "assume": "the water is far",
    "on_sheet": True,
    "then": "water_far",
}
FAR = {
    "advise": [
        {"when": {"water_is_near": False}, "say": "Bring the water the day before you spray."}
    ],
    "then": "mixes",
}
WATER = {"planting": {"tank_l": TANK, "water_is_near": NEAR, "water_far": FAR}}
SWAHILI = {
    "planting.water_is_near": "Je, maji yako ndani ya mita 100 kutoka shambani?",
    "planting.water_is_near!": "maji yako mbali",
    "planting.water_far.1": "Leta maji siku moja kabla ya kunyunyiza.",
}
TO_THE_TANK = (
    *("1 acre", "yes", "none", "grass", "30", "no", "yes", "yes"),
    *("10000", "0", "15000", "10000", "yes", "no", "yes", "1", "15"),
)


def district(folder: Path, **content: object) -> Path:
    file = folder / "district.yaml"
    file.write_text(yaml.safe_dump(content), encoding="utf-8")
    return file


def test_a_question_of_ones_own_is_asked_and_its_answer_counts(tmp_path: Path) -> None:
    dialogue = data.dialogue(district=district(tmp_path, flows=WATER))
    phone = Conversation(MONDAY, "en", dialogue=dialogue)
    phone.say_all(*TO_THE_TANK)
    assert phone.question == "planting.water_is_near"
    assert phone.say("?").startswith("How many people")
    said = phone.say_all("2", "1", "today")
    assert "- the water is far" in said
    assert "Bring the water the day before you spray." in said


def test_the_rest_of_the_flow_is_not_copied_and_stays(tmp_path: Path) -> None:
    own = data.flows(district(tmp_path, flows=WATER)).flows["planting"].steps
    common = data.flows().flows["planting"].steps
    assert own.keys() - common.keys() == {"water_is_near", "water_far"}
    changed = {name for name in common if common[name].state != own[name].state}
    assert changed == {"tank_l"}


def test_a_variant_is_proved_as_strictly_as_the_flows(tmp_path: Path) -> None:
    assert prove(data.flows(district(tmp_path, flows=WATER))) == []
    gap = {**FAR, "then": "which_water"}
    hole = {"decide": [{"when": {"water_is_near": True}, "then": "mixes"}]}
    broken = {"planting": {**WATER["planting"], "water_far": gap, "which_water": hole}}
    folder = tmp_path / "broken"
    folder.mkdir()
    faults = [str(each) for each in prove(data.flows(district(folder, flows=broken)))]
    assert any(each.startswith("planting.which_water: no row fits") for each in faults)
    # with the answers that lead there, as a sheet
    assert any("water_is_near: false" in each for each in faults)


def test_it_is_measured_in_every_language_too(tmp_path: Path) -> None:
    untranslated = data.dialogue(district=district(tmp_path, flows=WATER))
    languages = data.languages()
    found = fit(untranslated.flows, languages["sw"], untranslated.voices["sw"])
    assert {fault.where for fault in found} == {f"sw, {context}" for context in SWAHILI}

    folder = tmp_path / "worded"
    folder.mkdir()
    worded = data.dialogue(district=district(folder, flows=WATER, texts={"sw": SWAHILI}))
    assert fit(worded.flows, languages["sw"], worded.voices["sw"]) == []


def test_wording_of_ones_own_takes_the_place_of_the_translation(tmp_path: Path) -> None:
    texts = {"sw": {"clearing.cover": "Mirindi: nini kinaota shambani sasa?"}}
    dialogue = data.dialogue(district=district(tmp_path, texts=texts))
    phone = Conversation(MONDAY, "sw", dialogue=dialogue)
    assert phone.say_all("ekari 1", "ndiyo", "hakuna").startswith("Mirindi: nini kinaota")
    english = Conversation(MONDAY, "en", dialogue=dialogue)
    assert english.say_all("1 acre", "yes", "none").startswith("What grows on the field now?")


def test_a_question_for_one_language_leaves_the_others_alone(tmp_path: Path) -> None:
    only = district(tmp_path, flows_for={"sw": WATER}, texts={"sw": SWAHILI})
    dialogue = data.dialogue(district=only)
    english = Conversation(MONDAY, "en", dialogue=dialogue)
    english.say_all(*TO_THE_TANK)
    assert english.question == "planting.workers"

    # A new number speaks no language yet: its first question is everybody's.
    phone = Conversation(MONDAY, dialogue=dialogue)
    phone.say_all("hello", "kiswahili", "ekari 1", "ndiyo", "hakuna", "nyasi", "30", "hapana")
    phone.say_all("ndiyo", "ndiyo", "10000", "0", "15000", "10000", "ndiyo", "hapana", "ndiyo", "1")
    assert phone.say("15") == f"{SWAHILI['planting.water_is_near']}\n1 Ndiyo  2 Hapana"
    assert "Leta maji siku moja" in phone.say_all("hapana", "2", "1", "leo")
    # and its reminders come from the same flows
    assert phone.wait_until(date(2026, 3, 3))


@pytest.mark.parametrize(
    ("content", "cause"),
    [
        ({"flows": {"plantin": {}}}, "did you mean 'planting'?"),
        ({"flows": {"planting": {"tank_l": {**TANK, "then": "mixe"}}}}, "did you mean 'mixes'?"),
        ({"flows": {"planting": {"tank_l": {**TANK, "numbr": 1}}}}, "'numbr' is not a key"),
        (
            {"flows": {"planting": {"x": {"ask": "How deep?", "yes_no": True, "then": "end"}}}},
            "unsure",
        ),
        ({"texts": {"sw": {"clearing.cove": "x"}}}, "did you mean 'clearing.cover'?"),
        ({"texts": {"swa": {"clearing.cover": "x"}}}, "did you mean 'sw'?"),
        ({"texts": {"sw": {"clearing.cover": "{acres} x"}}}, "asks for a value it never gets"),
        ({"flows_for": {"swa": WATER}}, "did you mean 'sw'?"),
    ],
)
def test_a_slip_is_named_with_its_place(
    tmp_path: Path, content: dict[str, object], cause: str
) -> None:
    with pytest.raises(FlowError) as refused:
        data.dialogue(district=district(tmp_path, **content))
    assert cause in str(refused.value)
