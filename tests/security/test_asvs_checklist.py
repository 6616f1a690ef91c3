"""The checklist names every requirement of levels 1 and 2 once, and evidence that is there."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
OPERATING = ROOT / "bot" / "operating"

# How many requirements of levels 1 and 2 each section has; they come first in it, so they are
# numbered from 1. From the standard's own table (OWASP ASVS 5.0.0, docs_en, CSV).
SECTIONS = {
    section: int(last)
    for section, last in (
        each.split(":")
        for each in [
            "1.1:2",
            "1.2:9",
            "1.3:11",
            "1.4:3",
            "1.5:2",
            "2.1:3",
            "2.2:3",
            "2.3:4",
            "2.4:1",
            "3.2:2",
            "3.3:4",
            "3.4:6",
            "3.5:5",
            "3.7:2",
            "4.1:3",
            "4.2:1",
            "4.3:2",
            "4.4:4",
            "5.1:1",
            "5.2:3",
            "5.3:2",
            "5.4:3",
            "6.1:3",
            "6.2:12",
            "6.3:4",
            "6.4:4",
            "6.5:5",
            "6.6:3",
            "6.8:4",
            "7.1:3",
            "7.2:4",
            "7.3:2",
            "7.4:5",
            "7.5:2",
            "7.6:2",
            "8.1:2",
            "8.2:3",
            "8.3:1",
            "8.4:1",
            "9.1:3",
            "9.2:4",
            "10.1:2",
            "10.2:2",
            "10.3:4",
            "10.4:11",
            "10.5:5",
            "10.6:2",
            "10.7:3",
            "11.1:2",
            "11.2:3",
            "11.3:3",
            "11.4:4",
            "11.5:1",
            "11.6:1",
            "12.1:3",
            "12.2:2",
            "12.3:4",
            "13.1:1",
            "13.2:5",
            "13.3:2",
            "13.4:5",
            "14.1:2",
            "14.2:4",
            "14.3:3",
            "15.1:3",
            "15.2:3",
            "15.3:7",
            "16.1:1",
            "16.2:5",
            "16.3:4",
            "16.4:3",
            "16.5:3",
            "17.1:1",
            "17.2:4",
            "17.3:2",
        ]
    )
}
VERDICTS = {"met", "partly", "not met", "operator", "n/a"}
ROW = re.compile(r"^\| ([0-9.]+)(?:-([0-9.]+))? \| ([^|]+) \| ([^|]+) \|$", re.MULTILINE)
A_FILE = re.compile(r"\b(?:bot|tests|flows)/[\w./-]*\.(?:py|lua|html|acl|yaml|md)\b")


def rows() -> list[tuple[list[str], str, str]]:
    """Each row: its requirements, its verdict, its evidence."""
    found = []
    for first, last, verdict, evidence in ROW.findall((OPERATING / "asvs.md").read_text()):
        section, _, start = first.rpartition(".")
        end = (last or first).rpartition(".")
        assert end[0] == section
        named = [f"{section}.{each}" for each in range(int(start), int(end[2]) + 1)]
        found.append((named, verdict, evidence))
    return found


def test_every_requirement_is_looked_at_once() -> None:
    named = Counter(each for those, _, _ in rows() for each in those)
    wanted = [f"{section}.{n}" for section, last in SECTIONS.items() for n in range(1, last + 1)]
    assert named == Counter(wanted)
    assert len(wanted) == 253  # 70 of level 1 and 183 of level 2


def test_every_verdict_is_one_and_what_is_met_has_evidence() -> None:
    for named, verdict, evidence in rows():
        assert verdict in VERDICTS, named
        assert len(evidence.strip()) > 5, named


def test_every_file_named_in_what_is_said_of_security_is_there() -> None:
    named = set()
    for page in ("asvs.md", "security.md"):
        named |= set(A_FILE.findall((OPERATING / page).read_text()))
    assert len(named) > 40
    assert not [each for each in named if not (ROOT / each).is_file()]
