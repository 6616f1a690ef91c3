"""Prints how many of the typed answers are read as they should be, language by language."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

ACCURACY = pytest.StashKey[dict[str, str]]()


@pytest.fixture
def tell(pytestconfig: pytest.Config) -> Callable[[str, str], None]:
    """Keep a line about a language for the end of the run."""

    def keep(language: str, line: str) -> None:
        pytestconfig.stash.setdefault(ACCURACY, {})[language] = line

    return keep


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    for language, line in sorted(config.stash.get(ACCURACY, {}).items()):
        terminalreporter.write_line(f"typed answers, {language}: {line}")
