"""Advice from an answer sheet: fixed names, clear faults, and figures against the outside."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import jsonschema
import msgspec
import pint
import pytest
import smsutil

from bot import data
from bot.dialogue.advice import Advice, advise, schema
from bot.dialogue.sheet import read_sheet

if TYPE_CHECKING:
    from bot.dialogue.loading import Flows

MONDAY = date(2026, 3, 2)
UNITS = pint.UnitRegistry()

SHEET: dict[str, Any] = {
    "language": "en",
    "area": {"value": 1, "unit": "acre"},
    "soil": {
        "stony": False,
        "shallow": False,
        "waterlogged": False,
        "sloping": False,
        "fertile": True,
    },
    "cover": "broadleaf",
    "height_cm": 40,
    "green": True,
    "hard_weeds": False,
    "herbicide_ok": True,
    "plough_cost_per_acre": 15000,
    "ridge_cost_per_acre": 10000,
    "price_per_tonne": 10000,
    "dry_season_harvest": False,
    "clay_waterlogged": False,
    "weeds_hard_to_control": False,
    "light_well_drained": False,
    "low_sprouting": False,
    "fast_early_weeds": True,
    "preemergence": "isoxaflutole_aclonifen",
    "tank_l": 15,
    "start_date": "2026-03-02",
    "today": "2026-03-02",
}
OPTIONAL = {
    "haulage_cost_per_tonne": 1000,
    "spray_volume_l_per_ha": 250,
    "rain_expected": "2026-04-20",
    "done": {"spray_fallow": "2026-03-01"},
}


def faults(**changes: object) -> list[str]:
    raw = SHEET | changes
    sheet = {key: value for key, value in raw.items() if value is not ...}
    return read_sheet(sheet, data.flows(), data.languages(), MONDAY).faults


def advice(**changes: object) -> Advice:
    raw = {key: value for key, value in (SHEET | changes).items() if value is not ...}
    sheet = read_sheet(raw, data.flows(), data.languages(), MONDAY)
    assert sheet.faults == []
    return advise(sheet, data.flows(), data.dialogue().voice(sheet.language))


def as_json(**changes: object) -> Any:  # noqa: ANN401 - JSON as a stranger reads it
    return msgspec.json.decode(msgspec.json.encode(advice(**changes)))


def days(count: int) -> timedelta:
    return timedelta(days=count)


def due(found: Advice) -> dict[str, date]:
    return {each.id: each.due for each in found.operations}


# Fixed names


def test_every_key_of_the_published_sheet_is_known() -> None:
    assert faults() == []
    assert faults(**OPTIONAL) == []
    assert faults(area={"length_m": 40, "width_m": 60}) == []
    assert faults(start_date=..., planting_date="2026-06-01") == []
    assert faults(preemergence="smetolachlor_atrazine") == []
    for unit in ("acre", "ha", "m2"):
        assert faults(area={"value": 500 if unit == "m2" else 1, "unit": unit}) == []
    for cover in ("woody", "broadleaf", "grass", "sparse"):
        assert faults(cover=cover) == []


def test_the_json_has_the_published_names() -> None:
    found = as_json()
    assert found.keys() == {
        *("verdict", "operations", "amounts", "budget", "cautions", "texts", "segments"),
        *("tillage", "weeding", "labour", "assumed"),
    }
    assert found["operations"][0].keys() >= {"name", "earliest", "due", "latest", "why"}
    assert found["operations"][0].keys() >= {"start_by", "done", "id"}
    assert found["amounts"].keys() == {
        *("stakes", "spare_stakes", "bundles", "glyphosate", "preemergence"),
    }
    spray = {"product_l", "water_l", "tanks", "ml_per_tank", "bottles", "left_over_l"}
    assert found["amounts"]["preemergence"].keys() >= spray
    assert found["amounts"]["glyphosate"].keys() >= spray
    assert found["budget"].keys() == {"plough", "ridge"}
    for work in ("plough", "ridge"):
        wanted = {"gain", "cost", "net", "break_even_price", "advice"}
        assert found["budget"][work].keys() >= wanted
    assert found["tillage"][0].keys() == {
        *("way", "costs", "benefit", "net", "dominated", "marginal_rate", "recommended"),
    }
    assert found["labour"][0].keys() == {
        *("name", "person_days", "least", "most", "days", "window_days", "hire"),
    }
    assert found["weeding"] is None
    priced = as_json(wage_per_day=5000, herbicide_cost_per_acre=20000)["weeding"]
    assert priced.keys() == {"hoe", "spray", "cheaper", "break_even_wage", "spray_from"}
    assert found["assumed"] == []


def test_what_a_sheet_leaves_unknown_is_named_and_said() -> None:
    for unknown in (None, "unknown"):
        found = as_json(cover=unknown, tank_l=unknown)
        assert found["assumed"] == ["cover", "tank_l"]
        said = found["texts"][0]
        assert said.startswith("You were not sure of these, so I took it that\n")
        assert "- grass grows there\n- the tank holds 15 L: measure it before you mix\n" in said
        # Grass under the knee, green: sprayed, as the common cover is.
        assert found["operations"][0]["name"] == "spray_fallow"


OPERATIONS = [
    *("slash", "spray_fallow", "clear", "plough", "ridge", "plant", "spray_preemergence"),
    *("gap_fill", "weed_check", "weed_by_hand", "spray_shielded", "harvest_check"),
]

VARIANTS: list[dict[str, object]] = [
    {},
    {"language": "sw"},
    {"herbicide_ok": False, "preemergence": ..., "tank_l": ...},
    {"cover": "grass", "height_cm": 120, "hard_weeds": True},
    {"cover": "sparse", "height_cm": ..., "green": ..., "fast_early_weeds": False},
    {"price_per_tonne": None, "plough_cost_per_acre": None, "ridge_cost_per_acre": None},
    {"soil": {**SHEET["soil"], "stony": True, "sloping": True}},
    {"start_date": ..., "planting_date": "2026-03-05"},
    {"done": {"spray_fallow": "2026-02-20"}},
    {"area": {"length_m": 40, "width_m": 60}, "low_sprouting": True},
    {"cover": None, "hard_weeds": "unknown", "tank_l": None, "workers": "unknown"},
    {"workers": 6, "wage_per_day": 5000, "herbicide_cost_per_acre": 20000},
    {"start_date": ..., "rain_expected": "2026-05-01", "sprouted_of_20": 12},
]


@pytest.mark.parametrize("changes", VARIANTS)
def test_the_json_is_valid_by_its_published_schema(changes: dict[str, object]) -> None:
    jsonschema.Draft202012Validator.check_schema(schema())
    found = as_json(**changes)
    jsonschema.validate(found, schema(), format_checker=jsonschema.FormatChecker())
    names = [each["name"] for each in found["operations"]]
    assert set(names) <= set(OPERATIONS)


@pytest.mark.parametrize("changes", VARIANTS)
def test_operations_are_in_date_order_and_each_due_within_its_window(
    changes: dict[str, object],
) -> None:
    found = advice(**changes)
    dates = [each.due for each in found.operations]
    assert dates == sorted(dates)
    assert all(each.earliest <= each.due <= each.latest for each in found.operations)
    assert all(each.why for each in found.operations)


@pytest.mark.parametrize("changes", VARIANTS)
def test_segments_are_what_an_independent_package_counts(changes: dict[str, object]) -> None:
    found = advice(**changes)
    assert all(len(smsutil.split(text).parts) <= 2 for text in found.texts)
    assert found.segments == sum(len(smsutil.split(text).parts) for text in found.texts)


# Faults


@pytest.mark.parametrize("key", sorted(SHEET.keys() - {"language", "today", "soil", "start_date"}))
def test_a_missing_key_is_listed_by_name_with_its_question(flows: Flows, key: str) -> None:
    (question,) = [step.state.ask for step in flows.steps() if step.answer == key]
    assert faults(**{key: ...}) == [f"{key}: missing. {question}"]


def test_a_missing_day_is_listed_with_each_of_its_keys() -> None:
    (line,) = faults(start_date=...)
    assert line.startswith("start_date, planting_date or rain_expected: missing. From which day")
    assert faults(start_date=..., rain_expected="2026-04-20") == []


def test_a_missing_soil_names_what_is_missing_in_it() -> None:
    lines = faults(soil={"stony": True, "fertile": True})
    assert len(lines) == 1
    assert all(name in lines[0] for name in ("shallow", "waterlogged", "sloping"))
    assert "stony" not in lines[0]
    assert len(faults(soil=...)) == 2


def test_an_empty_sheet_lists_every_question_once(flows: Flows) -> None:
    lines = read_sheet({}, flows, data.languages(), MONDAY).faults
    keys = [line.partition(": missing.")[0] for line in lines]
    assert len(keys) == len(set(keys))
    optional = {"language", "today", "soil", "start_date"}
    assert (SHEET.keys() - optional) <= set(keys)
    assert "start_date, planting_date or rain_expected" in keys


def test_a_key_listed_as_missing_is_one_that_a_sheet_may_have(flows: Flows) -> None:
    lines = read_sheet({}, flows, data.languages(), MONDAY).faults
    for line in lines:
        key, _, question = line.partition(": missing. ")
        assert "{" not in question, line  # a figure, by its name
        if not key.startswith("soil.") and " or " not in key:
            given = read_sheet({key: "?"}, flows, data.languages(), MONDAY).faults
            assert not any("not a key" in each for each in given), line


def test_only_what_the_answers_make_necessary_is_missing() -> None:
    bare = {"cover": "sparse", "height_cm": ..., "green": ...}
    assert faults(**bare) == []
    assert faults(herbicide_ok=False, preemergence=..., tank_l=...) == []
    asked = ("clay_waterlogged", "weeds_hard_to_control", "light_well_drained")
    assert faults(dry_season_harvest=True, **dict.fromkeys(asked, ...)) == []


@pytest.mark.parametrize(
    ("key", "value", "parts"),
    [
        ("cver", "grass", ["cver", "cover"]),
        ("hieght_cm", 40, ["hieght_cm", "height_cm"]),
        ("price", 1, ["price", "price_per_tonne"]),
        ("cover", "gras", ["cover", "gras", "did you mean grass"]),
        ("preemergence", "atrazine", ["preemergence", "smetolachlor_atrazine"]),
        ("language", "xx", ["language", "en, "]),
        ("height_cm", 900, ["height_cm", "from 1 to 800"]),
        ("height_cm", "40", ["height_cm", "from 1 to 800"]),
        ("tank_l", 0, ["tank_l", "from 1 to 25"]),
        ("tank_l", True, ["tank_l", "from 1 to 25"]),
        ("price_per_tonne", -1, ["price_per_tonne", "from 1"]),
        ("spray_volume_l_per_ha", 10, ["spray_volume_l_per_ha", "from 50 to 600"]),
        ("green", "yes", ["green", "true or false"]),
        ("area", {"value": 1, "unit": "acer"}, ["area", "acer", "acre"]),
        ("area", {"value": 10000, "unit": "ha"}, ["area", "0.02 to 250 acres"]),
        ("area", {"value": 0, "unit": "ha"}, ["area", "above 0"]),
        ("area", 1.5, ["area", "value", "unit", "length_m"]),
        ("area", {"value": 1}, ["area", "unit"]),
        ("start_date", "31/2", ["start_date", "31/2", "2026-03-12"]),
        ("start_date", "2026-02-31", ["start_date", "2026-02-31"]),
        ("start_date", "2040-01-01", ["start_date", "2024-08-29 to 2027-09-03"]),
        ("planting_date", "2026-06-01", ["start_date", "planting_date", "not both"]),
        ("rain_expected", "soon", ["rain_expected", "soon"]),
        ("done", {"slahs": "2026-03-01"}, ["done.slahs", "slash"]),
        ("done", {"slash": "2026-03-03"}, ["done.slash", "not come yet"]),
        ("done", ["slash"], ["done", "slash"]),
        ("soil", {"stoney": True}, ["soil.stoney", "stony"]),
        ("soil", "good", ["soil", "stony"]),
    ],
)
def test_a_slip_is_one_line_that_names_the_key_and_the_remedy(
    key: str, value: object, parts: list[str]
) -> None:
    lines = faults(**{key: value})
    named = [line for line in lines if all(part in line for part in parts)]
    assert len(named) == 1, lines
    assert "\n" not in named[0]


@pytest.mark.parametrize(
    "changes",
    [
        {"cover": ["grass"]},
        {"language": ["en"]},
        {"preemergence": {"a": 1}},
        {"area": {"value": [1], "unit": "acre"}},
        {"today": "0001-01-01"},
        {"today": "9999-12-31"},
        {"area": {"value": float("nan"), "unit": "ha"}},
        {"height_cm": float("inf")},
        {"done": {"slash": None}},
    ],
)
def test_values_of_a_strange_kind_are_faults_and_no_crash(changes: dict[str, object]) -> None:
    assert faults(**changes)


@pytest.mark.parametrize("raw", [None, [], "cover: grass", 3, [1, 2]])
def test_what_is_no_map_is_one_fault(flows: Flows, raw: object) -> None:
    assert len(read_sheet(raw, flows, data.languages(), MONDAY).faults) == 1


# Check values


def test_a_price_of_ten_thousand_gives_the_trades_gains() -> None:
    # Common practice: 20,000 an acre for ploughing and 15,000 for ridging; cost below it: do it.
    budget = as_json()["budget"]
    assert budget["plough"]["gain"] == 20000
    assert budget["ridge"]["gain"] == 15000
    assert budget["plough"]["net"] == 20000 - 15000
    assert budget["ridge"]["net"] == 15000 - 10000
    assert budget["plough"]["break_even_price"] == pytest.approx(15000 / 2.0)
    assert budget["ridge"]["break_even_price"] == pytest.approx(10000 / 1.5, abs=0.01)


@pytest.mark.parametrize(("cost", "pays"), [(19999, True), (20000, False), (20001, False)])
def test_ploughing_is_advised_below_its_gain(cost: int, pays: bool) -> None:  # noqa: FBT001 - a column of the table
    found = as_json(plough_cost_per_acre=cost)
    assert found["budget"]["plough"]["advice"] == ("do" if pays else "skip")
    assert ("plough" in [each["name"] for each in found["operations"]]) == pays


@pytest.mark.parametrize(("cost", "advised"), [(14999, "do"), (15000, "skip"), (15001, "skip")])
def test_ridging_is_advised_below_its_gain(cost: int, advised: str) -> None:
    found = as_json(ridge_cost_per_acre=cost)
    assert found["budget"]["ridge"]["advice"] == advised
    assert ("ridge" in [each["name"] for each in found["operations"]]) == (advised == "do")


@pytest.mark.parametrize(
    "reason", ["dry_season_harvest", "clay_waterlogged", "weeds_hard_to_control"]
)
def test_each_of_three_reasons_makes_ridging_strongly_advised(reason: str) -> None:
    found = as_json(ridge_cost_per_acre=1_000_000, **{reason: True})
    assert found["budget"]["ridge"]["advice"] == "strongly_advised"
    assert "ridge" in [each["name"] for each in found["operations"]]


def test_no_tillage_only_on_light_soil_that_drains_well() -> None:
    costs = {"plough_cost_per_acre": 30000, "ridge_cost_per_acre": 30000}
    names = [each["name"] for each in as_json(light_well_drained=True, **costs)["operations"]]
    assert not {"plough", "ridge"} & set(names)
    assert "plough" in [each["name"] for each in as_json(**costs)["operations"]]


def test_haulage_comes_off_the_price_of_the_extra_roots() -> None:
    budget = as_json(haulage_cost_per_tonne=2000)["budget"]
    assert budget["plough"]["gain"] == 2.0 * (10000 - 2000)
    # Just at the break-even price nothing is left (by the definition of it).
    price = budget["plough"]["break_even_price"]
    again = as_json(haulage_cost_per_tonne=2000, price_per_tonne=price)["budget"]["plough"]
    assert again["net"] == pytest.approx(0)


def test_an_acre_takes_about_five_thousand_stakes_and_a_hectare_12500() -> None:
    # Common practice, 1.0 x 0.8 m: "about 5,000 plants an acre; 12,500/ha".
    assert as_json()["amounts"]["stakes"] == pytest.approx(5000, rel=0.02)
    assert as_json(area={"value": 1, "unit": "ha"})["amounts"]["stakes"] == 12500
    # 0.7 m in the row where poor sprouting is expected.
    closer = as_json(area={"value": 1, "unit": "ha"}, low_sprouting=True)["amounts"]
    assert closer["stakes"] == pytest.approx(10000 / 0.7, abs=1)
    assert closer["spare_stakes"] > as_json()["amounts"]["spare_stakes"]


@pytest.mark.parametrize(
    ("product", "litres"), [("isoxaflutole_aclonifen", 0.5), ("smetolachlor_atrazine", 1.6)]
)
@pytest.mark.parametrize("volume", [200, 250])
def test_a_tank_holds_its_share_of_the_label_rate(product: str, litres: float, volume: int) -> None:
    # Product in a tank = tank / spray volume x rate (field notes on calibration, 2009), by pint.
    found = as_json(preemergence=product, spray_volume_l_per_ha=volume)["amounts"]["preemergence"]
    rate = litres * UNITS.litre / UNITS.acre
    spray = volume * UNITS.litre / UNITS.hectare
    in_tank = (15 * UNITS.litre / spray * rate).to("millilitre").magnitude
    assert in_tank - 1 < found["ml_per_tank"] <= in_tank + 0.01
    water = (spray * UNITS.acre).to("litre").magnitude
    assert found["water_l"] == pytest.approx(water, abs=0.05)
    assert found["tanks"] == pytest.approx(water / 15, abs=0.01)
    assert found["product_l"] == pytest.approx(litres, abs=0.001)


def test_without_herbicide_there_is_no_spray_and_no_mix() -> None:
    found = as_json(herbicide_ok=False, preemergence=..., tank_l=...)
    assert found["amounts"].keys() == {"stakes", "spare_stakes", "bundles"}
    assert not [each for each in found["operations"] if "spray" in each["name"]]
    assert [each["name"] for each in found["operations"]].count("weed_by_hand") == 3


# Days


def test_the_waits_between_operations() -> None:
    day = due(advice())
    assert day["clear"] - day["spray_fallow"] == days(14)
    assert days(0) <= day["spray_preemergence"] - day["plant"] <= days(1)
    found = {each.id: each for each in advice().operations}
    assert found["gap_fill"].earliest - found["plant"].earliest == days(14)
    assert found["gap_fill"].latest - found["plant"].latest == days(21)
    assert day["weed_check_3"] - day["plant"] == days(56)


def test_grass_over_the_knee_is_cut_regrows_is_sprayed_and_dies_before_the_plough() -> None:
    day = due(advice(cover="grass", height_cm=51))
    assert day["spray_fallow"] - day["slash"] == days(14)
    assert day["plough"] - day["spray_fallow"] == days(14)


def test_what_is_done_keeps_its_day_and_the_rest_follows_it() -> None:
    found = advice(done={"spray_fallow": "2026-02-20"})
    spray = next(each for each in found.operations if each.id == "spray_fallow")
    assert spray.done
    assert spray.due == date(2026, 2, 20)
    assert due(found)["clear"] == date(2026, 3, 6)


def test_planting_waits_for_the_rain_that_is_expected() -> None:
    assert due(advice(rain_expected="2026-04-20"))["plant"] == date(2026, 4, 20)


def test_a_wanted_planting_day_is_kept_where_it_can_be() -> None:
    day = due(advice(start_date=..., planting_date="2026-06-01"))
    assert day["plant"] == date(2026, 6, 1)
    assert day["spray_fallow"] == date(2026, 6, 1) - days(1 + 7 + 1 + 14)


def test_a_wanted_planting_day_that_is_too_near_is_said_to_be_so() -> None:
    found = advice(start_date=..., planting_date="2026-03-05")
    assert found.texts[0].startswith("You cannot plant on Thu 5 Mar")
    assert due(found)["plant"] == MONDAY + days(1 + 7 + 1 + 14)
    kiswahili = advice(start_date=..., planting_date="2026-03-05", language="sw")
    assert "5 Mac" in kiswahili.texts[0].partition("\n")[0]


# Texts


def test_kiswahili_says_the_same_in_kiswahili() -> None:
    english, kiswahili = advice(), advice(language="sw")
    assert due(kiswahili) == due(english)
    assert kiswahili.amounts == english.amounts
    texts = "\n".join(kiswahili.texts)
    assert "Mpango wako wa 1 ekari:" in texts
    assert "miwani" in texts  # goggles
    assert "300 ml" not in texts
    assert "ml 300" in texts
    assert not set(kiswahili.cautions) & set(english.cautions)
    assert not {each.why for each in kiswahili.operations} & {
        each.why for each in english.operations
    }


def test_the_texts_hold_the_dates_the_mix_and_the_protection() -> None:
    texts = "\n".join(advice().texts)
    assert "Mon 2 Mar: spray" in texts
    assert "92 ml in each 15 L tank" in texts
    assert "Check your label" in texts
    for caution in advice().cautions:
        assert caution in texts


def test_each_fault_of_the_soil_has_its_own_remedy() -> None:
    remedies = {
        "stony": "hand tools",
        "shallow": "high ridges or mounds",
        "waterlogged": "dig drains",
        "sloping": "across the slope",
    }
    for fault, remedy in remedies.items():
        found = advice(soil={**SHEET["soil"], fault: True})
        assert found.verdict == "poor"
        texts = "\n".join(found.texts)
        assert [each for each in remedies.values() if each in texts] == [remedy]
    assert advice(soil={**SHEET["soil"], "stony": True, "sloping": True}).verdict == "another_plot"
    assert advice().verdict == "good"
