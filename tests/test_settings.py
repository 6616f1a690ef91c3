from __future__ import annotations

import re
from pathlib import Path

import pytest

from bot.settings import Settings, SettingsError, nearest


def test_nothing_set_gives_the_defaults() -> None:
    settings = Settings.read({})
    assert settings == Settings()
    assert settings.data == Path("fieldbell-data")
    assert not settings.redis_url
    assert not settings.poison_number


def test_other_peoples_variables_are_left_alone() -> None:
    assert Settings.read({"PATH": "/bin", "HOME": "/root"}) == Settings()


def test_environment_wins_over_the_file(tmp_path: Path) -> None:
    file = tmp_path / "fieldbell.toml"
    file.write_text('zone = "Africa/Lagos"\ncountry = "NG"\nwaking_from = 8\nremind_at = 8\n')
    settings = Settings.read(
        {"FIELDBELL_SETTINGS": str(file), "FIELDBELL_WAKING_FROM": "6", "FIELDBELL_DATA": "/d"}
    )
    assert settings == Settings(
        zone="Africa/Lagos", country="NG", waking_from=6, remind_at=8, data=Path("/d")
    )


def test_the_file_given_wins_over_the_file_named(tmp_path: Path) -> None:
    given = tmp_path / "given.toml"
    given.write_text('help_number = "+255700000001"\n')
    settings = Settings.read({"FIELDBELL_SETTINGS": "/nowhere.toml"}, given)
    assert settings.help_number == "+255700000001"


def test_redis_url_by_either_name() -> None:
    assert Settings.read({"REDIS_URL": "redis://a"}).redis_url == "redis://a"
    both = {"REDIS_URL": "redis://a", "FIELDBELL_REDIS_URL": "redis://b"}
    assert Settings.read(both).redis_url == "redis://b"


def test_the_districts_file_is_none_unless_set(tmp_path: Path) -> None:
    assert Settings.read({}).district is None
    named = Settings.read({"FIELDBELL_DISTRICT": "/etc/fieldbell/district.yaml"})
    assert named == Settings(district=Path("/etc/fieldbell/district.yaml"))
    file = tmp_path / "fieldbell.toml"
    file.write_text('district = "of-the-file.yaml"\n')
    assert Settings.read({}, file).district == Path("of-the-file.yaml")
    both = Settings.read({"FIELDBELL_DISTRICT": "of-the-environment.yaml"}, file)
    assert both.district == Path("of-the-environment.yaml")


@pytest.mark.parametrize("text", ["district = 5", "district = true", "district = ['a.yaml']"])
def test_a_districts_file_that_is_no_path(tmp_path: Path, text: str) -> None:
    file = tmp_path / "fieldbell.toml"
    file.write_text(text)
    with pytest.raises(SettingsError, match="district"):
        Settings.read({}, file)


@pytest.mark.parametrize(
    ("environ", "says"),
    [
        ({"FIELDBELL_DISTRIKT": "ours.yaml"}, "did you mean FIELDBELL_DISTRICT"),
        ({"FIELDBELL_WAKING_FORM": "8"}, "FIELDBELL_WAKING_FROM"),
        ({"FIELDBELL_ZONE": "Africa/Dodoma City"}, "IANA name"),
        ({"FIELDBELL_ZONE": ""}, "IANA name"),
        ({"FIELDBELL_ZONE": "../etc/passwd"}, "IANA name"),
        ({"FIELDBELL_COUNTRY": "Tanzania"}, "two capital letters"),
        ({"FIELDBELL_WAKING_FROM": "early"}, "waking_from"),
        ({"FIELDBELL_WAKING_UNTIL": "25"}, "waking_until"),
        ({"FIELDBELL_WAKING_FROM": "20"}, "must come before"),
        ({"FIELDBELL_REMIND_AT": "19"}, "from 7 to 18"),
        ({"FIELDBELL_REPLICAS": "-1"}, "replicas"),
        ({"FIELDBELL_SEGMENT_PRICE": "-1"}, "segment_price"),
        ({"FIELDBELL_SEGMENT_PRICE": "inf"}, "segment_price is not a number of TZS"),
        ({"FIELDBELL_SEGMENT_PRICE": "nan"}, "segment_price"),
        ({"FIELDBELL_SPEND_CEILING": "-0.5"}, "spend_ceiling"),
        ({"FIELDBELL_SPEND_CEILING": "nan", "FIELDBELL_SEGMENT_PRICE": "1"}, "spend_ceiling"),
        ({"FIELDBELL_SPEND_CEILING": "1000"}, "spend_ceiling needs segment_price"),
        ({"FIELDBELL_GATEWAY_PRICES": "coast"}, "has 'coast'; write a gateway's name, ="),
        ({"FIELDBELL_GATEWAY_PRICES": "=3"}, "has '=3'"),
        ({"FIELDBELL_GATEWAY_PRICES": "coast="}, "has 'coast='"),
        ({"FIELDBELL_GATEWAY_PRICES": "coast=-3"}, "from 0"),
        ({"FIELDBELL_GATEWAY_PRICES": "coast=nan"}, "has 'coast=nan'"),
        ({"FIELDBELL_GATEWAY_PRICES": "coast=1e9"}, "has 'coast=1e9'"),
        ({"FIELDBELL_GATEWAY_PRICES": "coast=2,hills=3,coast=4"}, "two prices for 'coast'"),
        ({"FIELDBELL_SETTINGS": "/nowhere/fieldbell.toml"}, "cannot be read"),
    ],
)
def test_a_bad_value_is_an_error_with_its_remedy(environ: dict[str, str], says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        Settings.read(environ)


def test_prices_are_read_gateway_by_gateway() -> None:
    settings = Settings.read({"FIELDBELL_GATEWAY_PRICES": " coast = 18.5, a=b=0 ,,hills=007"})
    assert settings.prices == {"coast": 18.5, "a=b": 0.0, "hills": 7.0}
    assert Settings().prices == {}


def test_a_bad_key_in_the_file_names_the_nearest(tmp_path: Path) -> None:
    file = tmp_path / "fieldbell.toml"
    file.write_text('poisson_number = "114"\n')
    with pytest.raises(SettingsError, match="did you mean poison_number"):
        Settings.read({}, file)


@pytest.mark.parametrize("text", [b"zone =", b"\xff\xfe"])
def test_a_file_that_is_not_toml(tmp_path: Path, text: bytes) -> None:
    file = tmp_path / "fieldbell.toml"
    file.write_bytes(text)
    with pytest.raises(SettingsError, match="not TOML"):
        Settings.read({}, file)


def test_a_name_like_no_other_lists_them_all() -> None:
    assert nearest("qqqq", ["zone", "data"]) == "known are data, zone"


def test_a_file_or_folder_set_to_nothing_is_not_set() -> None:
    settings = Settings.read({"FIELDBELL_DISTRICT": "", "FIELDBELL_LOCALES": ""})
    assert settings == Settings()


class TestTable:
    """The table of the main README, a row a setting or several: `FIELDBELL_A`, `_B`."""

    ROWS = re.findall(
        r"^\| (`(?:REDIS_URL|FIELDBELL_).*?) \| (.*?) \| .* \|$",
        (Path(__file__).parents[1] / "README.md").read_text(),
        re.MULTILINE,
    )

    def named(self, cell: str) -> list[str]:
        return [
            each.removeprefix("FIELDBELL").removeprefix("_").lower()
            for each in re.findall(r"`(\w+)`", cell)
        ]

    def test_it_names_every_setting_once_and_nothing_else(self) -> None:
        named = [name for cell, _ in self.ROWS for name in self.named(cell)]
        assert sorted(named) == sorted(Settings.__struct_fields__)

    def test_its_defaults_are_those_there_are(self) -> None:
        nothing = {"none": ("", None), "off": (False, ""), "all": ("",)}
        for cell, default in self.ROWS:
            names, said = self.named(cell), default.replace("`", "").split(", ")
            for name, each in zip(
                names, said * len(names) if len(said) == 1 else said, strict=True
            ):
                real = getattr(Settings(), name)
                assert real in nothing.get(each, ()) or str(real).removesuffix(".0") == each, name
