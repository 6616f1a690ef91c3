from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest

from bot import data
from bot.enrolment.files import open_sheet
from bot.enrolment.rows import read_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from bot.enrolment.rows import Enrolled, Faulty, Merged


@pytest.fixture(scope="session")
def read() -> Callable[..., list[Enrolled | Faulty | Merged]]:
    """Read a whole file, given as text, for a country where all four languages are on offer."""

    def read(text: str, country: str = "TZ") -> list[Enrolled | Faulty | Merged]:
        with open_sheet(io.BytesIO(text.encode())) as sheet:
            return list(read_rows(sheet, country, data.languages()))

    return read
