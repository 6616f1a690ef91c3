"""Whatever happens, no logger of ours writes a grower's number down.

What web servers and libraries log of an address is masked where the log is written.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from seasons import ASHA, BARAKA, Day

from bot.gateways.base import Outgoing
from bot.gateways.http import HttpGateway
from bot.gateways.profiles import read_profile

if TYPE_CHECKING:
    import pytest
    import redis

NATIONAL = "6987654"
"""What all numbers of the day begin with, behind their country's code."""


def written(caplog: pytest.LogCaptureFixture) -> list[str]:
    """Every line of ours, with the traceback it has."""
    form = logging.Formatter("%(name)s %(message)s")
    return [form.format(each) for each in caplog.records if each.name.startswith("bot")]


def test_no_number_is_logged_in_a_whole_day_or_written_in_the_trail(
    redis_client: redis.Redis, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    day = Day(redis_client)
    day.live()
    lines = written(caplog)
    assert ASHA.find(NATIONAL) == BARAKA.find(NATIONAL) == 4
    assert not [line for line in lines if NATIONAL in line]
    said = "\n".join(lines)
    for told in ("+255*******33 refused", "delivered again", "left out", "is no phone number"):
        assert told in said
    # Nor is one in the trail, which outlives whoever was forgotten.
    entries = [entry for _, entry in day.people.recent(1000)]
    assert len(entries) > 3
    assert not [entry for entry in entries if NATIONAL in f"{entry.whom}{entry.detail}"]


def test_what_a_gateway_answers_is_told_without_the_number(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    profile = read_profile("plain-json")
    outcome = HttpGateway(profile).send(Outgoing(id=f"{ASHA}:1", to=ASHA, body="hello"))
    assert NATIONAL not in f"{outcome}{written(caplog)}"
