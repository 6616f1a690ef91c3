"""No record of any logger spells a phone number, and JSON lines can be read by a machine."""

from __future__ import annotations

import json
import logging
import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bot.operating.logs import configure, mask_numbers
from bot.settings import Settings, SettingsError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

NUMBER = "+255712345678"


@pytest.fixture(autouse=True)
def logging_as_it_was() -> Iterator[None]:
    root = logging.getLogger()
    before = root.level, root.handlers[:]
    yield
    root.setLevel(before[0])
    root.handlers[:] = before[1]


@pytest.fixture
def lines(capsys: pytest.CaptureFixture[str]) -> Callable[..., list[str]]:
    def written(**settings: str) -> list[str]:
        configure(Settings.read({f"FIELDBELL_{k.upper()}": v for k, v in settings.items()}))
        log = logging.getLogger("bot.somewhere")
        log.info("a text to %s left", NUMBER)
        logging.getLogger("gunicorn.access").info("GET /desk/growers/%s 200", "%2B255712345678")
        try:
            int(f"no record of {NUMBER}")
        except ValueError:
            log.exception("it failed")
        log.debug("too small")
        return capsys.readouterr().err.splitlines()

    return written


@pytest.mark.parametrize("form", ["plain", "json"])
def test_no_number_is_written_anywhere(lines: Callable[..., list[str]], form: str) -> None:
    said = "\n".join(lines(log_format=form))
    assert "255712345678" not in said
    assert "712345678" not in said
    assert "+255*******78" in said
    assert "/desk/growers/" in said
    assert "ValueError" in said


def test_a_json_line_says_when_how_weighty_who_and_what(lines: Callable[..., list[str]]) -> None:
    before = datetime.now(UTC)
    said = [json.loads(line) for line in lines(log_format="json")]
    assert [each["level"] for each in said] == ["info", "info", "error"]
    assert [each["logger"] for each in said] == [
        "bot.somewhere",
        "gunicorn.access",
        "bot.somewhere",
    ]
    assert said[0]["message"] == "a text to +255*******78 left"
    assert "Traceback" in said[2]["exception"]
    for each in said:
        # RFC 3339, in UTC.
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", each["time"])
        at = datetime.fromisoformat(each["time"])
        assert abs((at - before).total_seconds()) < 60


def test_a_plain_line_keeps_its_time(lines: Callable[..., list[str]]) -> None:
    first = lines()[0]
    assert re.fullmatch(
        r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} INFO a text to \+255\*+78 left", first
    )


def test_the_least_weight_is_kept_to(lines: Callable[..., list[str]]) -> None:
    assert not [line for line in lines(log_level="error") if " INFO " in line]
    assert [line for line in lines(log_level="debug") if line.endswith("too small")]


@pytest.mark.parametrize(
    "written",
    [
        "+255712345678", "255712345678", "00255712345678", "0712345678", "0712 345 678",
        "+255 712 345 678", "+255-712-345-678", "(+255) 712345678", "%2B255712345678", "712345678",
        "tel:+255712345678;ext=2", "+255712345678:41",
    ],
)  # fmt: skip
def test_numbers_are_masked_however_they_are_written(written: str) -> None:
    said = mask_numbers(f"from {written} came")
    assert said.startswith("from ")
    assert said.endswith(" came")
    # Five digits in a row are a village.
    assert not re.search(r"\d{5}", re.sub(r"[^\d*]", "", said))


@given(st.integers(10**7, 10**15 - 1), st.text(), st.text(), st.sampled_from(["", "+", "%2B"]))
def test_no_digits_of_a_number_are_left_in_a_row(
    number: int, before: str, after: str, plus: str
) -> None:
    assert not re.search(r"\d{8}", mask_numbers(f"{before}{plus}{number}{after}"), re.ASCII)


@pytest.mark.parametrize(
    "written",
    ["2026-03-02 is the day", "at 07:00:00", "128 growers, 4096 bytes", "port 6379", "10.0.0.5"],
)
def test_what_is_no_number_is_left_readable(written: str) -> None:
    assert mask_numbers(written) == written


def test_a_form_nobody_knows_is_a_fault_in_the_settings() -> None:
    with pytest.raises(SettingsError, match="log_format"):
        Settings.read({"FIELDBELL_LOG_FORMAT": "xml"})


def test_the_log_goes_where_systemd_takes_it(capsys: pytest.CaptureFixture[str]) -> None:
    configure(Settings())
    logging.getLogger("x").warning("said")
    captured = capsys.readouterr()
    assert captured.err.endswith("WARNING said\n")
    assert not captured.out
