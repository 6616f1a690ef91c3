from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """An empty folder to work in, and no settings of the machine's own."""
    for name in os.environ:
        if name.startswith("FIELDBELL_") or name == "REDIS_URL":
            monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def runner() -> CliRunner:
    return CliRunner()
