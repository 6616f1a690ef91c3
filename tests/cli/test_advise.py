"""`fieldbell advise`: an answer sheet in, the advice or one line a fault out."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jsonschema
import pytest
import yaml

from bot.cli import main

if TYPE_CHECKING:
    from click.testing import CliRunner, Result

SHEET: dict[str, Any] = {
    "today": date(2026, 3, 2),
    "area": {"value": 2, "unit": "acre"},
    "soil": {
        "stony": False,
        "shallow": False,
        "waterlogged": False,
        "sloping": False,
        "fertile": True,
    },
    "cover": "grass",
    "height_cm": 40,
    "green": True,
    "hard_weeds": False,
    "herbicide_ok": True,
    "plough_cost_per_acre": 15000,
    "ridge_cost_per_acre": 16000,
    "price_per_tonne": 10000,
    "dry_season_harvest": False,
    "clay_waterlogged": False,
    "weeds_hard_to_control": False,
    "light_well_drained": False,
    "low_sprouting": False,
    "fast_early_weeds": True,
    "preemergence": "smetolachlor_atrazine",
    "tank_l": 15,
    "start_date": date(2026, 3, 4),
}


def advise(runner: CliRunner, sheet: dict[str, Any] | bytes, *options: str) -> Result:
    given = sheet if isinstance(sheet, bytes) else yaml.safe_dump(sheet).encode()
    Path("sheet.yaml").write_bytes(given)
    return runner.invoke(main, ["advise", "sheet.yaml", *options])


def test_the_advice_reads_as_it_would_be_sent(runner: CliRunner) -> None:
    result = advise(runner, SHEET)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.startswith("Your plan for 2 acre:\nWed 4 Mar: spray\nWed 18 Mar: plough\n")


def test_the_json_follows_its_published_schema(runner: CliRunner) -> None:
    schema = json.loads(runner.invoke(main, ["advise", "--schema"]).stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    advice = json.loads(advise(runner, SHEET, "--json").stdout)
    jsonschema.validate(
        advice, schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )
    assert advice["verdict"] == "good"
    days = [each["due"] for each in advice["operations"]]
    assert days == sorted(days)
    assert [each["name"] for each in advice["operations"]][:4] == [
        "spray_fallow",
        "plough",
        "plant",
        "spray_preemergence",
    ]
    # Common practice: a price of 10,000 a tonne gives 20,000 an acre for ploughing and 15,000
    # for ridging; at a cost below that, do it.
    assert advice["budget"]["plough"]["gain"] == 20_000
    assert advice["budget"]["plough"]["advice"] == "do"
    assert advice["budget"]["ridge"]["gain"] == 15_000
    assert advice["budget"]["ridge"]["advice"] == "skip"
    # Common practice: 1.6 L of S-metolachlor + atrazine an acre.
    assert advice["amounts"]["preemergence"]["product_l"] == pytest.approx(3.2, abs=0.01)
    text = advise(runner, SHEET).stdout
    assert text == "\n\n".join(advice["texts"]) + "\n"


def test_a_schema_that_forbids_refuses_other_json(runner: CliRunner) -> None:
    schema = json.loads(runner.invoke(main, ["advise", "--schema"]).stdout)
    advice = json.loads(advise(runner, SHEET, "--json").stdout)
    del advice["verdict"]
    with pytest.raises(jsonschema.ValidationError, match="'verdict' is a required property"):
        jsonschema.validate(advice, schema)


def test_a_sheet_comes_by_standard_input_too(runner: CliRunner) -> None:
    by_file = advise(runner, SHEET)
    by_pipe = runner.invoke(main, ["advise", "-"], input=Path("sheet.yaml").read_bytes())
    assert (by_pipe.exit_code, by_pipe.stdout) == (0, by_file.stdout)


def test_the_advice_comes_in_kiswahili(runner: CliRunner) -> None:
    result = advise(runner, SHEET | {"language": "sw"})
    assert result.exit_code == 0
    assert result.stdout.startswith("Mpango wako wa 2 ekari:\n")


def without(key: str) -> dict[str, Any]:
    return {name: value for name, value in SHEET.items() if name != key}


@pytest.mark.parametrize(
    ("sheet", "lines"),
    [
        pytest.param(
            without("tank_l"),
            ["tank_l: missing. How many litres does your sprayer's tank hold?"],
            id="a missing key, with its question",
        ),
        pytest.param(
            {name: value for name, value in SHEET.items() if name not in {"green", "tank_l"}},
            [
                "green: missing. Are the leaves green and growing now, not dry or withered?",
                "tank_l: missing. How many litres does your sprayer's tank hold?",
            ],
            id="two missing keys",
        ),
        pytest.param(
            SHEET | {"heigth_cm": 40},
            ["heigth_cm: not a key of a sheet; did you mean height_cm?"],
            id="an unknown key, with the nearest",
        ),
        pytest.param(
            SHEET | {"soil": {"stoney": True}},
            ["soil.stoney: not a key of soil; did you mean stony?"],
            id="an unknown key of the soil",
        ),
        pytest.param(
            SHEET | {"cover": "gras"},
            ["cover: 'gras' is not one of woody, broadleaf, grass, sparse; did you mean grass?"],
            id="an unknown choice",
        ),
        pytest.param(
            SHEET | {"language": "xx"},
            ["language: 'xx' is not on offer; choose en, sw"],
            id="a language not on offer",
        ),
        pytest.param(
            SHEET | {"start_date": "2026-02-31"},
            ["start_date: '2026-02-31' is not a day; write it as 2026-03-12"],
            id="31 February",
        ),
        pytest.param(
            b"",
            ["the sheet must be a list of keys and values, such as `cover: grass`"],
            id="an empty file",
        ),
        pytest.param(
            b"- cover\n- grass\n",
            ["the sheet must be a list of keys and values, such as `cover: grass`"],
            id="not a mapping",
        ),
    ],
)
def test_each_fault_is_one_line(
    runner: CliRunner, sheet: dict[str, Any] | bytes, lines: list[str]
) -> None:
    result = advise(runner, sheet)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.splitlines() == lines


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("height_cm", -1),
        ("height_cm", 1e9),
        ("height_cm", float("nan")),
        ("height_cm", "forty"),
        ("height_cm", True),
        ("tank_l", 0),
        ("price_per_tonne", -5),
        ("area", {"value": 0, "unit": "acre"}),
        ("area", {"value": 1e9, "unit": "acre"}),
        ("area", {"value": 1}),
        ("area", 2),
        ("soil", []),
        ("green", "yes please"),
        ("start_date", date(1999, 1, 1)),
        ("done", {"slash": date(2026, 3, 3)}),
        ("done", {"slsh": date(2026, 3, 1)}),
    ],
)
def test_a_value_out_of_range_is_one_line_that_names_its_key(
    runner: CliRunner, key: str, value: object
) -> None:
    result = advise(runner, SHEET | {key: value})
    assert (result.exit_code, result.stdout) == (2, "")
    (line,) = result.stderr.splitlines()
    assert line.startswith(key)


@pytest.mark.parametrize(
    ("key", "value"),
    [("language", "[en]"), ("cover", "[grass]"), ("height_cm", f"0x{'f' * 5000}")],
)
def test_a_value_of_a_kind_nobody_expects_is_one_line_too(
    runner: CliRunner, key: str, value: str
) -> None:
    kept = yaml.safe_dump({name: each for name, each in SHEET.items() if name != key})
    result = advise(runner, f"{kept}{key}: {value}\n".encode())
    assert (result.exit_code, result.stdout) == (2, "")
    (line,) = result.stderr.splitlines()
    assert line.startswith(key)
    assert len(line) < 200


@pytest.mark.parametrize(
    "given",
    [
        pytest.param(b"cover: [grass", id="broken YAML"),
        pytest.param(b"cover: grass\n\tgreen: true\n", id="a tab"),
        pytest.param(b"today: 2026-13-45\n", id="no such day"),
        pytest.param(b"? [a]\n: b\n", id="a list for a key"),
        pytest.param(b"!!python/object/apply:os.getcwd []\n", id="a tag of another program"),
        pytest.param(bytes(range(256)), id="all bytes"),
        pytest.param(b"\x89PNG\r\n\x1a\n" + b"\x00" * 100, id="a picture"),
        pytest.param(b"[" * 5000, id="brackets without end"),
    ],
)
def test_a_file_that_is_no_yaml_is_one_line(runner: CliRunner, given: bytes) -> None:
    result = advise(runner, given)
    assert (result.exit_code, result.stdout) == (2, "")
    (line,) = result.stderr.splitlines()
    assert line.startswith("sheet.yaml: not readable as YAML: ")


@pytest.mark.parametrize("arguments", [["advise"], ["advise", "nowhere.yaml"], ["advise", "."]])
def test_no_sheet_is_a_mistake_in_the_command(runner: CliRunner, arguments: list[str]) -> None:
    result = runner.invoke(main, arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "Error: " in result.stderr
    assert "Traceback" not in result.stderr
